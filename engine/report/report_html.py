"""The calibration record: one HTML file that needs nothing else, for the screen and for paper."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from pathlib import Path

import numpy as np

from ..cell.cell import Cell
from ..cell.session import Session, seen_by
from ..errors import StationbookError
from ..proof.stated import covariance_of, of_camera
from ..sessions.changes import read_journal
from ..sessions.results import changed_since
from ..sessions.stored_result import StoredResult
from . import html_record as record
from . import html_result as result
from .figures import Picture, course_picture, coverage_picture, residual_picture, volume_picture
from .html_base import STYLE, Html, element, joined, paragraph, section
from .scene import scene_picture, uncertainty
from .stations import CoursePoint, Placement, StationView, placement, residuals, station_views
from .thumbnails import thumbnails

MOST_PICTURES = 40  # stations; keeps the file of a long session under 5 MB
# No script, no address: a report shows only what it carries.
POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'"


def report_html(
    folder: Path,
    session: Session,
    stored: StoredResult,
    *,
    printed: datetime,
    program: str,
    result_sha256: str | None = None,
    course: Sequence[CoursePoint] = (),
    camera: str | None = None,
) -> str:
    """Return the calibration record of ``session`` as the text of one HTML file.

    ``program`` names program and version, ``result_sha256`` is the hash of result.yaml, ``course``
    how the uncertainty fell. What is missing is shown as not known. Raises StationbookError for a
    result whose transforms are damaged. ``camera``: which of several it is about; None: the first.
    """
    whole, name = session, camera or session.cell.camera.name
    session, found = seen_by(whole, name), of_camera(stored, whole.cell, name)
    cell = session.cell
    placed = placement(found, cell)
    views = station_views(session, folder, found, placed)
    pictured = _worst(views)
    with ThreadPoolExecutor(1) as pool:  # images are read while the figures are drawn
        made = pool.submit(thumbnails, pictured, folder, cell.camera.image_size_px)
        figures = _figures(views, cell, found, placed, course)
        pictures = record.pictures(pictured, made.result(), len(views))
    body = joined([
        _header(whole, name),
        result.verdict(found, cell),
        record.cautions(),
        result.identification(session),
        result.transforms(found, cell, placed),
        result.noise(found),
        record.before(found),
        record.cameras(stored, whole.cell, name),
        record.findings(found, views),
        section("Figures", element("div", joined(figures), class_="figures")),
        section("Stations", record.station_table(views, cell), pictures),
        record.proof(found),
        record.actions(read_journal(folder), cell),
        result.inputs(found, _changed(whole, folder, found)),
        record.signatures(),
        record.ending(program, printed.isoformat(" ", "minutes"), result_sha256),
    ])  # fmt: skip
    return _page(f"Calibration record: {session.name}", body)


def _page(title: str, body: Html) -> str:
    head = joined([
        Html('<meta charset="utf-8">'),
        Html(f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">'),
        Html('<meta name="viewport" content="width=device-width, initial-scale=1">'),
        element("title", title),
        Html(f"<style>{STYLE}</style>"),
    ])  # fmt: skip
    content = joined([element("head", head), element("body", body)])
    return f"<!DOCTYPE html>\n{element('html', content, lang='en')}\n"


def _header(session: Session, camera: str) -> Html:
    cell = session.cell
    about = f"{cell.name}, camera {camera}" if cell.cameras else cell.name
    lines = [element("h1", "Calibration record"), paragraph(about)]
    return element("header", joined(lines))


def _worst(views: list[StationView]) -> list[StationView]:
    """Return the stations to picture, in their order: all, or those not used and the worst."""
    sizes = np.nan_to_num(residuals(views, "robot_residual_mm"))
    keys = [(view.used, -size) for view, size in zip(views, sizes, strict=True)]
    chosen = sorted(range(len(views)), key=keys.__getitem__)[:MOST_PICTURES]
    return [views[k] for k in sorted(chosen)]


def _changed(session: Session, folder: Path, found: StoredResult) -> str:
    """Return whether the files are still those that the result was computed from, in words."""
    try:
        changed = changed_since(session, folder, found)
    except StationbookError as error:
        return f"CHANGED since the result was computed: {error}"
    if changed is None:
        return "Whether the files still are those the result was computed from is not known."
    if changed:
        return f"CHANGED since the result was computed: {', '.join(changed)}. Solve again."
    return "All files are those that the result was computed from."


def _figures(
    views: list[StationView],
    cell: Cell,
    found: StoredResult,
    placed: Placement,
    course: Sequence[CoursePoint],
) -> list[Html]:
    made: list[Picture | None] = [
        residual_picture(views), scene_picture(views, cell, placed), coverage_picture(views, cell),
        course_picture(course, cell.tolerance.position_mm),
    ]  # fmt: skip
    covariance = covariance_of(found.covariance)
    poses = [v.base_T_flange for v in views if v.used and v.base_T_flange is not None]
    if placed.delivered is not None and covariance is not None and poses:
        u = uncertainty(cell, placed.delivered, covariance, np.array(poses))
        made.append(volume_picture(u, cell))
    figures = [_figure(picture) for picture in made if picture is not None]
    return figures or [paragraph("Nothing was solved, so there is nothing to draw.")]


def _figure(picture: Picture) -> Html:
    data = base64.b64encode(picture.svg.encode()).decode()
    image = Html(
        f'<img alt="{picture.title}; described below" src="data:image/svg+xml;base64,{data}">'
    )
    caption = element("figcaption", joined([element("b", picture.title), picture.words]))
    return element("figure", joined([image, caption]), class_="half" if picture.half else "full")
