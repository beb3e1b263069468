"""Whether the cell's robot can stand at a typed pose, and whether typed joints say the same."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ..findings import Finding, finding
from ..robots import reach
from ..robots.model import Robot
from ..sessions.cell import Cell
from .thresholds import JOINTS_DISAGREE_DEG, JOINTS_DISAGREE_MM, REACH_IN_A_ROW

Array = NDArray[np.float64]
REFUSALS = ("reach", "joint-limit")


def reach_findings(
    robot: Robot, pose: Array, joints: Array | None, *, overruled_in_a_row: int = 0
) -> list[Finding]:
    """Return what the robot says of base_T_flange ``pose`` (4, 4) [mm].

    ``joints`` are the typed joint values [rad, or mm for a lift], where the pendant shows them:
    they say in which configuration the arm stands. ``overruled_in_a_row`` counts the stations just
    before this one that stood out of reach or limits as well.
    """
    found = reach.reach_findings(robot, pose, near=joints)
    refused = any(item.code in REFUSALS and item.level == "error" for item in found)
    if refused and overruled_in_a_row + 1 >= REACH_IN_A_ROW:
        found.append(finding("reach", "robot-file", count=overruled_in_a_row + 1))
    return found


def joint_findings(cell: Cell, pose: Array, joints: Array) -> list[Finding]:
    """Return `joints-disagree` where the typed joints put the flange elsewhere than the pose."""
    if cell.robot is None:
        return []
    off = reach.joints_pose_difference(cell.robot, joints, pose)
    allowed = math.hypot(JOINTS_DISAGREE_MM, cell.robot.accuracy)
    if off.distance_mm <= allowed and off.angle_deg <= JOINTS_DISAGREE_DEG:
        return []
    return [
        finding(
            "joints-disagree",
            distance_mm=f"{off.distance_mm:.1f}",
            angle_deg=f"{off.angle_deg:.2f}",
            tool=cell.pendant.active_tool,
            frame=cell.pendant.active_frame,
        )
    ]
