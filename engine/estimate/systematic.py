"""The part of the robot's error that comes back at every visit.

Where the arm's geometry is known, its errors are shared unknowns with a prior whose effect over the
workspace has the RMS ``accuracy_mm``: link lengths and joint zeros, and beside them a smooth random
field over the posture. That is made of axes that are not quite square or parallel, and of joints
that are off by one wave a turn, as gears run and arms sag. A share of ``accuracy_mm`` is neither
and never averages out. Where the geometry is not known, all of it is added to the pick in
quadrature (`result`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..cell.stations import Observation
from ..frames import cross, displacement
from ..robots.kinematics import Kinematics, kinematics
from ..robots.model import ASSUMED_ACCURACY_MM, Robot

LENGTH_MM = 0.15  # mm; with the next: links and zeros that give 0.5 mm mean error on a mid-size arm
ZERO_RAD = np.radians(0.02)  # [rad] both only fix the ratio: accuracy_mm sets the size
# The field: how far axes are off and joints run unevenly, in proportion to the zeros. Both are
# smaller than zeros, which a change of a motor leaves open (common practice, no source).
OF_THE_FIELD = ("axis ", "wave ")  # how the names of its parts begin
TILT_RAD, WAVE_RAD = ZERO_RAD / 2.0, ZERO_RAD / 4.0
# [-] of accuracy_mm: what no model of the arm explains. Calibrated arms keep a tenth to a quarter
# of what they were off before (common practice, no source).
UNEXPLAINED = 0.15
SAMPLES = 200  # arm postures over which accuracy_mm is the RMS; sampling error 4 %
SEED = 21  # any number: fixes the postures
FOLLOW_STEPS = 40  # steps from one posture to the others; 10 to 25 suffice within 60° per joint
FOLLOW_LEVER_MM = 400.0  # mm; makes a rotation error comparable with a position error
FOLLOW_DAMPING, LEAST_DAMPING = 0.1, 0.01  # [1/rad²], [mm²/rad²]; 0.005 to 0.5 end alike
FOLLOWED_MM = 0.01  # mm; below what any pendant shows
OPEN_LIFT_MM = 100.0  # mm; half the travel assumed of a lift whose limits are not given
PARALLEL = 1e-3  # [-, mm] below, two axes are parallel, or one
LEAST_RANGE = 1e-6  # [rad, mm] keeps a locked joint from dividing by zero


@dataclass(frozen=True, slots=True, eq=False)
class Systematic:
    """Systematic errors: ``names`` and prior standard deviations (p,) [rad, mm].

    ``accuracy_mm`` what the robot is said to be off; ``arm`` None where the geometry is not known
    (then p is 0).
    """

    names: tuple[str, ...]
    units: tuple[str, ...]
    sd: Array
    accuracy_mm: float
    arm: Kinematics | None

    @property
    def of_field(self) -> NDArray[np.bool_]:
        """Tell which of the errors (p,) are parts of the random field."""
        return np.array([name.startswith(OF_THE_FIELD) for name in self.names], bool)

    @property
    def of_joints(self) -> NDArray[np.bool_]:
        """Tell which of the errors (p,) are zeros of turning joints."""
        both = zip(self.names, self.units, strict=True)
        return np.array([name.startswith("zero ") and unit == "rad" for name, unit in both], bool)


NO_ARM = Systematic((), (), np.empty(0), ASSUMED_ACCURACY_MM, None)


@lru_cache(maxsize=16)
def systematic(robot: Robot | None, accuracy_mm: float | None = None) -> Systematic:
    """Return the prior of the systematic errors of ``robot``; the same object for an equal one.

    ``accuracy_mm``: what a robot that is not described is off; None: as assumed.
    """
    if robot is None:
        return NO_ARM if accuracy_mm is None else replace(NO_ARM, accuracy_mm=accuracy_mm)
    if robot.accuracy == 0.0 or not (robot.geometry_mm or robot.links):
        return Systematic((), (), np.empty(0), robot.accuracy, None)
    arm = kinematics(robot)
    own = [ZERO_RAD if unit == "rad" else LENGTH_MM for unit in arm.parameter_units]
    names, field = _field(arm)
    ratio = np.array([*own, *field])
    J = error_columns(arm, postures(arm))[:, 3:]
    rms = np.sqrt((J**2 @ ratio**2).sum(axis=1).mean())
    sd = ratio * robot.accuracy / rms
    units = (*arm.parameter_units, *("rad" for _ in names))
    return Systematic((*arm.parameter_names, *names), units, sd, robot.accuracy, arm)


def _field(arm: Kinematics) -> tuple[list[str], list[float]]:
    """Return names and sizes [rad] of the field's parts, in the order of `error_columns`."""
    names, sizes = list[str](), list[float]()
    for name, turning in zip(arm.joints.names, arm.joints.turning, strict=True):
        if turning:
            names += [f"axis {name} across", f"axis {name} along"]
            names += [f"wave {name}", f"wave {name} +90°"]
            sizes += [TILT_RAD, TILT_RAD, WAVE_RAD, WAVE_RAD]
    return names, sizes


def error_columns(arm: Kinematics, q: Array) -> Array:
    """Return the flange's displacement (n, 6, p) per systematic error at joint values (n, axes)."""
    T, J = arm.forward_and_jacobian(q)
    place, axes = T[:, :3, 3], np.swapaxes(J[:, :3], 1, 2)
    feet = place[:, None] - cross(np.swapaxes(J[:, 3:], 1, 2), axes)  # on each axis
    columns = [arm.parameter_jacobian(q)]
    for k in map(int, np.flatnonzero(arm.joints.turning)):
        across = _across(axes, feet, k)
        for turn in (across, cross(axes[:, k], across)):
            moved = cross(turn, place - feet[:, k])
            columns.append(np.concatenate([turn, moved], axis=1)[..., None])
        columns += [J[:, :, k : k + 1] * wave(q[:, k, None, None]) for wave in (np.sin, np.cos)]
    return np.concatenate(columns, axis=2)


def _across(axes: Array, feet: Array, k: int) -> Array:
    """Return a direction (n, 3) across axis ``k`` that is fixed in the link before it.

    Square to the axis before; where both are parallel, from one to the other.
    """
    before = axes[:, k - 1] if k else np.broadcast_to([1.0, 0.0, 0.0], (len(axes), 3))
    across = cross(axes[:, k], before)
    if k and np.linalg.norm(across, axis=1).max() < PARALLEL:
        gap = feet[:, k] - feet[:, k - 1]
        across = gap - axes[:, k] * (gap * axes[:, k]).sum(axis=1, keepdims=True)
    size = np.linalg.norm(across, axis=1, keepdims=True)
    return np.asarray(np.where(size > PARALLEL, across / np.maximum(size, PARALLEL), 0.0))


def flange_errors(
    model: Systematic,
    poses: Array,
    joints: list[Array | None] | None = None,
    near: Array | None = None,
) -> Array:
    """Return the flange's displacement (n, 6, p) per systematic error at ``poses`` (n, 4, 4).

    ``joints`` are used where they were typed; ``near`` (axes,) shows the arm's configuration. A
    pose that the arm cannot reach takes the derivative of the nearest one that it can; where there
    is none, all are zero.
    """
    if model.arm is None:
        return np.zeros((len(poses), 6, 0))
    q = postures_at(model.arm, poses, joints or [None] * len(poses), near)
    known = np.isfinite(q).all(axis=1)
    J = np.zeros((len(poses), 6, len(model.names)))
    if not known.any():
        return J
    J[known] = error_columns(model.arm, q[known])
    for row in np.flatnonzero(~known):
        gap = np.linalg.norm(poses[known, :3, 3] - poses[row, :3, 3], axis=1)
        J[row] = J[np.flatnonzero(known)[gap.argmin()]]
    return J


def typed_joints(observations: tuple[Observation, ...]) -> list[Array | None]:
    """Return the typed joints of each observation, or None."""
    return [seen.joints for seen in observations]


def postures_at(
    arm: Kinematics, poses: Array, joints: list[Array | None], near: Array | None = None
) -> Array:
    """Return one posture (n, axes) per pose, all in the same arm configuration; NaN: unreachable.

    The configuration is the one that ``near`` (axes,) shows, or else `usual_posture`: of each pose
    the posture nearest to that, and typed ones as typed.
    """
    seed = usual_posture(arm, poses, joints) if near is None else near
    if seed is None:
        return np.full((len(poses), arm.axes), np.nan)
    rows = _followed(arm, poses, seed)
    for index, typed in enumerate(joints):
        if typed is not None:
            rows[index] = typed
    left = np.flatnonzero(~np.isfinite(rows).all(axis=1))
    for row, options in zip(left, arm.branches_of(poses[left]), strict=True):
        if len(options):
            gap = 1.0 - np.cos((options - seed)[:, arm.joints.turning])
            rows[row] = options[gap.sum(axis=1).argmin()]
    return rows


def usual_posture(arm: Kinematics, poses: Array, joints: list[Array | None]) -> Array | None:
    """Return a posture (axes,) that shows how the arm visits ``poses``; None: it reaches none.

    Joints as typed, or else, at the reachable pose nearest the middle of all, those nearest to the
    middle of their limits.
    """
    typed = next((q for q in joints if q is not None), None)
    if typed is not None:
        return np.asarray(typed, float)
    away = np.linalg.norm(poses[:, :3, 3] - poses[:, :3, 3].mean(axis=0), axis=1)
    low, high = bounds(arm)
    for index in away.argsort():
        options = arm.branches_of(poses[index : index + 1])[0]
        if len(options):
            off = ((options - (low + high) / 2) / (high - low)) ** 2
            return np.asarray(options[off.sum(axis=1).argmin()])
    return None


def _followed(arm: Kinematics, poses: Array, seed: Array) -> Array:
    """Return postures (n, axes) of a chain, reached from ``seed`` step by step; NaN where it fails.

    Least squares on all poses at once, damped with the squared error so that the arm keeps its
    configuration (Sugihara 2011). Arms in closed form are not followed: their branches are exact
    and cheap.
    """
    if arm.robot.kind != "chain":
        return np.full((len(poses), arm.axes), np.nan)
    q, weight = np.tile(seed, (len(poses), 1)), np.repeat([FOLLOW_LEVER_MM, 1.0], 3)
    for _ in range(FOLLOW_STEPS):
        T, J = arm.forward_and_jacobian(q)
        error, A = displacement(poses, T) * weight, J * weight[:, None]
        size = np.linalg.norm(error, axis=1)
        if (size < FOLLOWED_MM).all():
            break
        damping = FOLLOW_DAMPING * size**2 + LEAST_DAMPING
        M = np.swapaxes(A, 1, 2) @ A + damping[:, None, None] * np.eye(arm.axes)
        q = q + np.linalg.solve(M, np.swapaxes(A, 1, 2) @ error[..., None])[..., 0]
    reached = np.linalg.norm(displacement(poses, arm.forward(q)) * weight, axis=1) < FOLLOWED_MM
    return np.where(reached[:, None], arm.joints.turned_towards(seed, q), np.nan)


def bounds(arm: Kinematics) -> tuple[Array, Array]:
    """Return the lowest and highest joint values (axes,), half a turn where no limit is given."""
    limits = arm.joints.limits
    open_end = np.where(arm.joints.turning, np.pi, OPEN_LIFT_MM)
    low = np.where(np.isfinite(limits[:, 0]), limits[:, 0], -open_end)
    high = np.where(np.isfinite(limits[:, 1]), limits[:, 1], open_end)
    return low, np.maximum(high, low + LEAST_RANGE)


def postures(arm: Kinematics) -> Array:
    """Return postures (SAMPLES, axes) spread evenly over the joint limits."""
    rng = np.random.default_rng(SEED)
    low, high = bounds(arm)
    return np.asarray(low + (high - low) * rng.random((SAMPLES, arm.axes)))
