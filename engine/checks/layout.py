"""The fields of a typed station as numbers, and the pose that any change of them gives."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..errors import StationbookError
from ..frames import transform
from ..pendant.conventions import POSITION_FIELDS, is_quaternion, to_matrix
from ..pendant.entry import pose_from_fields
from ..pendant.joints import joint_layout
from ..pendant.settings import ANGLE_RAD, LENGTH_MM, Pendant
from ..robots.kinematics import kinematics
from ..robots.model import Robot

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
            return kinematics(self.robot).forward(values * [_size(unit) for unit in self.units])
        position = values[:, :POSITION_FIELDS] * LENGTH_MM[self.pendant.length_unit]
        return transform(to_matrix(values[:, POSITION_FIELDS:], self.pendant), position)

    def valid(self, values: Array) -> NDArray[np.bool_]:
        """Tell which values (m, k) entry would take: all but quaternions of another length."""
        values = np.atleast_2d(values)
        if not is_quaternion(self.pendant.rotation):
            return np.ones(len(values), bool)
        norm = np.linalg.norm(values[:, POSITION_FIELDS:], axis=1)
        return np.asarray(np.abs(norm - 1.0) < QUATERNION_NORM)


def layout(pendant: Pendant, robot: Robot | None) -> Layout:
    """Return the layout of a pendant's fields."""
    if pendant.shows_joints:
        shown = joint_layout(pendant, len(pendant.labels), robot)
        return Layout(pendant, robot, shown.labels, shown.units, shown.decimals)
    turn = "" if is_quaternion(pendant.rotation) else pendant.angle_unit
    turns = len(pendant.labels) - POSITION_FIELDS
    units = (pendant.length_unit,) * POSITION_FIELDS + (turn,) * turns
    return Layout(pendant, robot, pendant.labels, units, pendant.decimals)


def normal_fields(fields: Sequence[str], pendant: Pendant) -> tuple[str, ...]:
    """Return the fields of a stored station as plain decimal texts. Raises PoseError."""
    if pendant.shows_joints:
        return tuple(fields)
    return pose_from_fields(fields, pendant).fields


def numbers(fields: Sequence[str]) -> Array:
    """Return the fields as numbers (k,)."""
    return np.array([float(text) for text in fields])


def _size(unit: str) -> float:
    """Return one unit in [mm] or [rad]."""
    return LENGTH_MM[unit] if unit in LENGTH_MM else ANGLE_RAD[unit]
