"""The report of a session's stored result."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from ..cell.cameras import camera_number
from ..cell.cell import Cell
from ..cell.session import Session
from ..diagnosis.diagnose import diagnosed
from ..report.delivered import of_camera
from ..report.report_html import report_html
from ..report.stations import CoursePoint, course
from ..sessions.places import RESULT_FILE
from ..sessions.results import keep_earlier
from ..sessions.store import write_text_atomic
from ..sessions.versions import program_version
from ..sessions.yaml_text import read_bytes, sha256
from .current import current_result, what_changed
from .solve import session_problems, typed_texts

REPORT_FILE = "report.html"


def make_report(
    session: Session, folder: Path, now: datetime, camera: str | None = None
) -> tuple[str, Mapping[str, Any]]:
    """Return the report on result.yaml as HTML text, and the document of the camera it is about.

    ``camera``: which of several; None: the first.

    Raises FileError where there is no result yet or it is damaged.
    """
    document, name = current_result(session, folder), camera or session.cell.camera.name
    part = of_camera(document, session.cell, name)
    html = report_html(
        folder,
        session,
        document,
        printed=now,
        program=f"stationbook {program_version()}",
        result_sha256=sha256(read_bytes(folder / RESULT_FILE)),
        course=_course(session, folder, part, name),
        camera=name,
    )
    return html, part


def write_report(cell: Cell, folder: Path, html: str, camera: str | None = None) -> Path:
    """Store the report in the folder, the one before beside it; hold the folder's lock.

    That of a further camera carries its place in the cell: report-camera2.html.
    """
    path = folder / REPORT_FILE
    if number := camera_number(cell, camera):
        path = path.with_stem(f"{path.stem}-camera{number}")
    keep_earlier(path)
    write_text_atomic(path, html)
    return path


def _course(
    session: Session, folder: Path, document: Mapping[str, Any], camera: str
) -> tuple[CoursePoint, ...]:
    """Return how one camera's uncertainty fell; empty where inputs changed since the result."""
    if what_changed(session, folder, document) is not None:
        return ()
    problem = session_problems(session, folder)[camera]
    return course(problem, diagnosed(problem, typed_texts(session)))
