"""Where the flange stands for what the pendant shows, how it moves, and how the arm is folded.

``model = direction · shown − offset``, joint by joint. ``coupling`` {"J3": "J2"} stands for a
parallel linkage that carries J3's drive to the frame: with the shown J3 fixed, moving J2 leaves
the next link's attitude in space as it is. So the model's J3, which is measured from the link
before it, also loses J2's motion: ``model J3 = direction3 · shown J3 − direction2 · shown J2 −
offset3``.

All joint values in and out are the *shown* ones, as the pendant shows them, in [rad] ([mm] for a
lift). Displacements are ``[rx ry rz tx ty tz]`` in [rad, mm] on base axes, as in `frames`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..arrays import Array
from ..errors import StationbookError
from .arms import Elements, joint_types
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
        return np.asarray(shown @ self.matrix.T - self.offset)

    def to_shown(self, model: Array) -> Array:
        """Return the shown joint values (..., n) of model ones."""
        return np.asarray((model + self.offset) @ np.linalg.inv(self.matrix).T)

    def margins(self, shown: Array) -> Array:
        """Return how far each joint (..., n) is inside its limits; negative: outside."""
        return np.minimum(shown - self.limits[:, 0], self.limits[:, 1] - shown)

    def room(self, shown: Array) -> Array:
        """Return the least of the `margins` (...) in [deg, mm]."""
        return np.asarray((self.margins(shown) * self.degrees).min(axis=-1))

    def inside(self, shown: Array) -> NDArray[np.bool_]:
        """Tell which shown vectors (..., n) stand within all limits."""
        return np.asarray((self.margins(shown) >= -LIMIT_SLACK).all(axis=-1))

    def centred(self, shown: Array) -> Array:
        """Return ``shown`` (..., n) turned by full turns to the middle of the limits.

        As near as can be: the turn with the largest margin, inside the limits or out.
        """
        limited = np.isfinite(self.limits).all(axis=1, keepdims=True)
        middle = np.where(limited, self.limits, 0.0).mean(axis=1)
        return self.turned_towards(middle, shown)

    def turned_towards(self, goal: Array, shown: Array) -> Array:
        """Return ``shown`` (..., n) turned by full turns as near ``goal`` as can be."""
        turns = np.where(self.turning, np.round((goal - shown) / FULL_TURN), 0.0)
        return np.asarray(shown + FULL_TURN * turns)

    def all_turns(self, shown: Array) -> Array:
        """Return the vectors (k, n) within the limits that are full turns from ``shown`` (n,)."""
        choices = []
        for value, limits, turning in zip(shown, self.limits, self.turning, strict=True):
            bounded = turning and np.isfinite(limits).all()
            below, above = limits - value if bounded else np.zeros(2)
            first = np.ceil((below - LIMIT_SLACK) / FULL_TURN)
            last = np.floor((above + LIMIT_SLACK) / FULL_TURN)
            choices.append(value + FULL_TURN * np.arange(first, last + 1))
        return np.stack(np.meshgrid(*choices, indexing="ij"), axis=-1).reshape(-1, len(shown))

    @property
    def turning(self) -> NDArray[np.bool_]:
        """Which joints (n,) turn."""
        return np.array([kind == "turn" for kind in self.types])

    @property
    def degrees(self) -> Array:
        """Factors (n,) that bring shown values into [deg, mm]."""
        return np.where(self.turning, 180.0 / np.pi, 1.0)


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


@dataclass(frozen=True, slots=True, eq=False)
class Forward:
    """Where one robot's flange stands for its joints, and how it moves with them.

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
        return np.asarray(twists @ self._all.parameters)

    def stretched(self, lifts: Array) -> float:
        """Return a distance [mm] from the first joint that no flange exceeds.

        It is the length of all links, laid out straight; ``lifts`` (axes,) are the largest model
        values [mm] of the joints that lift.
        """
        drawn_out = np.where(self.joints.turning, 0.0, np.abs(lifts) + np.abs(self.joints.offset))
        links = np.linalg.norm(self._moving.fixed[1:, :3, 3], axis=1)
        return float(links.sum() + drawn_out.sum())

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


def configuration(arm: Forward, q: ArrayLike) -> tuple[str, ...]:
    """Return the labels of the posture ``q`` (axes,) of shown joint values [rad, mm].

    spherical-wrist: front or back, elbow out or elbow in (the forearm ahead of the upper arm's
    line or behind it), wrist plus or wrist minus (sign of the model's J5). level-flange: the first
    two. scara: elbow left or elbow right. A chain of six axes: the sign of its Jacobian's
    determinant and, where the last three joints turn, the side to which the wrist is bent; other
    chains have no label. Equal labels: the arm can pass from one posture to the other without
    being stretched, folded or straightened at the wrist.
    """
    q = np.asarray(q, float)
    if arm.robot.kind == "chain" and arm.axes != 6:
        return ()
    if arm.robot.kind == "chain":
        J = arm.jacobian(q)
        sign = ("minus", "plus")[int(np.linalg.det(J) >= 0)]
        bend = wrist_bend(arm, J)
        return (sign,) if bend is None else (sign, ("wrist minus", "wrist plus")[int(bend >= 0)])
    theta = arm.joints.to_model(q)
    if arm.robot.kind == "scara":
        return (("elbow right", "elbow left")[int(theta[1] < 0)],)
    size = arm.robot.geometry_mm
    lean, elbow = theta[1], theta[2] + np.arctan2(size["a2"], size["c3"])
    fore = float(np.hypot(size["a2"], size["c3"]))
    ahead = size["a1"] + size["c2"] * np.sin(lean) + fore * np.sin(lean + elbow)
    labels = ("back", "front")[int(ahead >= 0)], ("elbow in", "elbow out")[int(np.sin(elbow) >= 0)]
    if arm.robot.kind == "level-flange":
        return labels
    return (*labels, ("wrist minus", "wrist plus")[int(np.sin(theta[4]) >= 0)])


def wrist_bend(arm: Forward, J: Array) -> float | None:
    """Return how far the wrist is from straight: sin J5 where its axes stand at right angles.

    It is the volume spanned by the axes of the last three joints, with a sign; None for an arm
    without six axes or whose last three joints do not all turn. ``J`` (6, axes).
    """
    if arm.axes != 6 or not arm.joints.turning[3:].all():
        return None
    return float(np.linalg.det(J[:3, 3:]))
