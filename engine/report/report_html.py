"""The calibration record: one HTML file that needs nothing else, for the screen and for paper."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from pathlib import Path

import numpy as np

from ..cell.cameras import seen_by
from ..cell.cell import Cell
from ..cell.result import StoredResult
from ..cell.session import Session
from ..errors import StationbookError
from ..proof.stated import covariance_of, of_camera
from ..sessions.journal import read_journal
from ..sessions.results import changed_since
from . import html_record as record
from . import html_result as result
from .figures import (
    Picture,
    course_picture,
    coverage_picture,
    residual_picture,
    scene_picture,
    uncertainty,
    volume_picture,
)
from .html_base import STYLE, Html, element, figure, joined, page, paragraph, section
from .stations import (
    CoursePoint,
    Placement,
    StationView,
    placement,
    residuals,
    station_views,
    thumbnails,
)

MOST_PICTURES = 40  # stations; keeps the file of a long session under 5 MB


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
    about = f"{whole.cell.name}, camera {name}" if whole.cell.cameras else whole.cell.name
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
        element("header", joined([element("h1", "Calibration record"), paragraph(about)])),
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
    return page(f"Calibration record: {session.name}", STYLE, body)


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
    figures = [_drawn(picture) for picture in made if picture is not None]
    return figures or [paragraph("Nothing was solved, so there is nothing to draw.")]


def _drawn(picture: Picture) -> Html:
    data = base64.b64encode(picture.svg.encode()).decode()
    image = Html(
        f'<img alt="{picture.title}; described below" src="data:image/svg+xml;base64,{data}">'
    )
    return figure(image, picture.title, picture.words, class_="half" if picture.half else "full")
