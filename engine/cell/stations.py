"""A station as numbers: where its flange stood, as typed, and what was seen there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..pendant.entry import joints_from_fields, pose_from_fields
from ..pendant.settings import Pendant
from ..robots.arms import joint_types
from ..robots.kinematics import kinematics
from .cell import Cell
from .session import Station


@dataclass(frozen=True, slots=True, eq=False)
class Observation:
    """One station as numbers.

    Attributes:
        id: the station's id.
        base_T_flange: (4, 4) [mm], from the typed pose (or from the typed joints).
        point_ids: (n,) ids of the board points seen, or None.
        pixels: (n, 2) [px] where they were seen, or None.
        camera_T_board: (4, 4) [mm] from a system that reports poses, or None.
        joints: (axes,) shown joint values [rad, or mm for a lift], or None.
        covariances: (n, 2, 2) [px²] of the pixels, or None: all points are then alike.
    """

    id: int
    base_T_flange: Array
    point_ids: NDArray[np.int64] | None = None
    pixels: Array | None = None
    camera_T_board: Array | None = None
    joints: Array | None = None
    covariances: Array | None = None


def station_pose(cell: Cell, station: Station) -> Array | None:
    """Return base_T_flange (4, 4) [mm] of a station, or None where nothing was typed for it.

    From the pose; with ``rotation: joints`` from the joints through the robot's kinematics. Raises
    PoseError for a text that cannot be read.
    """
    if not cell.pendant.shows_joints:
        return pose_from_fields(station.pose, cell.pendant).base_T_flange if station.pose else None
    values = joint_values(cell, station)
    if values is None or cell.robot is None:
        return None
    return kinematics(cell.robot).forward(values)


def typed_station(pendant: Pendant, fields: Sequence[str] | None, station_id: int = 0) -> Station:
    """Return a station for which ``fields`` were typed: its pose, or its joints."""
    typed = None if fields is None else tuple(fields)
    if pendant.shows_joints:
        return Station(station_id, joints=typed)
    return Station(station_id, pose=typed)


def joint_values(cell: Cell, station: Station) -> Array | None:
    """Return the shown joint values (axes,) [rad, or mm for a lift], or None. Raises PoseError.

    Without a robot it is not known which joint is a lift: None.
    """
    if station.joints is None:
        return None
    typed = joints_from_fields(station.joints, cell.pendant, cell.robot)
    if cell.robot is None:
        return None
    values = np.array(typed.values_deg_or_mm)
    turns = np.array(joint_types(cell.robot)) == "turn"
    return np.where(turns, np.radians(values), values)
