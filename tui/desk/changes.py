"""What keys do to a session: changes, which undo takes back, and handing the result over.

All of it takes time and belongs in the background.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from math import inf, isfinite
from typing import Any

from engine.cell.session import Session
from engine.errors import StationbookError, UsageError
from engine.report.exports import FORMATS
from engine.sessions.changes import Change
from engine.steps import planning, starting
from engine.steps.correcting import fix as apply
from engine.steps.handover import Written, of_every_camera, store_exports
from engine.steps.starting import Answers

from .desk import Desk

SHIFT_CHANGE = 2 * 3600.0  # s; a pause after which the operator is asked again; no source


def fix(desk: Desk, code: str, station: int | None) -> str:
    """Apply what a finding suggests and return in words what was changed."""
    said: list[str] = []

    def step(session: Session) -> Change:
        change, what = apply(session, desk.folder, code, station)
        said.append(what)
        return change

    desk.do(f"apply {code}", step)
    return said[0]


def skip(desk: Desk, index: int, reason: str) -> None:
    planned = desk.plan[index]
    desk.do("skip a planned station", planning.pass_over, planned, reason)
    if desk.advice is not None:
        desk.advice = desk.advice.less(planned)


def take_up(desk: Desk, index: int) -> None:
    desk.do("take up a planned station", planning.take_up, desk.plan[index])


def answer(desk: Desk, **answers: Any) -> bool:
    """Keep the answers to the start questions (the fields of `Answers`).

    False: kept, but with these lens data nothing can be calibrated, so they will be asked again.
    """
    given = Answers(**answers)
    questions = starting.answer_questions
    desk.do("the start questions", questions, given, operator=given.operator)
    desk.operator = given.operator
    return given.lens_fits


def rested(desk: Desk) -> bool:
    """Tell whether nothing was recorded for so long that somebody else may be here now."""
    last = max((station.moment for station in desk.opened().stations), default=-inf)
    return isfinite(last) and desk.clock().timestamp() - last > SHIFT_CHANGE


def write_reports(desk: Desk) -> Written:
    """Write the report of every camera into the session's folder."""
    # here: the plots' 30 MB wait until a report is wanted
    from engine.steps.reporting import make_report, write_report

    session, now = desk.opened(), desk.clock()
    desk.keep_shown()
    with _said_here():
        pages, refused = of_every_camera(
            session.cell, lambda name: make_report(session, desk.folder, now, name)[0]
        )
    paths = desk.alone(
        lambda: tuple(write_report(session.cell, desk.folder, page, n) for n, page in pages.items())
    )
    return paths, refused


def write_exports(desk: Desk, form: str) -> Written:
    """Write the accepted result in this form into the session's folder.

    Raises StationbookError for a result that is not accepted; only the command can be told to
    write that all the same.
    """
    desk.keep_shown()
    with _said_here():
        return desk.alone(lambda: store_exports(desk.opened(), desk.folder, form))


@contextmanager
def _said_here() -> Iterator[None]:
    """Leave out of a remedy the sentences that begin with an option of a command, in backticks."""
    try:
        yield
    except UsageError as error:
        remedy = re.sub(r"\s*(By command, )?`--[^`]*`[^.]*\.", "", error.remedy)
        raise StationbookError(error.problem, remedy) from error


def export_forms() -> list[tuple[str, str]]:
    return [(name, form.words) for name, form in FORMATS.items()]
