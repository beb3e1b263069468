"""Changing what is recorded: each is one action that can be undone, and takes time."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from engine.cell.session import Session
from engine.sessions.changes import Change
from engine.steps import editing, planning, starting
from engine.steps.editing import fix as apply
from engine.steps.starting import Answers

from .desk import Desk

SHIFT_CHANGE = timedelta(hours=2)  # a pause after which the operator is asked again; no source


def fix(desk: Desk, code: str, station: int | None) -> str:
    """Apply what a finding suggests and return in words what was changed."""
    said: list[str] = []

    def step(session: Session) -> Change:
        change, what = apply(session, desk.folder, code, station)
        said.append(what)
        return change

    desk.do(f"apply {code}", step)
    return said[0]


def set_aside(desk: Desk, station: int, reason: str) -> None:
    """Leave a station out of the solution."""
    desk.do(f"set aside {station}", lambda session: editing.set_aside(session, station, reason))


def bring_back(desk: Desk, station: int) -> None:
    """Use a station again."""
    desk.do(f"bring back {station}", lambda session: editing.bring_back(session, station))


def annotate(desk: Desk, station: int, note: str) -> None:
    """Keep a remark with a station."""
    desk.do(f"note at {station}", lambda session: editing.annotate(session, station, note))


def skip(desk: Desk, index: int, reason: str) -> None:
    """Pass over a planned station."""
    planned = desk.plan[index]
    desk.do("skip a planned station", lambda session: planning.pass_over(session, planned, reason))
    if desk.advice is not None:
        desk.advice = desk.advice.less(planned)


def take_up(desk: Desk, index: int) -> None:
    """Put a skipped station back into the plan."""
    planned = desk.plan[index]
    desk.do("take up a planned station", lambda session: planning.take_up(session, planned))


def answer(desk: Desk, **answers: Any) -> bool:
    """Keep the answers to the start questions (the fields of `Answers`).

    False: kept, but with these lens data nothing can be calibrated, so they will be asked again.
    """
    given = Answers(**answers)
    desk.do(
        "the start questions",
        lambda session: starting.answer_questions(session, given),
        operator=given.operator,
    )
    desk.operator = given.operator
    return given.lens_fits


def unanswered(desk: Desk) -> bool:
    """Tell whether the start questions are still to be asked."""
    return not starting.answered(desk.folder)


def kept_open(desk: Desk) -> Answers | None:
    """Return what was answered before the lens data stood in the way, or None."""
    return starting.kept_open(desk.folder)


def rested(desk: Desk) -> bool:
    """Tell whether nothing was recorded for so long that somebody else may be here now."""
    taken = [s.taken for s in desk.opened().stations if s.taken]
    if not taken:
        return False
    last = datetime.fromisoformat(max(taken, key=datetime.fromisoformat))
    now = desk.clock()
    return now - (last if last.tzinfo else last.replace(tzinfo=now.tzinfo)) > SHIFT_CHANGE
