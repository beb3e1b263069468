"""Planning the next stations of a session, and changing the plan as stations come.

What changes the session returns the change, and writes nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from ..arrays import Array
from ..cell.session import REVISIT, PlannedStation, Session
from ..cell.stations import Observation, station_pose, typed_station
from ..checks.entry import asked_findings
from ..errors import StationbookError
from ..estimate.result import Result
from ..estimate.solver import LEAST_STATIONS
from ..findings import Finding, Level
from ..plans.blind import FIRST_JOGS
from ..plans.plan import CLOSING, UNSEEN, make_plan
from ..plans.pose_plan import alike
from ..plans.types import Plan, Step, Wish
from ..sessions.changes import Change
from ..sessions.journal import newest
from ..sessions.numbers import observations
from .pointing import AT_A_POINT, TIP_TOUCHED
from .solve import READ_WRONG, solve_session, stops_compared, told_or_shown, typed_texts

# What is wrong with all poses at once: a planned pose could then send the robot elsewhere.
DOUBTS = {
    "rotation-convention", "unit", "inverse-pose", "pairing", "board-moved", "camera-moved",
    "board-pitch", "lens",
}  # fmt: skip
# Actions of the journal by their first letters. After the latter the robot stands at no station: at
# a touched point, where an image for the proof was taken, or at a stop taken back.
STOPPED = ("record", "retake", "redo: re")
TOUCHED = ("proof touch", AT_A_POINT, TIP_TOUCHED)
LEFT = (*TOUCHED, "proof view", "undo: re", "undo: import")
NOT_AS_TOLD = (
    "The joints typed beside the poses contradict them (joints-disagree: tool, frame or robot "
    "file), so no move is told: it might lead elsewhere. Put that right, then plan again. Where "
    "one more stop is to tell which it is, go there by sight."
)
STANDS_ELSEWHERE = (
    "the robot stands at no recorded station now, so no jog is told to this pose: go there by its "
    "values"
)


def plan_session(session: Session, folder: Path, wish: Wish, result: Result | None = None) -> Plan:
    """Return the stations worth visiting next; nothing is written.

    Where the robot stands at none of the stations, no jog to the first of them is told.

    ``result``: what `solve_session` found for this session, where it was solved already.

    Raises FileError when a file that a station names is missing or damaged, UsageError for a wish
    that makes no sense, PoseError for joints that cannot be read.
    """
    seen = observations(session, folder)
    doubts, shown = set[str](), stops_compared(session)
    if len(seen) < LEAST_STATIONS:
        result = None
    else:
        result = result or solve_session(session, folder).result
        doubts = {item.code for item in result.findings if item.level is not Level.NOTE} & DOUBTS
    if shown is not None and shown.of_all and not doubts.intersection(READ_WRONG):
        return Plan((), (NOT_AS_TOLD,))
    plan = make_plan(
        session.cell,
        seen,
        wish,
        result=result,
        texts=typed_texts(session),
        doubted=bool(doubts),
        standing=_standing(session, folder),
    )
    last = newest(folder, STOPPED + LEFT) or ""
    if not plan.steps or not last.startswith(LEFT):
        return plan
    first, *rest = plan.steps
    if first.by == "jog":
        return Plan((), (UNSEEN,))
    lift = "lift off first; " if last.startswith(TOUCHED) else ""
    first = replace(first, jog="", why=lift + first.why).warned(STANDS_ELSEWHERE)
    return replace(plan, steps=(first, *rest))


def frames_asked(session: Session) -> list[Finding]:
    """Return the note that asks for joints beside a pose, until a stop has shown tool and frame.

    Raises PoseError for texts that cannot be read.
    """
    asked = asked_findings(session.cell)
    if not asked or not session.stations:
        return asked
    _, said = told_or_shown(session.cell, stops_compared(session))
    return [item for item in said if item.code == asked[0].code]


def _standing(session: Session, folder: Path) -> Observation | None:
    """Return where the robot stands, whatever became of that station: set aside, or unseen."""
    if not session.stations:
        return None
    alone = replace(session.visited[-1], use=True, points=None, views=())
    (found,) = observations(replace(session, stations=(alone,)), folder)
    return found


def revised(session: Session, folder: Path, result: Result | None = None) -> Plan | None:
    """Return the rest of the plan as it looks after the last recorded station; None: none left.

    Poses planned before stay while the board is where it was expected: until one of them is no
    longer seen or reached, or others would do clearly better. Jogs become poses as soon as the
    stations fit together; then the plan grows to the usual number of stations. Stations of an
    earlier session stay as they are: the robot stood there before. ``result`` as in `plan_session`.
    """
    left = _left(session)
    if left and all(item.pose and (item.why or "").startswith(REVISIT) for item in left):
        return Plan(
            tuple(
                Step("pose", pose, item.pose or (), item.jog or "", item.why or "")
                for item in left
                for pose in _poses(session, [item])
            )
        )
    if not left and len(session.stations) >= FIRST_JOGS:
        return None
    close = bool(left) and left[-1].why == CLOSING
    chosen = left[:-1] if close else left
    poses = _poses(session, chosen)
    jogs_only = len(poses) < len(chosen) or not chosen
    wish = Wish(
        count=None if jogs_only else len(chosen),
        close=close,
        kept=() if jogs_only else tuple(poses),
        avoid=passed_over(session),
    )
    return plan_session(session, folder, wish, result)


def passed_over(session: Session) -> tuple[Array, ...]:
    """Return the flange poses (4, 4) that somebody passed over: not to be offered again."""
    return tuple(_poses(session, [item for item in session.plan if item.skipped]))


def replace_plan(session: Session, plan: Plan) -> Change | None:
    """Put ``plan`` in the place of the session's; None where that would change nothing.

    Stations that were passed over stay in front, with their reasons.
    """
    skipped = tuple(item for item in session.plan if item.skipped is not None)
    stations = (*skipped, *(step.planned() for step in plan.steps))
    if stations == session.plan:
        return None
    return Change("plan", replace(session, plan=stations), {"stations": len(plan.steps)})


def pass_over(session: Session, planned: PlannedStation, reason: str) -> Change:
    """Pass over a planned station; the reason is kept with it in the session's plan.

    One that was only proposed is added to the plan, so that the record shows it.
    """
    if not reason.strip():
        raise StationbookError("no reason given", "Say in a few words why it is skipped.")
    return _exchanged("skip", session, planned, replace(planned, skipped=reason.strip()))


def take_up(session: Session, planned: PlannedStation) -> Change:
    """Put a skipped station back into the plan. Raises StationbookError where it is not there."""
    if planned not in session.plan:
        raise StationbookError("this station is not in the plan", "Choose a skipped one.")
    return _exchanged("take up", session, planned, replace(planned, skipped=None))


def with_rest(session: Session, plan: Sequence[PlannedStation]) -> Session:
    """Return the session with what is left of its plan once the next station is recorded.

    A session without a plan keeps none: what was only proposed is not written down.
    """
    planned = any(item.skipped is None for item in session.plan)
    return replace(session, plan=tuple(plan)) if planned else session


def _exchanged(action: str, session: Session, old: PlannedStation, new: PlannedStation) -> Change:
    """Put ``new`` in the place of ``old``, or at the end where the plan does not hold it."""
    plan = session.plan
    at = plan.index(old) if old in plan else len(plan)
    after = replace(session, plan=(*plan[:at], new, *plan[at + 1 :]))
    details = {"planned": list(new.pose or ()) or new.jog, "reason": new.skipped}
    return Change(action, after, details)


def _left(session: Session) -> list[PlannedStation]:
    """Return the planned stations that are neither passed over nor recorded already."""
    poses = [station_pose(session.cell, station) for station in session.stations]
    visited = [pose for pose in poses if pose is not None]

    def done(item: PlannedStation) -> bool:
        there = _poses(session, [item]) if item.why != CLOSING else []
        return any(alike(pose, earlier) for pose in there for earlier in visited)

    return [item for item in session.plan if item.skipped is None and not done(item)]


def _poses(session: Session, planned: Sequence[PlannedStation]) -> list[Array]:
    """Return the flange poses (4, 4) of the planned stations that have one."""
    found = []
    for item in planned:
        if item.pose is None:
            continue
        with suppress(StationbookError):  # written by hand, and unreadable: as good as none
            pose = station_pose(session.cell, typed_station(session.cell.pendant, item.pose))
            if pose is not None:
                found.append(pose)
    return found
