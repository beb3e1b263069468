"""The calibration record: one HTML file that needs nothing else, for the screen and for paper."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from pathlib import Path

import numpy as np

from ..arrays import Array
from ..camera.model import Camera
from ..cell.cell import Cell
from ..cell.result import (
    NOT_SHOWN,
    TO_SHOW,
    Covariance,
    FoundLens,
    Placed,
    StoredResult,
    not_known_by,
    only_if,
)
from ..cell.result import verdict as verdict_of
from ..cell.rule import Rule, keeps, most_expanded
from ..cell.session import Session, seen_by
from ..errors import StationbookError
from ..findings import Level
from ..frames import displacement, quaternion_xyzw
from ..pendant.entry import format_place
from ..proof.stated import covariance_of, of_camera
from ..sessions.journal import read_journal
from ..sessions.results import changed_since
from . import html_record as record
from .figures import (
    Picture,
    course_picture,
    coverage_picture,
    residual_picture,
    scene_picture,
    uncertainty,
    volume_picture,
)
from .html_base import (
    BLANK,
    STYLE,
    Html,
    element,
    figure,
    joined,
    number,
    page,
    pairs,
    paragraph,
    rounded,
    section,
    table,
)
from .stations import (
    CoursePoint,
    Placement,
    StationView,
    placement,
    residuals,
    station_views,
    thumbnails,
)

PAPERS = ("A4", "letter")
MOST_PICTURES = 40  # stations; keeps the file of a long session under 5 MB


def record_page(session: Session, body: Html, paper: str = PAPERS[0]) -> str:
    """Return one record as the text of an HTML file; ``paper``: of `PAPERS`."""
    return page(f"Calibration record: {session.name}", _style(paper), body)


def together_page(
    title: str, rows: Sequence[Sequence[object]], bodies: Sequence[Html], paper: str
) -> str:
    """Return several records in one page: a table of them, then each from a new sheet on."""
    head = ("session", "cell", "started", "verdict", "U of a pick", "tolerance", "proven")
    first = joined([element("h1", title), table(head, rows, "Every record on this page")])
    sheets = [element("div", body, class_="sheet") for body in bodies]
    more = ".sheet { break-before: page; border-top: 3px double var(--ink); margin-top: 3rem; }\n"
    return page(title, _style(paper) + more, joined([first, *sheets]))


def _style(paper: str) -> str:
    return STYLE.replace("@page {", f"@page {{ size: {paper};", 1)


def record_body(
    folder: Path,
    session: Session,
    stored: StoredResult,
    *,
    printed: datetime,
    program: str,
    result_sha256: str | None = None,
    course: Sequence[CoursePoint] = (),
    camera: str | None = None,
    history: Sequence[record.Past] = (),
) -> Html:
    """Return the calibration record of ``session``.

    ``program`` names program and version, ``result_sha256`` is the hash of result.yaml, ``course``
    how the uncertainty fell, ``history`` what happened to the cell before and since. What is
    missing is shown as not known. ``camera``: which of several it is about; None: the first. Raises
    StationbookError for a result whose transforms are damaged.
    """
    whole, name = session, camera or session.cell.camera.name
    about = f"{whole.cell.name}, camera {name}" if whole.cell.cameras else whole.cell.name
    session, found = seen_by(whole, name), of_camera(stored, whole.cell, name).as_told()
    cell = session.cell
    placed = placement(found, cell)
    views = station_views(session, folder, found, placed)
    pictured = _worst(views)
    with ThreadPoolExecutor(1) as pool:  # images are read while the figures are drawn
        made = pool.submit(thumbnails, pictured, folder, cell.camera.image_size_px)
        fell = () if found.spoiled_by else course
        figures = _figures(views, cell, found, placed, fell)
        pictures = record.pictures(pictured, made.result(), len(views))
    journal = read_journal(folder)
    return joined([
        element("header", joined([element("h1", "Calibration record"), paragraph(about)])),
        verdict(found, cell),
        record.cautions(),
        record.circumstances(session, journal),
        identification(session, found),
        transforms(found, cell, placed),
        noise(found),
        record.budget(found),
        record.before(found),
        record.cameras(stored, whole.cell, name),
        record.findings(found, views),
        section("Figures", element("div", joined(figures), class_="figures")),
        section("Stations", record.station_table(views, cell), pictures),
        record.photographs(views, folder, cell),
        record.proof(found),
        record.past(history),
        record.actions(journal, cell),
        inputs(found, _changed(whole, folder, found)),
        record.signatures(),
        record.ending(program, printed.isoformat(" ", "minutes"), result_sha256),
    ])  # fmt: skip


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
        made.append(volume_picture(found.wider * u, cell))
    figures = [_drawn(picture) for picture in made if picture is not None]
    return figures or [paragraph("Nothing was solved, so there is nothing to draw.")]


def _drawn(picture: Picture) -> Html:
    data = base64.b64encode(picture.svg.encode()).decode()
    image = Html(
        f'<img alt="{picture.title}; described below" src="data:image/svg+xml;base64,{data}">'
    )
    return figure(image, picture.title, picture.words, class_="half" if picture.half else "full")


MOST_FILES = 60  # hashes printed: two pages
AXES = ("x", "y", "z", "rx", "ry", "rz")


def identification(session: Session, result: StoredResult) -> Html:
    """Return what was calibrated, by whom and when; serial numbers are written in."""
    cell = session.cell
    robot, camera, board, pendant = cell.robot, cell.camera, cell.board, cell.pendant
    if result.lens is not None:
        camera = result.lens.on(camera)
    matrix = camera.matrix
    left = pairs([
        ("Session", session.name), ("Operator", session.operator), ("Started", session.created),
        ("Stations", f"{len(session.stations)}, {sum(s.use for s in session.stations)} in use"),
        ("Mount", cell.mount), ("Active tool", str(pendant.active_tool)),
        ("Active frame", str(pendant.active_frame)),
        ("Tool and frame", result.frames.how if result.frames else NOT_SHOWN),
        ("Pendant", f"{' '.join(pendant.labels)}, {pendant.rotation}, {pendant.length_unit} and "
         f"{pendant.joint_unit if pendant.shows_joints else pendant.angle_unit}"),
        ("Tolerance", f"{cell.tolerance.position_mm:g} mm, {cell.tolerance.angle_deg:g}°, "
         f"rule {cell.tolerance.rule}, set by {cell.tolerance.set_by or 'nobody named'}"),
    ])  # fmt: skip
    right = pairs([
        ("Robot", "not described: reach not checked" if robot is None else robot.name),
        ("Robot serial", BLANK),
        ("Repeatability", None if robot is None else _given(robot.repeatability_mm)),
        ("Accuracy", None if robot is None else _given(robot.accuracy_mm)),
        ("Camera", f"{camera.name}, {camera.image_size_px[0]} × {camera.image_size_px[1]} px"),
        ("Camera serial", BLANK),
        ("Lens data", "not known" if camera.guessed else
         f"fx {matrix[0][0]:g}, fy {matrix[1][1]:g}, cx {matrix[0][2]:g}, "
         f"cy {matrix[1][2]:g} px; distortion {', '.join(f'{k:g}' for k in camera.distortion)}"),
        *_u_of_lens(result.lens, camera),
        ("Lens serial", BLANK),
        ("Board", f"{board.pattern}, {board.columns} × {board.rows} points, pitch "
         f"{board.pitch_mm:g} mm" + (", measured points" if board.measured else "")),
        ("U of the board (k = 2)",
         f"lengths {_stated(200 * board.u.scale, '%', board.scale_u)}, "
         f"flatness {_stated(2 * board.u.bow_mm, 'mm', board.bow_u_mm)}"),
        ("Board serial", BLANK),
    ])  # fmt: skip
    return section("What was calibrated", element("div", joined([left, right]), class_="columns"))


def _stated(expanded: float, unit: str, given: object) -> str:
    """Return an uncertainty in words; ``given``: None where it is only assumed."""
    return f"{expanded:.2g} {unit}{' (assumed)' if given is None else ''}"


def _u_of_lens(lens: FoundLens | None, camera: Camera) -> list[tuple[str, str]]:
    """Return how well the lens data are known, and by whom; nothing where there are none."""
    if camera.guessed:
        return []
    u, assumed = camera.known_u, camera.assumed_words
    said = f" ({assumed})" if assumed else ""
    if lens is not None:
        u, said = lens.u, "; found from this session's own images: locate parts with them"
    text = (
        f"focal length {200 * u.focal:.2g} %, centre {2 * u.center_px:.2g} px, image corner "
        f"{2 * u.edge_px:.2g} px{said}"
    )
    return [("U of the lens data (k = 2)", text)]


def inputs(result: StoredResult, changed: str) -> Html:
    """Return the files that the result was computed from, and whether they changed since."""
    if not result.inputs:
        return section("What it was computed from", paragraph(changed))
    rows = sorted(result.inputs.items())
    caption = f"Computed from {len(rows)} files"
    if len(rows) > MOST_FILES:
        caption += f"; the first {MOST_FILES} are shown, all stand in result.yaml"
    listed = table(("file", "SHA-256"), rows[:MOST_FILES], caption)
    return section("What it was computed from", paragraph(changed), listed)


def _given(value: float | None) -> str:
    return "not given" if value is None else f"{value:g} mm"


def verdict(result: StoredResult, cell: Cell) -> Html:
    """Return the verdict with the rule that decided it and the numbers it was decided by."""
    accepted, u, limit = result.accepted, result.uncertainty, cell.tolerance
    errors = [item for item in result.findings if item.level is Level.ERROR]
    rows = [
        ("Findings at level error", str(len(errors)), "none", "BROKEN" if errors else "holds"),
        _rule(f"U of a pick ({result.pick_k})", u.pick_mm, limit.position_mm, limit.rule, "mm"),
        _rule(f"U of the rotation ({result.k})", u.angle_deg, limit.angle_deg, limit.rule, "°"),
    ]
    decision = result.decision or verdict_of(u, limit, result.findings, result.budget)[1]
    proven = f"Proven by touch points: {result.touched}."
    box = element(
        "div",
        joined([
            element("strong", result.verdict_words.upper()), *_to_show(result),
            paragraph(proven),
            table(("rule: all three must hold", "found", "limit", ""), rows),
            paragraph(decision.words()),
            *(paragraph(item.message) for item in result.findings if item.code == "overruled"),
        ]),
        class_="verdict yes" if accepted else "verdict no",
    )  # fmt: skip
    if result.spoiled_by:
        return joined([box, paragraph(
            f"U is {not_known_by(result.spoiled_by)}: what the fit says of its own uncertainty "
            "means nothing beside that. See the findings."
        )])  # fmt: skip
    return joined([box, paragraph(
        f"U = k·u is the expanded uncertainty, u the standard uncertainty, both in the sense of "
        f"the GUM: about 95 %, {result.k_and_why}; of a pick {result.pick_k}, so that all corners "
        "of the work volume keep it at once and it is exceeded in less than 1 % of what is "
        "accepted. A pick is off by camera and robot together."
    )])  # fmt: skip


def _to_show(result: StoredResult) -> list[Html]:
    return [paragraph(f"ACCEPTED {only_if(result.told)}. {TO_SHOW}")] if result.told else []


def _rule(
    name: str, u: float | None, limit: float, rule: Rule, unit: str
) -> tuple[str, str, str, str]:
    kept = "holds" if keeps(u, limit, rule) else "BROKEN" if u is not None else "not known: BROKEN"
    return name, rounded(u, unit, 2.0), f"{most_expanded(limit, rule):.3g} {unit}", kept


def transforms(result: StoredResult, cell: Cell, placed: Placement) -> Html:
    """Return both transforms with their uncertainties, and the geometric one where it differs."""
    blocks = [
        _transform(cell.camera_key, placed.delivered, result.camera, cell,
                   _uncertainties(result.covariance, cell.camera_key, result)),
        _transform(cell.board_key, placed.board, result.board, cell,
                   _uncertainties(result.board_covariance, cell.board_key, result)),
    ]  # fmt: skip
    if placed.camera is not None and placed.delivered is not None:
        xi = displacement(placed.camera, placed.delivered)
        shift, turn = float(np.linalg.norm(xi[3:])), float(np.rad2deg(np.linalg.norm(xi[:3])))
        if shift > 0.0005 or turn > 0.00005:  # below what is printed
            blocks.append(paragraph(
                f"The delivered {cell.camera_key} is the one that picks best with this robot as "
                f"it is. Where the camera stands geometrically differs from it by {shift:.3f} mm "
                f"and {turn:.4f}°."
            ))  # fmt: skip
    return section("The transforms", *blocks)


def _transform(
    name: str, T: Array | None, placed: Placed | None, cell: Cell, uncertain: Html
) -> Html:
    to_frame, _, from_frame = name.partition("_T_")
    head = joined([
        element("h3", element("code", name)),
        paragraph(f"Maps coordinates in {from_frame} into {to_frame}; mm and degrees."),
    ])  # fmt: skip
    if T is None:
        known = []
        if placed is not None:
            known.append(("Position [mm]", _named("xyz", placed.position_mm, 4)))
            if placed.quaternion_xyzw is not None:
                known.append(("Quaternion", _named("xyzw", placed.quaternion_xyzw, 8)))
        said = paragraph("Not wholly known: see the findings.")
        return joined([head, said, pairs(known) if known else ""])
    q = quaternion_xyzw(T[:3, :3])
    matrix = "\n".join("  ".join(f"{v + 0.0:>13.8f}" for v in row) for row in T)
    values = pairs([
        ("On the pendant", _shown(T, cell)),
        ("Position [mm]", _named("xyz", T[:3, 3], 4)),
        ("Quaternion", _named("xyzw", q, 8)),
        ("Matrix", element("pre", element("code", matrix))),
    ])  # fmt: skip
    parts = joined([head, values, uncertain])
    return element("div", parts, class_="block")


def _named(names: str, values: Iterable[float | None], digits: int) -> str:
    return ", ".join(f"{a} {number(v, digits)}" for a, v in zip(names, values, strict=True))


def _shown(T: Array, cell: Cell) -> str | Html:
    if cell.pendant.shows_joints:
        return "this pendant shows joints"
    try:
        fields = format_place(T, cell.pendant)
    except StationbookError as error:
        return f"cannot be shown: {error.problem}"
    text = "  ".join(f"{a} {b}" for a, b in zip(cell.pendant.labels, fields, strict=True))
    return element("span", text, class_="typed")


def _uncertainties(matrix: Covariance | None, name: str, result: StoredResult) -> Html:
    """Return u and U on the axes of the frame that the transform ``name`` maps into."""
    covariance = covariance_of(matrix)
    if covariance is None:
        return paragraph("Uncertainty: not known.")
    values = np.sqrt(np.diag(covariance))
    u = [(v, "mm") for v in values[3:]] + [(v, "°") for v in np.rad2deg(values[:3])]
    rows = [
        (said, *(rounded(v, unit, k) for v, unit in u))
        for said, k in (("u (k = 1)", 1.0), (f"U ({result.k})", result.coverage_factor))
    ]
    return table((f"on the axes of {name.partition('_T_')[0]}", *AXES), rows)


def noise(result: StoredResult) -> Html:
    """Return the noise estimated from the session, and the robot's systematic errors."""
    levels, u, k = result.noise, result.uncertainty, 1.0 / result.wider
    pick = u.pick_mm if result.budget is None else result.budget.total_mm
    values = pairs([
        ("Points in the image", rounded(levels.pixel_px, "px")),
        ("Typed position, each axis", rounded(levels.robot_position_mm, "mm")),
        ("Typed rotation, each axis", rounded(levels.robot_angle_deg, "°")),
        ("u of the position", rounded(u.position_mm, "mm", k)),
        ("u of the rotation", rounded(u.angle_deg, "°", k)),
        ("u at the worst corner, camera alone", rounded(u.work_volume_mm, "mm", k)),
        ("u of a pick there, with the robot", rounded(pick, "mm")),
    ])  # fmt: skip
    rows = [
        (item.name, number(item.value_mm, 3, "mm"), number(item.u_mm, 3, "mm"))
        if item.value_mm is not None
        else (item.name, number(item.value_deg, 3, "°"), number(item.u_deg, 3, "°"))
        for item in result.systematic
    ]
    said = paragraph("Standard deviations (k = 1), estimated from this session.")
    errors = table(("error of", "estimate", "u"), rows, "The robot's systematic errors")
    block = element("div", errors, class_="block") if rows else ""
    return section("Noise and uncertainty", said, values, block)
