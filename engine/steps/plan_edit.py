"""Changing the plan: pass over a planned station with a reason, or take it up again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from ..cell.session import PlannedStation, Session
from ..errors import StationbookError
from ..sessions.folder import commit


def pass_over(
    session: Session,
    folder: Path,
    planned: PlannedStation,
    reason: str,
    operator: str | None,
    now: datetime,
) -> Session:
    """Pass over a planned station; the reason is kept with it in the session's plan.

    One that was only proposed is added to the plan, so that the record shows it.
    """
    if not reason.strip():
        raise StationbookError("no reason given", "Say in a few words why it is skipped.")
    skipped = replace(planned, skipped=reason.strip())
    plan = list(session.plan)
    if planned in plan:
        plan[plan.index(planned)] = skipped
    else:
        plan.append(skipped)
    return _commit(session, folder, tuple(plan), skipped, "skip", operator, now)


def take_up(
    session: Session, folder: Path, planned: PlannedStation, operator: str | None, now: datetime
) -> Session:
    """Put a skipped station back into the plan. Raises StationbookError where it is not there."""
    if planned not in session.plan:
        raise StationbookError("this station is not in the plan", "Choose a skipped one.")
    plan = list(session.plan)
    open_again = replace(planned, skipped=None)
    plan[plan.index(planned)] = open_again
    return _commit(session, folder, tuple(plan), open_again, "take up", operator, now)


def with_rest(session: Session, plan: Sequence[PlannedStation]) -> Session:
    """Return the session with what is left of its plan once the next station is recorded.

    A session without a plan keeps none: what was only proposed is not written down.
    """
    planned = any(item.skipped is None for item in session.plan)
    return replace(session, plan=tuple(plan)) if planned else session


def _commit(
    session: Session,
    folder: Path,
    plan: tuple[PlannedStation, ...],
    changed: PlannedStation,
    what: str,
    operator: str | None,
    now: datetime,
) -> Session:
    new = replace(session, plan=plan)
    action = {
        "action": what,
        "who": operator or session.operator,
        "planned": list(changed.pose or ()) or changed.jog,
        "reason": changed.skipped,
    }
    commit(folder, new, action, {}, now)
    return new
