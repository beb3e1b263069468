"""Every cell at a glance: last result, proof, recheck, days left, and a rating in words.

Nothing heavy is loaded here, so that an overview of a plant comes at once. A cell is known by its
name: the sessions that say the same name belong together.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any

from ..cell.result import ACCEPTED, NOT_ACCEPTED, not_known_by
from ..findings import counted
from ..sessions.journal import MARKS, OPEN
from .archive import by_cell, day_of, last_part, last_result
from .summary import Noted, Result, Summary

SOON_DAYS = 7.0  # days before a recheck is due in which it is announced: common practice, no source


class Rating(StrEnum):
    """What is to be said of a cell, the gravest first."""

    MOVED = "camera moved"
    BEYOND = "beyond its tolerance"
    NOT_ACCEPTED = "not accepted"
    EVENT = "recheck after"
    OVERDUE = "overdue"
    DAMAGED = "damaged session"
    CHANGED = "changed since solved"
    NO_RESULT = "no result"
    OPEN = "recheck open"
    SOON = "due soon"
    NOT_PROVEN = "not proven"
    IN_ORDER = "in order"


RATED = {  # marks of another kind than a moved camera
    "something": Rating.MOVED,
    "lens": Rating.MOVED,
    "contradict": Rating.MOVED,
    "beyond": Rating.BEYOND,
}
ALARM = (Rating.MOVED, Rating.BEYOND, Rating.NOT_ACCEPTED, Rating.EVENT, Rating.OVERDUE)


@dataclass(frozen=True, slots=True)
class CellRow:
    """One cell at a glance; None for what is not known.

    ``expanded_mm``: U of a pick as the last accepted result states it (the last one where none is
    accepted), None while the cause ``unknown_by`` stands; ``movement_mm`` and ``movement_u_mm``:
    since then, at the work volume, and its expanded uncertainty; ``pick_error_mm``: U, and a
    movement that exceeds its own; ``recheck_answer`` in words. ``rating`` is said in ``words``.
    """

    cell: str
    sessions: int
    result_session: str | None
    result_on: str | None
    verdict: str | None
    expanded_mm: float | None
    unknown_by: str | None
    tolerance_mm: float | None
    proven: bool | None
    proven_by: str | None
    proven_on: str | None
    proof_failed: bool
    recheck_on: str | None
    recheck_cause: str | None
    recheck_answer: str | None
    movement_mm: float | None
    movement_u_mm: float | None
    pick_error_mm: float | None
    recheck_every_days: float | None
    days_left: float | None
    event: str | None
    event_on: str | None
    rating: Rating
    words: str
    problems: tuple[str, ...]

    @property
    def alarm(self) -> bool:
        """Whether the cell is overdue or beyond its limit."""
        return self.rating in ALARM

    def document(self) -> dict[str, Any]:
        """Return the row as plain data."""
        values: dict[str, Any] = {name: getattr(self, name) for name in CellRow.__slots__}
        return values | {
            "rating": self.rating.value, "alarm": self.alarm, "problems": list(self.problems)
        }  # fmt: skip


def rows(summaries: Iterable[Summary], now: datetime) -> list[CellRow]:
    """Return one row a cell: those to look at first come first, then by name."""
    found = [row_of(name, listed, now) for name, listed in by_cell(summaries).items()]
    order = list(Rating)
    return sorted(found, key=lambda row: (order.index(row.rating), row.cell))


def row_of(name: str, sessions: Sequence[Summary], now: datetime) -> CellRow:
    """Return the row of one cell; ``sessions`` in the order of their days."""
    today = now.replace(tzinfo=None)
    last = last_result(sessions)
    result = last.result if last else None
    mark = last.mark if last else None
    barred = mark is not None and mark.mark != OPEN
    if result is not None and barred:  # it stands in the file as it was
        result = result._replace(verdict=NOT_ACCEPTED, proven=False)
    newest = next((item for item in reversed(sessions) if not item.problem), None)
    since = day_of(last.created) if last else None
    checks = rechecks(sessions, since, last.folder if last else None)
    check = checks[-1] if checks else None
    looked = max((d for d in (since, _day(check)) if d is not None), default=None)
    every = newest.every_days if newest else None
    left = None
    if every is not None and looked is not None:
        left = (looked + timedelta(days=every) - today) / timedelta(days=1)
    event = _asking(sessions, looked, newest.after if newest else None)
    proof = next((n for n in reversed(last.noted if last else ()) if n.action == "proof"), None)
    expanded = None if result is None or result.pick_mm is None else 2 * result.pick_mm
    size, u = (check.size_mm, check.u_mm) if check is not None else (None, None)
    rest = None
    if expanded is not None:
        rest = expanded + (size if size is not None and size > 2 * (u or 0.0) else 0.0)
    tolerance = last.tolerance_mm if last else None
    damaged = tuple(item.problem for item in sessions if item.problem)
    moved = mark if barred and not (check and check.moved) else check
    rating, words = _rated(result, moved, mark, left, event, rest, tolerance, damaged)
    return CellRow(
        cell=name,
        sessions=len(sessions),
        result_session=last.folder if last else None,
        result_on=_date(last.created) if last else None,
        verdict=result.verdict if result else None,
        expanded_mm=expanded,
        unknown_by=result.unknown_by if result else None,
        tolerance_mm=tolerance,
        proven=result.proven if result else None,
        proven_by=proof.who if proof and result and result.proven else None,
        proven_on=_date(proof.at) if proof and result and result.proven else None,
        proof_failed=bool(result and result.refuted),
        recheck_on=_date(check.at) if check else None,
        recheck_cause=check.what if check else None,
        recheck_answer=check.answer if check else None,
        movement_mm=size,
        movement_u_mm=None if u is None else 2 * u,
        pick_error_mm=rest,
        recheck_every_days=every,
        days_left=None if left is None else round(left, 1),
        event=event.what if event else None,
        event_on=_date(event.at) if event else None,
        rating=rating,
        words=words,
        problems=damaged,
    )


def rechecks(
    sessions: Sequence[Summary], since: datetime | None, result: str | None
) -> list[Noted]:
    """Return the rechecks of the result in folder ``result``, in the order of their days.

    A recheck counts from the day of its session: the note may have been written later. That of the
    session that gave the result itself came before the result, and one that was held against
    another session speaks of that. Only the last answer of a session counts.
    """
    found = []
    for item in sessions:
        noted = [n for n in item.noted if n.action == "recheck"]
        day = day_of(item.created)
        later = since is None or day is None or day >= since
        if noted and item.folder != result and later and _against(noted[-1], result):
            found.append(noted[-1])
    return sorted(found, key=lambda n: _day(n) or datetime.min)


def _against(noted: Noted, result: str | None) -> bool:
    """Tell whether a recheck was held against this folder, named whole or by its last part."""
    if noted.against is None or result is None:
        return True
    return last_part(noted.against) == last_part(result)


def events(sessions: Sequence[Summary]) -> list[Noted]:
    """Return what was noted by hand for a cell, in the order of the days."""
    found = [n for item in sessions for n in item.noted if n.action == "event"]
    return sorted(found, key=lambda n: _day(n) or datetime.min)


def _asking(
    sessions: Sequence[Summary], looked: datetime | None, after: Sequence[str] | None
) -> Noted | None:
    """Return the last event since the camera was looked at that asks for a recheck, or None."""
    kinds = None if after is None else {kind.casefold() for kind in after}
    for event in reversed(events(sessions)):
        day = _day(event)
        later = day is not None and (looked is None or day >= looked)
        if later and (kinds is None or event.what.casefold() in kinds):
            return event
    return None


def _rated(
    result: Result | None,
    check: Noted | None,
    mark: Noted | None,
    left: float | None,
    event: Noted | None,
    rest: float | None,
    tolerance: float | None,
    damaged: Sequence[str],
) -> tuple[Rating, str]:
    if result is None:
        if damaged:
            return Rating.DAMAGED, "no session of it can be read"
        return Rating.NO_RESULT, "not solved yet"
    if check is not None and check.mark in RATED:
        words = f"{MARKS[check.mark]}, seen {_date(check.at)}: re-calibrate"
        return RATED[check.mark], words
    if check is not None and check.moved:
        moved = f"{check.what or 'camera'} moved"
        what = MARKS["something"] if check.what == "unclear" else moved
        return Rating.MOVED, f"{what}, seen {_date(check.at)}: re-calibrate"
    if result.refuted:
        return Rating.NOT_ACCEPTED, "the proof failed: touches disagree with the last result"
    if result.verdict != ACCEPTED:
        why = f": U {not_known_by(result.unknown_by)}" if result.unknown_by else ""
        return Rating.NOT_ACCEPTED, f"the last result is not accepted{why}"
    if rest is not None and tolerance is not None and rest > tolerance:
        return Rating.BEYOND, f"a pick may be off by {rest:.2f} mm, tolerance {tolerance:g} mm"
    if event is not None:
        return Rating.EVENT, f"{event.what} on {_date(event.at)}: recheck"
    if left is not None and left < 0:
        return Rating.OVERDUE, f"recheck overdue by {_days(-left)}"
    if damaged:
        word = "a session" if len(damaged) == 1 else f"{len(damaged)} sessions"
        return Rating.DAMAGED, f"{word} cannot be read"
    if not result.same:
        return Rating.CHANGED, "the session was changed since it was solved"
    if mark is not None and mark.mark == OPEN:
        return Rating.OPEN, f"not known yet: more stations in {mark.against}"
    if left is not None and left <= SOON_DAYS:
        return Rating.SOON, f"recheck due in {_days(left)}"
    if result.as_told:
        return Rating.NOT_PROVEN, "accepted only if a told number is right: touch one point"
    if not result.proven:
        return Rating.NOT_PROVEN, "accepted, not proven by touch"
    return Rating.IN_ORDER, "in order"


def _day(noted: Noted | None) -> datetime | None:
    return day_of(noted.at) if noted else None


def _date(text: str) -> str:
    return text[:10]


def _days(value: float) -> str:
    return counted(math.ceil(value), "day")


COLUMNS = (  # of the table that a spreadsheet reads, from `CellRow`
    "cell", "rating", "words", "result_on", "verdict", "expanded_mm", "unknown_by", "tolerance_mm",
    "proven", "proven_by", "proven_on", "recheck_on", "recheck_cause", "recheck_answer",
    "movement_mm", "movement_u_mm", "pick_error_mm", "recheck_every_days", "days_left", "event",
    "event_on", "sessions", "result_session",
)  # fmt: skip
