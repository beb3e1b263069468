"""Changing what is recorded: each is one action that can be undone, and takes time."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from .desk import Desk

if TYPE_CHECKING:
    from engine.cell.session import Session
    from engine.sessions.changes import Change
    from engine.steps.start_questions import Answers

SHIFT_CHANGE = timedelta(hours=2)  # a pause after which the operator is asked again; no source


def fix(desk: Desk, code: str, station: int | None) -> str:
    """Apply what a finding suggests and return in words what was changed."""
    from engine.steps.fixing import fix as apply

    said: list[str] = []

    def step(session: Session) -> Change:
        fixed = apply(session, desk.folder, code, station)
        said.append(fixed.what)
        return fixed.change

    desk.do(f"apply {code}", step)
    return said[0]


def set_aside(desk: Desk, station: int, reason: str) -> None:
    """Leave a station out of the solution."""
    from engine.steps.editing import set_aside

    desk.do(f"set aside {station}", lambda session: set_aside(session, station, reason))


def bring_back(desk: Desk, station: int) -> None:
    """Use a station again."""
    from engine.steps.editing import bring_back

    desk.do(f"bring back {station}", lambda session: bring_back(session, station))


def annotate(desk: Desk, station: int, note: str) -> None:
    """Keep a remark with a station."""
    from engine.steps.editing import annotate

    desk.do(f"note at {station}", lambda session: annotate(session, station, note))


def skip(desk: Desk, index: int, reason: str) -> None:
    """Pass over a planned station."""
    from engine.steps.planning import pass_over

    planned = desk.plan[index]
    desk.do("skip a planned station", lambda session: pass_over(session, planned, reason))
    if desk.advice is not None:
        desk.advice = desk.advice.less(planned)


def take_up(desk: Desk, index: int) -> None:
    """Put a skipped station back into the plan."""
    from engine.steps.planning import take_up

    planned = desk.plan[index]
    desk.do("take up a planned station", lambda session: take_up(session, planned))


def answer(desk: Desk, **answers: Any) -> bool:
    """Keep the answers to the start questions (the fields of `Answers`).

    False: kept, but with these lens data nothing can be calibrated, so they will be asked again.
    """
    from engine.steps.start_questions import Answers, answer_questions

    given = Answers(**answers)
    desk.do(
        "the start questions",
        lambda session: answer_questions(session, given),
        operator=given.operator,
    )
    desk.operator = given.operator
    return given.lens_fits


def unanswered(desk: Desk) -> bool:
    """Tell whether the start questions are still to be asked."""
    from engine.steps.start_questions import answered

    return not answered(desk.folder)


def kept_open(desk: Desk) -> Answers | None:
    """Return what was answered before the lens data stood in the way, or None."""
    from engine.steps.start_questions import kept_open

    return kept_open(desk.folder)


def rested(desk: Desk) -> bool:
    """Tell whether nothing was recorded for so long that somebody else may be here now."""
    taken = [s.taken for s in desk.opened().stations if s.taken]
    if not taken:
        return False
    last = datetime.fromisoformat(max(taken, key=datetime.fromisoformat))
    now = desk.clock()
    return now - (last if last.tzinfo else last.replace(tzinfo=now.tzinfo)) > SHIFT_CHANGE
