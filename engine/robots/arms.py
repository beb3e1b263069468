"""The arms that a cell can describe, and where their flange stands for what the pendant shows.

A serial arm is a product of elementary motions. Every motion is a turn about, or a shift along,
the local z axis of its frame:
``T = fixed[0] · motion(v[0]) · fixed[1] · motion(v[1]) · ... · fixed[m]``. The value of a motion is
linear in the model joint values and the parameters: ``v = joints @ theta + parameters @ p``, where
the parameters p are errors (zero on the nominal arm). A joint that moves two motions at once (the
linkage that holds a flange level) is therefore nothing special.

``model = direction · shown − offset``, joint by joint. ``coupling`` {"J3": "J2"} stands for a
parallel linkage that carries J3's drive to the frame: with the shown J3 fixed, moving J2 leaves
the next link's attitude in space as it is. So the model's J3, which is measured from the link
before it, also loses J2's motion: ``model J3 = direction3 · shown J3 − direction2 · shown J2 −
offset3``.

All joint values in and out are the *shown* ones, as the pendant shows them, in [rad] ([mm] for a
lift). Displacements are ``[rx ry rz tx ty tz]`` in [rad, mm] on base axes, as in `frames`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..arrays import Array
from ..errors import StationbookError
from ..frames import cross, transform, turns
from .model import SIX_AXIS_KEYS, JointType, Robot

_TO_Z = {  # columns: where the local x, y, z of a motion's frame point, its z along the named axis
    "x": np.array([[0.0, 0, 1], [1, 0, 0], [0, 1, 0]]),
    "y": np.array([[0.0, 1, 0], [0, 0, 1], [1, 0, 0]]),
    "z": np.eye(3),
}


@dataclass(frozen=True, slots=True, eq=False)
class Elements:
    """The arm as m motions with m + 1 fixed transforms around them.

    Attributes:
        fixed: (m + 1, 4, 4) constant transforms [mm].
        turns: (m,) True for a turn about z, False for a shift along z.
        joints: (m, n) factors of the model joint values.
        parameters: (m, p) factors of the geometric errors.
    """

    fixed: Array
    turns: NDArray[np.bool_]
    joints: Array
    parameters: Array

    def frames(self, theta: Array, errors: Array | None = None) -> tuple[Array, Array]:
        """Return each motion's frame (..., m, 4, 4) and the flange (..., 4, 4) in the base.

        ``theta`` (..., n) are model joint values [rad, mm], ``errors`` (p,) the parameters.
        """
        values = theta @ self.joints.T
        if errors is not None:
            values = values + self.parameters @ errors
        steps = self._motions(values) @ self.fixed[1:]
        T, found = self.fixed[0], np.empty_like(steps)
        for k in range(len(self.turns)):
            found[..., k, :, :] = T
            T = T @ steps[..., k, :, :]
        return found, T

    def _motions(self, values: Array) -> Array:
        angles = np.where(self.turns, values, 0.0)
        motions = np.zeros((*values.shape, 4, 4))
        cosines, sines = np.cos(angles), np.sin(angles)
        motions[..., 0, 0] = motions[..., 1, 1] = cosines
        motions[..., 0, 1], motions[..., 1, 0] = -sines, sines
        motions[..., 2, 2] = motions[..., 3, 3] = 1.0
        motions[..., 2, 3] = np.where(self.turns, 0.0, values)
        return motions

    def twists(self, theta: Array) -> tuple[Array, Array]:
        """Return the flange (..., 4, 4) and its displacement per motion (..., 6, m), base axes."""
        frames, T = self.frames(theta)
        axis = frames[..., :3, 2]
        arm = T[..., None, :3, 3] - frames[..., :3, 3]
        turning = self.turns[:, None]
        rotation = np.where(turning, axis, 0.0)
        shift = np.where(turning, cross(axis, arm), axis)
        return T, np.swapaxes(np.concatenate([rotation, shift], axis=-1), -1, -2)

    def without_parameters(self) -> Elements:
        """Return the same arm with only the motions that joints drive, for speed."""
        moving = np.flatnonzero(self.joints.any(axis=1))
        fixed = [self.fixed[0]]
        for k in range(len(self.turns)):
            if k in moving:
                fixed.append(self.fixed[k + 1])
            else:
                fixed[-1] = fixed[-1] @ self.fixed[k + 1]
        none = np.zeros((len(moving), 0))
        return Elements(np.array(fixed), self.turns[moving], self.joints[moving], none)


class ElementsBuilder:
    """Collects fixed transforms and motions from base to flange."""

    def __init__(self, axes: int, parameters: Sequence[str]) -> None:
        self._axes, self._parameters = axes, list(parameters)
        self._fixed: list[Array] = [np.eye(4)]
        self._rows: list[tuple[bool, Array, Array]] = []

    def place(self, T: Array) -> None:
        """Append a constant transform (4, 4)."""
        self._fixed[-1] = self._fixed[-1] @ T

    def turn(
        self, axis: str, constant: float = 0.0, joints: Sequence[tuple[int, float]] = ()
    ) -> None:
        """Append a turn [rad] about a local axis: a constant and the joints that add to it."""
        self.place(transform(turns(axis, [constant]), np.zeros(3)))
        self._motion(axis, True, joints, None)

    def shift(
        self,
        axis: str,
        constant: float = 0.0,
        parameter: str | None = None,
        joints: Sequence[tuple[int, float]] = (),
    ) -> None:
        """Append a shift [mm] along a local axis; ``parameter`` is the error that adds to it."""
        self.place(transform(np.eye(3), constant * _TO_Z[axis][:, 2]))
        self._motion(axis, False, joints, parameter)

    def _motion(
        self,
        axis: str,
        turns: bool,
        joints: Sequence[tuple[int, float]],
        parameter: str | None,
    ) -> None:
        joint_row, parameter_row = np.zeros(self._axes), np.zeros(len(self._parameters))
        for index, factor in joints:
            joint_row[index] = factor
        known = parameter in self._parameters
        if known:
            parameter_row[self._parameters.index(str(parameter))] = 1.0
        if not joints and not known:
            return
        to_z = transform(_TO_Z[axis], np.zeros(3))
        self.place(to_z)
        self._fixed.append(to_z.T)
        self._rows.append((turns, joint_row, parameter_row))

    def done(self) -> Elements:
        """Return the arm; every joint zero adds to its joint's motions as a parameter of its own.

        The parameters come first as given, then the joints' zeros in order.
        """
        joints = np.array([row[1] for row in self._rows]).reshape(-1, self._axes)
        parameters = np.array([row[2] for row in self._rows]).reshape(-1, len(self._parameters))
        turns = np.array([row[0] for row in self._rows], bool)
        return Elements(np.array(self._fixed), turns, joints, np.hstack([parameters, joints]))


LEVEL_ERRORS = ("a1", "b", "c1", "c2", "c3")  # c4 acts as −c1 does, a2 as c3 and the zero of J3
SCARA_ERRORS = ("l1", "l2")  # z0 shifts the flange exactly as the zero of the lift does
LEVEL_KINDS = ("level-flange", "scara")  # the flange cannot tilt


def is_level(robot: Robot | None) -> bool:
    """Tell whether the arm holds its flange level, so that it can turn about the vertical only."""
    return robot is not None and robot.kind in LEVEL_KINDS


def named_alike(robot: Robot, T: Array, other: Array) -> Array:
    """Return flange poses ``T`` (..., 4, 4) with z named as in ``other``, where an arm holds level.

    Pendants name the z axis of such a flange up or down as they please; the arm cannot tell.
    """
    if not is_level(robot) or (T[..., 2, 2] * other[..., 2, 2] > 0).any():
        return T
    return np.asarray(T @ np.diag([1.0, -1.0, -1.0, 1.0]))


def joint_types(robot: Robot) -> tuple[JointType, ...]:
    """Return what each joint does: turn, or lift."""
    if robot.kind == "chain":
        return tuple(link.type for link in robot.links)
    turn: JointType = "turn"
    if robot.kind == "scara":
        return (turn, turn, "lift", turn)
    return (turn,) * robot.axes


def length_errors(robot: Robot) -> tuple[str, ...]:
    """Return the names of the lengths whose errors [mm] the arm's pose depends on.

    Lengths that act exactly as another error of the same arm are left out.
    """
    if robot.kind == "chain":
        numbered = enumerate(robot.links, start=1)
        pairs = ((f"a{k}", f"d{k}" if link.type == "turn" else "") for k, link in numbered)
        return tuple(name for pair in pairs for name in pair if name)
    named = {"scara": SCARA_ERRORS, "level-flange": LEVEL_ERRORS, "spherical-wrist": SIX_AXIS_KEYS}
    return named[robot.kind]


def build(robot: Robot) -> Elements:
    """Return the arm of a checked robot; parameters are `length_errors`, then all joint zeros."""
    arm = ElementsBuilder(robot.axes, length_errors(robot))
    if robot.kind == "chain":
        _chain(arm, robot)
    elif robot.kind == "scara":
        _add(arm, robot, _SCARA)
    else:
        _add(arm, robot, _UPPER_ARM)
    if robot.kind == "spherical-wrist":
        _add(arm, robot, _WRIST)
    elif robot.kind == "level-flange":
        # The linkage undoes the turns of J2 and J3; the half-turn makes the flange's z point down.
        arm.turn("y", joints=[(1, -1.0), (2, -1.0)])
        arm.turn("z", joints=[(3, 1.0)])
        arm.turn("x", np.pi)
        arm.shift("z", robot.geometry_mm["c4"])
    return arm.done()


# Motions from base to flange: a turn about, or a shift along an axis by a joint or a length.
# Brandstötter, Angerer, Hofbaur 2014, figure 3: all model angles zero, the arm points up.
_UPPER_ARM = "z c1, z J1, x a1, y b, y J2, z c2, y J3, x a2, z c3"
_WRIST = "z J4, y J5, z J6, z c4"
_SCARA = "z z0, z J1, x l1, z J2, x l2, z J3, z J4"


def _add(arm: ElementsBuilder, robot: Robot, motions: str) -> None:
    for axis, name in (motion.split() for motion in motions.split(", ")):
        if name in robot.geometry_mm:
            arm.shift(axis, robot.geometry_mm[name], name)
            continue
        joint = int(name[1:]) - 1
        move = arm.shift if joint_types(robot)[joint] == "lift" else arm.turn
        move(axis, joints=[(joint, 1.0)])


def _chain(arm: ElementsBuilder, robot: Robot) -> None:
    arm.place(placed(robot.base_T_first_mm_deg))
    modified = robot.convention == "modified"
    for k, link in enumerate(robot.links, start=1):
        moved = [(k - 1, 1.0)]
        turning, lifting = (moved, []) if link.type == "turn" else ([], moved)
        if modified:
            arm.turn("x", np.deg2rad(link.alpha_deg))
            arm.shift("x", link.a_mm, f"a{k}")
        arm.turn("z", np.deg2rad(link.offset_deg), turning)
        arm.shift("z", link.d_mm, f"d{k}", lifting)
        if not modified:
            arm.shift("x", link.a_mm, f"a{k}")
            arm.turn("x", np.deg2rad(link.alpha_deg))
    arm.place(placed(robot.last_T_flange_mm_deg))


def placed(values: Sequence[float] | None) -> Array:
    """Return the transform (4, 4) of x y z [mm] and fixed-xyz angles [deg]; None: identity."""
    if values is None:
        return np.eye(4)
    R = turns("zyx", np.deg2rad(values[5:2:-1]))
    return transform(R, np.asarray(values[:3], float))


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

    def continued(self, before: Array, shown: Array) -> Array:
        """Return ``shown`` (..., n) by full turns as near ``before`` as the limits let it be."""
        near = self.turned_towards(before, shown)
        return np.where(self.margins(near) >= -LIMIT_SLACK, near, self.centred(shown))

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

    def joint_frames(self, q: ArrayLike) -> Array:
        """Return the frames (..., m, 4, 4) [mm] whose z axes the parts of the arm move about."""
        return self._moving.frames(self.joints.to_model(self._shown(q)))[0]

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
    names = SIDES.get(arm.robot.kind, FOLDS)
    return tuple(pair[int(side)] for pair, side in zip(names, sides(arm, q), strict=False))


WRIST = ("wrist minus", "wrist plus")
FOLDS = (("back", "front"), ("elbow in", "elbow out"), WRIST)
SIDES = {"scara": (("elbow right", "elbow left"),), "chain": (("minus", "plus"), WRIST)}


def sides(arm: Forward, q: ArrayLike) -> NDArray[np.bool_]:
    """Return on which side of each of its labels the posture ``q`` (..., axes) is, (..., labels).

    See `configuration`.
    """
    q = np.asarray(q, float)
    if arm.robot.kind == "chain":
        if arm.axes != 6:
            return np.empty((*q.shape[:-1], 0), bool)
        J = arm.jacobian(q)
        bend = wrist_bend(arm, J)
        signs = [np.linalg.det(J)] if bend is None else [np.linalg.det(J), bend]
        return np.stack(signs, axis=-1) >= 0.0
    theta = np.moveaxis(arm.joints.to_model(q), -1, 0)
    if arm.robot.kind == "scara":
        return np.asarray(theta[1, ..., None] < 0.0)
    size = arm.robot.geometry_mm
    lean, elbow = theta[1], theta[2] + np.arctan2(size["a2"], size["c3"])
    fore = float(np.hypot(size["a2"], size["c3"]))
    ahead = size["a1"] + size["c2"] * np.sin(lean) + fore * np.sin(lean + elbow)
    folds = [ahead, np.sin(elbow)]
    folds += [] if arm.robot.kind == "level-flange" else [np.sin(theta[4])]
    return np.stack(folds, axis=-1) >= 0.0


def wrist_bend(arm: Forward, J: Array) -> Array | None:
    """Return how far the wrist is from straight: sin J5 where its axes stand at right angles.

    It is the volume spanned by the axes of the last three joints, with a sign; None for an arm
    without six axes or whose last three joints do not all turn. ``J`` (..., 6, axes).
    """
    if arm.axes != 6 or not arm.joints.turning[3:].all():
        return None
    return np.asarray(np.linalg.det(J[..., :3, 3:]))
