"""Kinematics of every robot kind: where the flange stands, and how it moves.

All joint values in and out are the *shown* ones, as the pendant shows them, in [rad] ([mm] for a
lift). Displacements are ``[rx ry rz tx ty tz]`` in [rad, mm] on base axes, as in `frames`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from ..errors import StationbookError
from ..frames import Array, checked_transform
from .arms import build, length_errors
from .check import checked
from .elements import Elements
from .inverse import branches
from .joints import Joints, joints
from .model import Robot


@dataclass(frozen=True, slots=True, eq=False)
class Kinematics:
    """One robot's kinematics; made by `kinematics`.

    Attributes:
        robot: the robot as described.
        joints: names, types, limits and the step from shown to model values.
        parameter_names: geometric errors: lengths ("c2"), then joint zeros ("zero J1").
        parameter_units: "mm" or "rad" for each.
    """

    robot: Robot
    joints: Joints
    parameter_names: tuple[str, ...]
    parameter_units: tuple[str, ...]
    _moving: Elements
    _all: Elements

    @property
    def axes(self) -> int:
        """Number of joints."""
        return len(self.joints.names)

    def forward(self, q: ArrayLike, errors: ArrayLike | None = None) -> Array:
        """Return base_T_flange (..., 4, 4) [mm] of shown joint values (..., axes) [rad, mm].

        ``errors`` (p,) are geometric errors in the order of `parameter_names`: a length error adds
        to the length, a zero error to the model joint value. Not linearised.
        """
        theta = self.joints.to_model(self._shown(q))
        if errors is None:
            return self._moving.frames(theta)[1]
        return self._all.frames(theta, np.asarray(errors, float))[1]

    def jacobian(self, q: ArrayLike) -> Array:
        """Return the flange's displacement per shown joint (..., 6, axes), base axes."""
        return self.forward_and_jacobian(q)[1]

    def forward_and_jacobian(self, q: ArrayLike) -> tuple[Array, Array]:
        """Return `forward` and `jacobian` for the cost of one."""
        T, twists = self._moving.twists(self.joints.to_model(self._shown(q)))
        return T, twists @ (self._moving.joints @ self.joints.matrix)

    def parameter_jacobian(self, q: ArrayLike) -> Array:
        """Return the flange's displacement per geometric error (..., 6, p), base axes."""
        twists = self._all.twists(self.joints.to_model(self._shown(q)))[1]
        derivative: Array = twists @ self._all.parameters
        return derivative

    def branches(
        self, T: ArrayLike, *, limited: bool = True, near: ArrayLike | None = None
    ) -> Array:
        """Return the ways (k, axes) to hold base_T_flange ``T`` (4, 4), shown values [rad, mm].

        Joints that turn are given at the turn nearest the middle of their limits. ``limited``
        False: also those that break limits. A chain is searched: its list holds the way that
        continues from the posture ``near`` (axes,) and most others; on an arm with more than six
        axes, a sample of them. On arms that hold the flange level, ``T`` may name its z axis up
        or down, and a tilt within `closed_form.LEVEL_RAD` is overlooked.
        """
        hint = None if near is None else self._shown(near)
        return branches(self, checked_transform(T, "pose"), limited, hint)

    def inverse(self, T: ArrayLike) -> Array:
        """Return `branches` within the limits, with every full turn the limits leave room for."""
        found = [self.joints.all_turns(q) for q in self.branches(T)]
        return np.concatenate(found) if found else np.empty((0, self.axes))

    def stretched(self, lifts: Array) -> float:
        """Return a distance [mm] from the first joint that no flange exceeds.

        It is the length of all links, laid out straight; ``lifts`` (axes,) are the largest model
        values [mm] of the joints that lift.
        """
        drawn_out = np.where(self.joints.turning, 0.0, np.abs(lifts) + np.abs(self.joints.offset))
        return float(self._moving.lengths().sum() + drawn_out.sum())

    def distance_from_first_joint(self, T: Array) -> float:
        """Return the distance [mm] of the flange at ``T`` (4, 4) from the first joint."""
        return float(np.linalg.norm(T[:3, 3] - self._moving.fixed[0, :3, 3]))

    def _shown(self, q: ArrayLike) -> Array:
        shown = np.asarray(q, float)
        if shown.ndim == 0 or shown.shape[-1] != self.axes:
            raise StationbookError(
                f"expected {self.axes} joint values, got shape {shown.shape}",
                f"Robot {self.robot.name!r} has the joints {', '.join(self.joints.names)}.",
            )
        return shown


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
