"""A station as numbers: its typed fields, where its flange stood, and what was seen there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..errors import StationbookError
from ..frames import transform
from ..pendant.conventions import POSITION_FIELDS, flange_of, is_quaternion, place_of
from ..pendant.entry import joints_from_fields, line_layout, pose_from_fields
from ..pendant.settings import ANGLE_RAD, UNITS, Pendant
from ..robots.arms import joint_types
from ..robots.kinematics import kinematics
from ..robots.model import Robot
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
        depths: (n,) [mm] measured along the camera's axis, NaN where not; None: not at all.
        spatial: the points were measured as points in space: no lens data lie between.
        closing: the robot returned to the first station's pose on purpose.
    """

    id: int
    base_T_flange: Array
    point_ids: NDArray[np.int64] | None = None
    pixels: Array | None = None
    camera_T_board: Array | None = None
    joints: Array | None = None
    covariances: Array | None = None
    depths: Array | None = None
    spatial: bool = False
    closing: bool = False

    def farther(self, factor: float) -> Observation:
        """Return the station with a reported board ``factor`` times as far."""
        T = self.camera_T_board
        if T is None:
            return self
        return replace(self, camera_T_board=transform(T[:3, :3], factor * T[:3, 3]))


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


def typed_station(pendant: Pendant, fields: Sequence[str] | None) -> Station:
    """Return a station for which ``fields`` were typed: its pose, or its joints."""
    typed = None if fields is None else tuple(fields)
    if pendant.shows_joints:
        return Station(0, joints=typed)
    return Station(0, pose=typed)


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


QUATERNION_NORM = 0.02  # [-] a typed quaternion whose length is off by more is refused on entry


@dataclass(frozen=True, slots=True)
class Layout:
    """How the fields of one pendant become poses.

    ``labels``, ``units`` ("mm", "m", "in", "deg", "rad" or "" for a quaternion) and ``decimals``
    have one entry per field; ``robot`` is needed where joints are typed.
    """

    pendant: Pendant
    robot: Robot | None
    labels: tuple[str, ...]
    units: tuple[str, ...]
    decimals: tuple[int, ...]

    @property
    def count(self) -> int:
        """Number of fields."""
        return len(self.labels)

    def is_angle(self, field: int) -> bool:
        """Tell whether the field is an angle."""
        return self.units[field] in ANGLE_RAD

    def poses(self, values: Array) -> Array:
        """Return base_T_flange (m, 4, 4) [mm] of field values (m, k) in pendant units."""
        values = np.atleast_2d(np.asarray(values, float))
        if self.pendant.shows_joints:
            if self.robot is None:
                raise StationbookError("joints are typed but the cell describes no robot")
            return kinematics(self.robot).forward(values * [UNITS[u] for u in self.units])
        return flange_of(place_of(values, self.pendant), self.pendant)

    def valid(self, values: Array) -> NDArray[np.bool_]:
        """Tell which values (m, k) entry would take: all but quaternions of another length."""
        values = np.atleast_2d(values)
        if not is_quaternion(self.pendant.rotation):
            return np.ones(len(values), bool)
        norm = np.linalg.norm(values[:, POSITION_FIELDS:], axis=1)
        return np.asarray(np.abs(norm - 1.0) < QUATERNION_NORM)


def layout(pendant: Pendant, robot: Robot | None) -> Layout:
    """Return the layout of a pendant's fields."""
    shown = line_layout(pendant, robot)
    return Layout(pendant, robot, shown.labels, shown.units, shown.decimals)


def normal_fields(fields: Sequence[str], pendant: Pendant) -> tuple[str, ...]:
    """Return the fields of a stored station as plain decimal texts. Raises PoseError."""
    if pendant.shows_joints:
        return tuple(fields)
    return pose_from_fields(fields, pendant).fields


def numbers(fields: Sequence[str]) -> Array:
    """Return the fields as numbers (k,)."""
    return np.array([float(text) for text in fields])
