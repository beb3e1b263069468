"""What was typed for a station, examined: fast enough to run while somebody types."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..arrays import Array
from ..cell.cell import Cell
from ..cell.session import Session, Station
from ..cell.stations import joint_values, station_pose, typed_station
from ..checks.entry import (
    RecordedPose,
    between,
    closing_findings,
    joint_findings,
    motion_findings,
    off_plan_findings,
    reach_findings,
    unit_findings,
)
from ..errors import PoseError
from ..findings import Finding, finding
from ..pendant.entry import TypedJoints, TypedPose, parse_joints, parse_pose

# Errors that a technician may overrule with a reason: the pose was read off a robot that stands
# there, so the robot file can be what is wrong.
OVERRULED_WITH_REASON = ("reach", "joint-limit")


@dataclass(frozen=True, slots=True, eq=False)
class Known:
    """What earlier stations contribute to the checks of the next one, or of station ``before``."""

    poses: Sequence[RecordedPose]
    overruled_in_a_row: int = 0
    before: int | None = None


@dataclass(frozen=True, slots=True, eq=False)
class PoseDraft:
    """A typed pose, examined. ``base_T_flange`` None: it could not be read."""

    typed: TypedPose | None
    joints: TypedJoints | None
    base_T_flange: Array | None
    findings: tuple[Finding, ...]


def known(session: Session, *, before: int | None = None) -> Known:
    """Return what the stations recorded (before station ``before``) say about the next one."""
    poses, overruled = [], 0
    for station in session.stations:
        if station.id == before:
            break
        base_T_flange = station_pose(session.cell, station)
        if base_T_flange is not None:
            poses.append(RecordedPose(station.id, base_T_flange))
        doubted = any(code in OVERRULED_WITH_REASON for code in station.accepted)
        overruled = overruled + 1 if doubted else 0
    return Known(tuple(poses), overruled, before)


def examine_pose(
    session: Session,
    text: str | None,
    joints_text: str | None = None,
    *,
    closing: bool = False,
    earlier: Known | None = None,
) -> PoseDraft:
    """Examine a typed pose, and the typed joints where given, against the recorded stations.

    ``earlier`` saves computing `known(session)` again on every key. Never raises for what was
    typed: what cannot be read is a finding.
    """
    cell = session.cell
    earlier = earlier if earlier is not None else known(session)
    try:
        typed = parse_pose(text, cell.pendant) if text is not None else None
    except PoseError as error:
        return PoseDraft(None, None, None, (_unreadable(error, None),))
    try:
        joints = _parsed_joints(joints_text, session)
    except PoseError as error:
        return PoseDraft(typed, None, None, (_unreadable(error, "joints"),))
    trial = Station(
        id=session.next_id,
        pose=typed.fields if typed else None,
        joints=joints.fields if joints else None,
        closing=closing,
    )
    pose = station_pose(cell, trial)
    if pose is None:
        return PoseDraft(typed, joints, None, (_unreadable(_nothing_typed(session), None),))
    found = pose_findings(cell, trial, typed, pose, earlier)
    if not closing and earlier.before is None:
        found += _off_plan(session, pose)
    return PoseDraft(typed, joints, pose, tuple(found))


def pose_findings(
    cell: Cell, station: Station, typed: TypedPose | None, pose: Array, earlier: Known
) -> list[Finding]:
    """Return what the pose (4, 4) [mm] of ``station`` says by itself and beside earlier ones.

    ``typed``: the pose as typed, None where joints were. Raises PoseError for unreadable joints.
    """
    found = unit_findings(typed.values, typed.fields, cell.pendant) if typed else []
    found += motion_findings(pose, earlier.poses, cell.pendant, closing=station.closing)
    found += closing_findings(pose, earlier.poses) if station.closing else []
    joints = joint_values(cell, station)
    if cell.robot is not None:
        found += reach_findings(
            cell.robot, pose, joints, overruled_in_a_row=earlier.overruled_in_a_row
        )
    if typed and joints is not None:
        found += joint_findings(cell, pose, joints)
    return found


def examine_line(
    session: Session,
    line: str,
    beside: str | None,
    *,
    closing: bool = False,
    earlier: Known | None = None,
) -> PoseDraft:
    """Examine the line typed for a station: a pose, or joints where the pendant shows those.

    ``beside``: the joints typed beside a pose. The rest as in `examine_pose`.
    """
    if session.cell.pendant.shows_joints:
        return examine_pose(session, None, line, closing=closing, earlier=earlier)
    return examine_pose(session, line, beside, closing=closing, earlier=earlier)


def _off_plan(session: Session, pose: Array) -> list[Finding]:
    """Return the note `off-plan` where the pose is far from every station still planned."""
    goals = {}
    for index, planned in enumerate(session.plan):
        if planned.skipped is None and planned.pose is not None:
            wanted = typed_station(session.cell.pendant, planned.pose)
            goal = station_pose(session.cell, wanted)
            if goal is not None:
                goals[index] = goal
    if not goals:
        return []
    distance, _ = between(pose, np.stack(list(goals.values())))
    nearest = list(goals)[int(distance.argmin())]
    return off_plan_findings(pose, goals[nearest], nearest + 1)


def _parsed_joints(text: str | None, session: Session) -> TypedJoints | None:
    if text is None:
        return None
    robot = session.cell.robot
    if robot is None:
        raise PoseError("joints were typed but the cell describes no robot", "Type the pose.")
    return parse_joints(text, session.cell.pendant, robot.axes, robot)


def _nothing_typed(session: Session) -> PoseError:
    if session.cell.pendant.shows_joints:
        return PoseError("no joint angles", "This cell's stations are typed as joint angles.")
    return PoseError("no pose", "Type the pose as the pendant shows it.")


def _unreadable(error: PoseError, variant: str | None) -> Finding:
    return finding("format", variant, field=error.field, problem=error.problem, remedy=error.remedy)
