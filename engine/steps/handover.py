"""Handing the stored result over as it stands now: the report, and files for other programs."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from ..cell.cell import Cell
from ..cell.result import StoredResult
from ..cell.session import Session, camera_number, cell_of
from ..errors import FileError, UsageError
from ..files import inside, read_bytes, sha256
from ..findings import finding
from ..pendant.table import Row, table_text
from ..plant.archive import summaries
from ..proof.stated import of_camera
from ..report.exports import Chosen, export
from ..sessions.changes import keep_earlier
from ..sessions.folder import open_session
from ..sessions.journal import overtaken
from ..sessions.results import current_result, what_changed
from ..sessions.schema import program_version
from ..sessions.store import RESULT_FILE, write_text_atomic

if TYPE_CHECKING:
    from ..report.html_record import Past

REPORT_FILE = "report.html"
POSES = "poses"  # the export form that holds the stations, not the result


class Form(NamedTuple):
    """What an export form is for, and the ending of its files."""

    words: str
    suffix: str


FORMS: dict[str, Form] = {
    "pendant": Form("values to type into the robot, as its pendant shows them", ".txt"),
    "yaml": Form("everything, for people and programs", ".yaml"),
    "json": Form("everything, for programs", ".json"),
    "csv": Form("a table for a spreadsheet", ".csv"),
    "matrix": Form("4 × 4 matrix, row by row", ".txt"),
    "quaternion": Form("x y z qx qy qz qw in one line", ".txt"),
    "opencv": Form("file that OpenCV reads", ".yaml"),
    "urdf": Form("robot description of two links and a fixed joint", ".urdf"),
    "tf": Form("arguments of a static transform", ".txt"),
    "ros": Form("messages TransformStamped and CameraInfo", ".yaml"),
    "plane": Form("pixels to places on a plane, for a 2-D cell", ".csv"),
}
"""The forms of `report.exports.FORMATS`, those for people first."""


def camera_names(cell: Cell) -> tuple[str, ...]:
    """Return the names of all cameras, the first one first."""
    return (cell.camera.name, *(camera.name for camera in cell.cameras))


# ---- exports -----------------------------------------------------------------------------------


def export_result(
    session: Session,
    folder: Path,
    form: str,
    *,
    inverse: bool = False,
    unit: str | None = None,
    not_accepted: bool = False,
    camera: str | None = None,
    anyway: bool = False,
    chosen: Chosen | None = None,
) -> tuple[str, str]:
    """Return the export of the stored result as text, and the SHA-256 of result.yaml.

    ``camera``: which of several; None: the first. Raises FileError where there is no result,
    UsageError for one that is not accepted unless ``not_accepted``, and for one whose camera moved
    since unless ``anyway``.
    """
    result, marked = _marked(current_result(session, folder), session, folder, anyway)
    not_accepted |= marked
    source, name = (
        sha256(read_bytes(inside(folder, RESULT_FILE))),
        camera or session.cell.camera.name,
    )
    text = export(
        of_camera(result, session.cell, name),
        cell_of(session.cell, name),
        form,
        inverse=inverse,
        unit=unit,
        allow_not_accepted=not_accepted,
        source_sha256=source,
        chosen=chosen,
    )
    return text, source


def _marked(
    result: StoredResult, session: Session, folder: Path, anyway: bool
) -> tuple[StoredResult, bool]:
    """Return the result, and whether only the mark that its camera moved keeps it from acceptance.

    Raises UsageError for a marked result unless it is wanted ``anyway``: then the mark is in it.
    """
    mark = overtaken(folder)
    if mark is None:
        return result, False
    said = finding("result-overtaken", at=mark.at, by=mark.by)
    if not anyway:
        raise UsageError(said.message.rstrip("."), said.remedy)
    judged = result.judged([said, *result.findings], session.cell.tolerance)
    return judged, result.accepted


def poses_text(session: Session) -> str:
    """Return the stations in use as the table that an import reads."""
    used = [station for station in session.stations if station.use]
    joints = [] if session.cell.pendant.shows_joints else [s.joints or () for s in used]
    rows = [Row(s.id, image=s.image or s.points, taken=s.taken) for s in used]
    return table_text(
        session.cell.pendant, rows, [s.typed for s in used], joints or [()] * len(used)
    )


def store_exports(session: Session, folder: Path, form: str) -> tuple[Path, ...]:
    """Write the accepted result of every camera into the folder; hold the folder's lock.

    Returns the paths, the first camera's first. A file of that name is kept beside the new one.
    Raises as `export_result`; then nothing is written.
    """
    named = f"{session.cell.camera_key}-{form}{FORMS[form].suffix}"
    texts = {
        _of_camera(folder / named, session.cell, name): export_result(
            session, folder, form, camera=name
        )[0]
        for name in camera_names(session.cell)
    }
    return tuple(_kept(path, text) for path, text in texts.items())


# ---- the report --------------------------------------------------------------------------------


def make_report(
    session: Session,
    folder: Path,
    now: datetime,
    camera: str | None = None,
    *,
    anyway: bool = False,
    paper: str = "A4",
) -> tuple[str, StoredResult]:
    """Return the report on result.yaml as HTML text, and the result of the camera it is about.

    ``camera``: which of several; None: the first. Raises FileError where there is no result yet or
    it is damaged, UsageError for one whose camera moved since unless ``anyway``.
    """
    # here, so that an export loads neither the fit nor the plots
    from ..report.report_html import report_html

    facts, part = _recorded(session, folder, now, camera, anyway)
    return report_html(folder, session, paper=paper, **facts), part


def make_together(
    folders: Sequence[Path], now: datetime, *, anyway: bool = False, paper: str = "A4"
) -> tuple[str, list[StoredResult]]:
    """Return the records of several sessions as one page, and their results.

    Raises as `make_report`, for the first session that has none.
    """
    from ..report.report_html import record_body, together_html

    rows, bodies, results = [], [], []
    for folder in folders:
        session = open_session(folder)
        facts, part = _recorded(session, folder, now, None, anyway)
        bodies.append(record_body(folder, session, **facts))
        results.append(part)
        expanded, limit = part.expanded_mm, session.cell.tolerance.position_mm
        rows.append((
            session.name, session.cell.name, session.created[:10], part.verdict.upper(),
            "not known" if expanded is None else f"{expanded:.3f} mm", f"{limit:g} mm",
            "yes" if part.proven else "no",
        ))  # fmt: skip
    title = f"Calibration records of {len(rows)} sessions, {now:%Y-%m-%d}"
    return together_html(title, rows, bodies, paper), results


def _recorded(
    session: Session, folder: Path, now: datetime, camera: str | None, anyway: bool
) -> tuple[dict[str, Any], StoredResult]:
    """Return what a record of a session is made of, and the result of the camera it is about."""
    from ..estimate.assemble import estimated
    from ..report.stations import CoursePoint, course
    from .solve import session_problems

    name = camera or session.cell.camera.name
    result, _ = _marked(current_result(session, folder), session, folder, anyway)
    part = of_camera(result, session.cell, name)
    fell: tuple[CoursePoint, ...] = ()  # how its uncertainty fell, while the inputs are the same
    if what_changed(session, folder, part) is None:
        used = {station.id for station in part.stations if station.used}
        problem = session_problems(session, folder)[name]
        seen = tuple(one for one in problem.observations if one.id in used)
        problem = replace(problem, observations=seen)  # what is wrong is known: fitted, not judged
        fell = course(problem, estimated(problem))
    facts = {
        "stored": result,
        "printed": now,
        "program": f"stationbook {program_version()}",
        "result_sha256": sha256(read_bytes(inside(folder, RESULT_FILE))),
        "course": fell,
        "camera": name,
        "history": _history(session, folder),
    }
    return facts, part


def _history(session: Session, folder: Path) -> tuple[Past, ...]:
    """Return results, rechecks and events of the cell from the sessions beside this one."""
    from ..report.html_record import Past

    found: list[Past] = []
    with suppress(FileError):
        for item in summaries(folder.resolve().parent, index=False, levels=0):
            if item.cell != session.cell.name:
                continue
            if item.result is not None:
                u = item.result.pick_mm
                said = item.result.verdict.replace("-", " ")
                said += "" if u is None else f", U {2 * u:.2f} mm"
                said += ", proven" if item.result.proven else ""
                found.append(Past(item.created[:10], "result", item.name, said))
            for noted in item.noted:
                if noted.action == "event":
                    found.append(Past(noted.at[:10], "event", item.name, noted.what))
                elif noted.action == "recheck":
                    moved = {True: "moved", False: "not moved", None: "not known"}[noted.moved]
                    size = "" if noted.size_mm is None else f", {noted.size_mm:.2f} mm"
                    size += "" if noted.u_mm is None else f" (U {2 * noted.u_mm:.2f} mm)"
                    found.append(Past(noted.at[:10], "recheck", item.name, moved + size))
    return tuple(sorted(found, key=lambda one: one.day)) if len(found) > 1 else ()


def write_report(cell: Cell, folder: Path, html: str, camera: str | None = None) -> Path:
    """Store the report in the folder, the one before beside it; hold the folder's lock.

    That of a further camera carries its place in the cell: report-camera2.html.
    """
    return _kept(_of_camera(folder / REPORT_FILE, cell, camera), html)


def _of_camera(path: Path, cell: Cell, camera: str | None) -> Path:
    """Return where a file about this camera lies: a further one's carries its place in the cell."""
    number = camera_number(cell, camera)
    return path.with_stem(f"{path.stem}-camera{number}") if number else path


def _kept(path: Path, text: str) -> Path:
    """Write a file, the one before beside it."""
    keep_earlier(path)
    write_text_atomic(path, text)
    return path
