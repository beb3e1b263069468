"""The kinematics of one robot, every kind: forward, and the postures that hold a pose."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from ..arrays import Array
from ..frames import checked_transform
from .arms import build, length_errors
from .check import checked
from .forward import Forward, joints
from .inverse import branches
from .model import Robot


@dataclass(frozen=True, slots=True, eq=False)
class Kinematics(Forward):
    """One robot's kinematics; made by `kinematics`."""

    def branches(
        self, T: ArrayLike, *, limited: bool = True, near: ArrayLike | None = None
    ) -> Array:
        """Return the ways (k, axes) to hold base_T_flange ``T`` (4, 4), shown values [rad, mm].

        Joints that turn are given at the turn nearest the middle of their limits. ``limited``
        False: also those that break limits. A chain is searched: its list holds the way that
        continues from the posture ``near`` (axes,) and most others; on an arm with more than six
        axes, a sample of them. On arms that hold the flange level, ``T`` may name its z axis up
        or down, and a tilt within `inverse.LEVEL_RAD` is overlooked.
        """
        hint = None if near is None else self._shown(near)
        return branches(self, checked_transform(T, "pose"), limited, hint)

    def inverse(self, T: ArrayLike) -> Array:
        """Return `branches` within the limits, with every full turn the limits leave room for."""
        found = [self.joints.all_turns(q) for q in self.branches(T)]
        return np.concatenate(found) if found else np.empty((0, self.axes))


@lru_cache(maxsize=16)
def kinematics(robot: Robot) -> Kinematics:
    """Return the kinematics of ``robot``; the same object for an equal robot.

    Raises StationbookError naming the key and the value where the description does not describe
    an arm.
    """
    checked(robot)
    arm, moved = build(robot), joints(robot)
    lengths = length_errors(robot)
    units = ["rad" if kind == "turn" else "mm" for kind in moved.types]
    return Kinematics(
        robot=robot,
        joints=moved,
        parameter_names=(*lengths, *(f"zero {name}" for name in moved.names)),
        parameter_units=(*("mm" for _ in lengths), *units),
        _moving=arm.without_parameters(),
        _all=arm,
    )
