"""From the joint values that the pendant shows to the model's, and back; limits and turns.

``model = direction · shown − offset``, joint by joint. ``coupling`` {"J3": "J2"} stands for a
parallel linkage that carries J3's drive to the frame: with the shown J3 fixed, moving J2 leaves
the next link's attitude in space as it is. So the model's J3, which is measured from the link
before it, also loses J2's motion: ``model J3 = direction3 · shown J3 − direction2 · shown J2 −
offset3``.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np

from ..frames import Array
from .arms import joint_types
from .model import JointType, Robot

FULL_TURN = 2.0 * np.pi
LIMIT_SLACK = 1e-9  # [rad, mm] rounding only: a joint exactly at its limit is inside


@dataclass(frozen=True, slots=True, eq=False)
class Joints:
    """The joints of one robot, in [rad] and [mm].

    Attributes:
        names: J1, J2, ...
        types: "turn" or "lift" for each.
        matrix: (n, n) and ``offset`` (n,): model = matrix @ shown − offset.
        limits: (n, 2) of the shown values; infinite where the robot file gives none.
    """

    names: tuple[str, ...]
    types: tuple[JointType, ...]
    matrix: Array
    offset: Array
    limits: Array

    def to_model(self, shown: Array) -> Array:
        """Return the model joint values (..., n) of shown ones."""
        model: Array = shown @ self.matrix.T - self.offset
        return model

    def to_shown(self, model: Array) -> Array:
        """Return the shown joint values (..., n) of model ones."""
        shown: Array = (model + self.offset) @ np.linalg.inv(self.matrix).T
        return shown

    def margins(self, shown: Array) -> Array:
        """Return how far each joint (..., n) is inside its limits; negative: outside."""
        return np.minimum(shown - self.limits[:, 0], self.limits[:, 1] - shown)

    def turned_variants(self, shown: Array) -> list[Array]:
        """Return every shown vector within the limits that differs from ``shown`` by full turns.

        Where no turn brings a joint inside, its nearest value to the limits is kept, so the list
        is never empty: the caller tells by `margins`.
        """
        choices = [self._turns_of(index, value) for index, value in enumerate(shown)]
        return [np.array(values) for values in product(*choices)]

    def _turns_of(self, index: int, value: float) -> list[float]:
        low, high = self.limits[index]
        if self.types[index] == "lift":
            return [float(value)]
        wrapped = (value + np.pi) % FULL_TURN - np.pi
        if not (np.isfinite(low) and np.isfinite(high)):
            return [float(wrapped)]
        first = int(np.ceil((low - LIMIT_SLACK - wrapped) / FULL_TURN))
        last = int(np.floor((high + LIMIT_SLACK - wrapped) / FULL_TURN))
        if first > last:
            below = wrapped + FULL_TURN * last
            above = wrapped + FULL_TURN * first
            return [float(below if low - below < above - high else above)]
        return [float(wrapped + FULL_TURN * k) for k in range(first, last + 1)]


def joints(robot: Robot) -> Joints:
    """Return the joints of a checked robot."""
    n, types = robot.axes, joint_types(robot)
    unit = np.array([np.pi / 180.0 if kind == "turn" else 1.0 for kind in types])
    matrix = np.diag(np.asarray(robot.directions or (1,) * n, float))
    for driven, carrier in (robot.coupling or {}).items():
        i, k = int(driven[1:]) - 1, int(carrier[1:]) - 1
        matrix[i, k] = -matrix[k, k]
    limits = np.asarray(robot.limits or ((-np.inf, np.inf),) * n, float) * unit[:, None]
    return Joints(
        names=tuple(f"J{k}" for k in range(1, n + 1)),
        types=types,
        matrix=matrix,
        offset=np.asarray(robot.offsets_deg or (0.0,) * n, float) * unit,
        limits=limits,
    )
