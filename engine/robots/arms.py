"""A serial arm as a product of elementary motions, and the arms that a cell can describe.

Every motion is a turn about, or a shift along, the local z axis of its frame:
``T = fixed[0] · motion(v[0]) · fixed[1] · motion(v[1]) · ... · fixed[m]``. The value of a motion is
linear in the model joint values and the parameters: ``v = joints @ theta + parameters @ p``, where
the parameters p are errors (zero on the nominal arm). A joint that moves two motions at once (the
linkage that holds a flange level) is therefore nothing special.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from ..arrays import Array
from ..frames import transform
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
        T = np.broadcast_to(self.fixed[0], (*theta.shape[:-1], 4, 4))
        found = np.empty_like(steps)
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
        shift = np.where(turning, np.cross(axis, arm), axis)
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
        self.place(transform(Rotation.from_euler(axis, constant).as_matrix(), np.zeros(3)))
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
LEVEL_KINDS = ("level-flange", "scara")  # the flange cannot tilt
SCARA_ERRORS = ("l1", "l2")  # z0 shifts the flange exactly as the zero of the lift does


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
    R = Rotation.from_euler("xyz", np.deg2rad(values[3:])).as_matrix()
    return transform(R, np.asarray(values[:3], float))
