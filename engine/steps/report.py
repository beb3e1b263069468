"""The report of a session's stored result."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any

from ..diagnosis.diagnose import solve
from ..report.course import CoursePoint, course
from ..report.report_html import report_html
from ..sessions.places import RESULT_FILE
from ..sessions.results import input_hashes, keep_earlier, read_result
from ..sessions.session import Session
from ..sessions.store import write_text_atomic
from ..sessions.versions import program_version
from ..sessions.yaml_text import read_bytes, sha256
from .solve import session_problem, typed_texts

REPORT_FILE = "report.html"


def make_report(session: Session, folder: Path, now: datetime) -> tuple[str, dict[str, Any]]:
    """Return the report on result.yaml as HTML text, and the result's document.

    Raises FileError where there is no result yet or it is damaged.
    """
    document = read_result(folder)
    html = report_html(
        folder,
        session,
        document,
        printed=now,
        program=f"stationbook {program_version()}",
        result_sha256=sha256(read_bytes(folder / RESULT_FILE)),
        course=_course(session, folder, document),
    )
    return html, document


def write_report(folder: Path, html: str) -> Path:
    """Store the report in the folder, the one before beside it; hold the folder's lock."""
    path = folder / REPORT_FILE
    keep_earlier(path)
    write_text_atomic(path, html)
    return path


def _course(session: Session, folder: Path, document: dict[str, Any]) -> tuple[CoursePoint, ...]:
    """Return how the uncertainty fell; empty where the inputs changed since the result."""
    if document.get("inputs") != input_hashes(session, folder):
        return ()
    problem = session_problem(session, folder)
    return course(problem, solve(problem, typed_texts(session)))
