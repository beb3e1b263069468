"""Planning the next stations of a session, storing the plan, and revising it as stations come."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from ..arrays import Array
from ..cell.session import PlannedStation, Session, Station
from ..cell.stations import station_pose
from ..errors import StationbookError
from ..findings import Level
from ..plans.blind_plan import FIRST_JOGS
from ..plans.plan import CLOSING, make_plan
from ..plans.pose_plan import alike
from ..plans.types import Plan, Step, Wish
from ..sessions.cell_file import read_cell
from ..sessions.folder import commit, observations
from .solve import solve_session, typed_texts

REVISIT = "visit again: "  # begins the reason of a station that an earlier session recorded
LEAST_STATIONS = 3  # below it there is nothing to solve
# What is wrong with all poses at once: a planned pose could then send the robot elsewhere.
DOUBTS = {
    "rotation-convention",
    "unit",
    "inverse-pose",
    "pairing",
    "board-moved",
    "camera-moved",
    "board-pitch",
    "lens",
}


def plan_cell(path: Path, wish: Wish) -> Plan:
    """Return the plan for a cell without a session. Raises FileError."""
    return make_plan(read_cell(path), (), wish)


def plan_session(session: Session, folder: Path, wish: Wish) -> Plan:
    """Return the stations worth visiting next; nothing is written.

    Raises FileError when a file that a station names is missing or damaged, UsageError for a wish
    that makes no sense.
    """
    seen = observations(session, folder)
    result, doubted = None, False
    if len(seen) >= LEAST_STATIONS:
        result = solve_session(session, folder).result
        doubted = any(
            item.code in DOUBTS and item.level is not Level.NOTE for item in result.findings
        )
    texts = typed_texts(session)
    return make_plan(
        session.cell,
        seen,
        wish,
        result=result,
        texts=[texts[item.id] for item in seen if item.id in texts],
        doubted=doubted,
    )


def revised(session: Session, folder: Path) -> Plan | None:
    """Return the rest of the plan as it looks after the last recorded station; None: none left.

    Poses planned before stay while the board is where it was expected: until one of them is no
    longer seen or reached, or others would do clearly better. Jogs become poses as soon as the
    stations fit together; then the plan grows to the usual number of stations. Stations of an
    earlier session stay as they are: the robot stood there before.
    """
    left = _left(session)
    if left and all(_is_revisit(item) for item in left):
        return _as_planned(session, left)
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
    return plan_session(session, folder, wish)


def passed_over(session: Session) -> tuple[Array, ...]:
    """Return the flange poses (4, 4) that somebody passed over: not to be offered again."""
    return tuple(_poses(session, [item for item in session.plan if item.skipped]))


def store_plan(
    session: Session, folder: Path, plan: Plan, operator: str | None, now: datetime
) -> Session:
    """Put ``plan`` in the place of the session's; hold the folder's lock.

    Stations that were passed over stay in front, with their reasons. A plan that would change
    nothing is not written.
    """
    skipped = tuple(item for item in session.plan if item.skipped is not None)
    stations = (*skipped, *(step.planned() for step in plan.steps))
    if stations == session.plan:
        return session
    new = replace(session, plan=stations)
    action = {
        "action": "plan",
        "who": operator or session.operator,
        "stations": len(plan.steps),
    }
    commit(folder, new, action, {}, now)
    return new


def _left(session: Session) -> list[PlannedStation]:
    """Return the planned stations that are neither passed over nor recorded already."""
    visited = [
        pose for s in session.stations if (pose := station_pose(session.cell, s)) is not None
    ]
    left = []
    for item in session.plan:
        there = _poses(session, [item])
        done = bool(there) and item.why != CLOSING and any(alike(there[0], v) for v in visited)
        if item.skipped is None and not done:
            left.append(item)
    return left


def _is_revisit(item: PlannedStation) -> bool:
    return item.pose is not None and (item.why or "").startswith(REVISIT)


def _as_planned(session: Session, planned: Sequence[PlannedStation]) -> Plan:
    """Return a plan of stations that have a pose, unchanged."""
    steps = []
    for item in planned:
        for pose in _poses(session, [item]):
            steps.append(Step("pose", pose, item.pose or (), item.jog or "", item.why or ""))
    return Plan(tuple(steps))


def _poses(session: Session, planned: Sequence[PlannedStation]) -> list[Array]:
    """Return the flange poses (4, 4) of the planned stations that have one."""
    joints = session.cell.pendant.rotation == "joints"
    found = []
    for item in planned:
        if item.pose is None:
            continue
        station = Station(0, joints=item.pose) if joints else Station(0, pose=item.pose)
        with suppress(StationbookError):  # written by hand, and unreadable: as good as none
            pose = station_pose(session.cell, station)
            if pose is not None:
                found.append(pose)
    return found
