"""Changing the plan: pass over a planned station with a reason, or take it up again."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path

from ..errors import StationbookError
from ..sessions.folder import commit
from ..sessions.session import PlannedStation, Session


def skip(
    session: Session, folder: Path, index: int, reason: str, operator: str | None, now: datetime
) -> Session:
    """Pass over the planned station ``index`` (from 0); the reason is kept with it."""
    if not reason.strip():
        raise StationbookError("no reason given", "Say in a few words why it is skipped.")
    planned = replace(_planned(session, index), skipped=reason.strip())
    return _commit(session, folder, index, planned, "skip", operator, now)


def take_up(
    session: Session, folder: Path, index: int, operator: str | None, now: datetime
) -> Session:
    """Put a skipped station back into the plan."""
    planned = replace(_planned(session, index), skipped=None)
    return _commit(session, folder, index, planned, "take up", operator, now)


def without(session: Session, index: int | None) -> Session:
    """Return the session without the planned station ``index``: it is being recorded."""
    if index is None:
        return session
    _planned(session, index)
    return replace(session, plan=session.plan[:index] + session.plan[index + 1 :])


def _planned(session: Session, index: int) -> PlannedStation:
    if not 0 <= index < len(session.plan):
        raise StationbookError(
            f"there is no planned station {index + 1}", f"The plan has {len(session.plan)}."
        )
    return session.plan[index]


def _commit(
    session: Session,
    folder: Path,
    index: int,
    planned: PlannedStation,
    what: str,
    operator: str | None,
    now: datetime,
) -> Session:
    new = replace(session, plan=(*session.plan[:index], planned, *session.plan[index + 1 :]))
    action = {
        "action": what,
        "who": operator or session.operator,
        "planned": index + 1,
        "reason": planned.skipped,
    }
    commit(folder, new, action, {}, now)
    return new
