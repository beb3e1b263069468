"""A flange pose as the pendant would show it, and what the rounded fields say."""

from __future__ import annotations

import numpy as np

from ..errors import StationbookError
from ..frames import Array
from ..pendant.conventions import JOINTS
from ..pendant.entry import format_joints, format_pose, pose_from_fields
from ..sessions.cell import Cell
from ..sessions.poses import station_pose
from ..sessions.session import Station
from .arm import ArmCheck


def shown(
    cell: Cell, arm: ArmCheck, flange: Array, near: tuple[str, ...] | None
) -> tuple[tuple[str, ...], Array]:
    """Return the fields for base_T_flange (4, 4), and the pose (4, 4) that the fields say.

    ``near``: the fields of the pose before, so that angles do not jump between two ways to write
    the same rotation. Raises StationbookError where the pendant shows joints and no posture is
    found.
    """
    if cell.pendant.rotation != JOINTS:
        fields = format_pose(flange, cell.pendant, near)
        return fields, pose_from_fields(fields, cell.pendant).base_T_flange
    fields = format_joints(_posture(arm, flange).tolist(), cell.pendant, cell.robot)
    pose = station_pose(cell, Station(0, joints=fields))
    return fields, flange if pose is None else pose


def _posture(arm: ArmCheck, flange: Array) -> Array:
    """Return the joint values (axes,) [deg, or mm for a lift] that hold ``flange``."""
    q = arm.posture(flange)
    if arm.arm is None or q is None:
        raise StationbookError("no joint values hold this pose", "Check the robot's description.")
    return np.asarray(np.where(arm.arm.joints.turning, np.degrees(q), q))
