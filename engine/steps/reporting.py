"""The report on the stored result, as it stands now."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

from ..cell.cell import Cell
from ..cell.result import StoredResult, not_known_by
from ..cell.session import Session
from ..errors import FileError
from ..estimate.assemble import estimated
from ..files import inside, read_bytes, sha256
from ..plant.archive import summaries
from ..proof.stated import of_camera
from ..report.html_record import Past
from ..report.report_html import record_body, record_page, together_page
from ..report.stations import CoursePoint, course
from ..sessions.folder import open_session
from ..sessions.journal import MARKS
from ..sessions.results import what_changed
from ..sessions.schema import program_version
from ..sessions.store import RESULT_FILE
from .handover import REPORT_FILE, kept_beside, marked, of_its_camera
from .solve import session_problems


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
    facts, part = _recorded(session, folder, now, camera, anyway)
    return record_page(session, record_body(folder, session, **facts), paper), part


def make_together(
    folders: Sequence[Path], now: datetime, *, anyway: bool = False, paper: str = "A4"
) -> tuple[str, list[StoredResult]]:
    """Return the records of several sessions as one page, and their results.

    Raises as `make_report`, for the first session that has none.
    """
    rows, bodies, results = [], [], []
    for folder in folders:
        session = open_session(folder)
        facts, part = _recorded(session, folder, now, None, anyway)
        bodies.append(record_body(folder, session, **facts))
        results.append(part)
        expanded, limit = part.expanded_mm, session.cell.tolerance.position_mm
        rows.append((
            session.name, session.cell.name, session.created[:10], part.verdict_words.upper(),
            "not known" if expanded is None else f"{expanded:.3f} mm", f"{limit:g} mm",
            part.by_touch,
        ))  # fmt: skip
    title = f"Calibration records of {len(rows)} sessions, {now:%Y-%m-%d}"
    return together_page(title, rows, bodies, paper), results


def _recorded(
    session: Session, folder: Path, now: datetime, camera: str | None, anyway: bool
) -> tuple[dict[str, Any], StoredResult]:
    """Return what a record of a session is made of, and the result of the camera it is about."""
    name = camera or session.cell.camera.name
    result, _ = marked(session, folder, name, anyway)
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
    found: list[Past] = []
    with suppress(FileError):
        for item in summaries(folder.resolve().parent, index=False, levels=0):
            if item.cell != session.cell.name:
                continue
            if item.result is not None:
                u = item.result.pick_mm
                said = item.result.verdict.replace("-", " ")
                said += " as told, which no touch has shown" if item.result.as_told else ""
                why = not_known_by(item.result.unknown_by)
                said += f", U {why}" if why else "" if u is None else f", U {2 * u:.2f} mm"
                said += ", proven" if item.result.proven else ""
                said += ", the proof FAILED" if item.result.refuted else ""
                if item.mark is not None:
                    said += f"; {MARKS[item.mark.mark]}, seen {item.mark.at[:10]}"
                found.append(Past(item.created[:10], "result", item.name, said))
            for noted in item.noted:
                if noted.action == "event":
                    found.append(Past(noted.at[:10], "event", item.name, noted.what))
                elif noted.action == "recheck":
                    found.append(Past(noted.at[:10], "recheck", item.name, noted.answer))
    return tuple(sorted(found, key=lambda one: one.day)) if len(found) > 1 else ()


def write_report(cell: Cell, folder: Path, html: str, camera: str | None = None) -> Path:
    """Store the report in the folder, the one before beside it; hold the folder's lock.

    That of a further camera carries its place in the cell: report-camera2.html.
    """
    return kept_beside(of_its_camera(folder / REPORT_FILE, cell, camera), html)
