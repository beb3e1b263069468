"""Whether joint angles were typed where the pose belongs.

Six angles read as a position lie within some 200 mm of the middle of the base, where no flange is.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..arrays import Array
from ..cell.cell import Cell, KeepOut
from ..findings import Finding, Level, finding
from ..pendant.conventions import is_quaternion
from ..pendant.settings import UNITS
from ..robots.kinematics import kinematics
from ..robots.model import Robot
from ..robots.reach import LIMIT_EXCESS
from .entry import LARGEST_REACH_M, ONE_TURN_DEG, REFUSALS

# Without a robot file: the flange of a table-top arm stays about this far from the middle of its
# base (a column of 60 mm radius and the wrist's own 70 mm): common practice, no source.
NO_FLANGE_MM = 130.0
SIX = 6  # joints of an arm that is not described
HALF_TURN_DEG = 180.0  # which few joints exceed where somebody begins: common practice, no source


def joints_typed_findings(
    cell: Cell,
    values: Sequence[float],
    pose: Array,
    others: Sequence[Finding],
    foot: KeepOut | None,
    *,
    accepted: bool = False,
) -> list[Finding]:
    """Return `joints-typed` where a typed pose cannot be one, and the numbers can be joints.

    ``values`` as typed, in pendant units; ``pose`` base_T_flange (4, 4) [mm] that they give;
    ``others``: what was found about it, reach among it; ``foot``: the arm's own [mm, base];
    ``accepted``: a pose in it was stored before, so it is narrower than thought: no more is asked.
    """
    if not _are_angles(cell, values):
        return []
    level = Level.NOTE if accepted else None
    place, robot, pendant = pose[:3, 3], cell.robot, cell.pendant
    likely = max(map(abs, values)) <= HALF_TURN_DEG
    if robot is None:
        named = pendant.active_frame.pose is not None or pendant.active_tool.pose is not None
        far = float(np.linalg.norm(place))
        if named or not likely or far > NO_FLANGE_MM:
            return []
        return [finding("joints-typed", "no-robot", level=level, distance_mm=far)]
    held = _within_limits(robot, values, UNITS[pendant.joint_unit], UNITS[pendant.length_unit])
    if foot is not None and _inside(place, foot) and (likely or held):
        return [finding("joints-typed", level=level, where="inside the arm's own foot")]
    refused = any(item.code in REFUSALS and item.level is Level.ERROR for item in others)
    return [finding("joints-typed", where="where it cannot be")] if refused and held else []


def _are_angles(cell: Cell, values: Sequence[float]) -> bool:
    """Tell whether there is a number for every joint, and they are no position in metres."""
    pendant = cell.pendant
    axes = SIX if cell.robot is None else cell.robot.axes
    if pendant.shows_joints or is_quaternion(pendant.rotation) or len(values) != axes:
        return False
    return not 0.0 < max(map(abs, values[:3])) < LARGEST_REACH_M  # of which `unit` speaks


def _inside(place: Array, box: KeepOut) -> bool:
    return bool(((np.array(box.min_mm) < place) & (place < np.array(box.max_mm))).all())


def _within_limits(robot: Robot, values: Sequence[float], angle: float, length: float) -> bool:
    """Tell whether shown joint values, in units of ``angle`` [rad] and ``length`` [mm], can be."""
    joints = kinematics(robot).joints
    shown = np.array(values) * np.where(joints.turning, angle, length)
    turned = np.degrees(np.abs(shown[joints.turning])).max(initial=0.0)
    return bool(turned <= ONE_TURN_DEG and joints.room(shown) > -LIMIT_EXCESS)
