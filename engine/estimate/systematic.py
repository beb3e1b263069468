"""The part of the robot's error that comes back at every visit: joint zeros and link lengths.

Where the arm's geometry is known, these errors are shared unknowns with a prior whose effect over
the workspace has the RMS ``accuracy_mm``. Where it is not, ``accuracy_mm`` is added to the pick in
quadrature (`pick`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..errors import StationbookError
from ..frames import Array
from ..robots.kinematics import Kinematics, kinematics
from ..robots.model import ASSUMED_ACCURACY_MM, Robot
from ..sessions.observations import Observation

LENGTH_MM = 0.15  # mm; with the next: links and zeros that give 0.5 mm mean error on a mid-size arm
ZERO_RAD = np.radians(0.02)  # [rad] both only fix the ratio: accuracy_mm sets the size
SAMPLES = 200  # arm postures over which accuracy_mm is the RMS; sampling error 4 %
SEED = 21  # any number: fixes the postures
OPEN_LIFT_MM = 100.0  # mm; half the travel assumed of a lift whose limits are not given
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


NO_ARM = Systematic((), (), np.empty(0), ASSUMED_ACCURACY_MM, None)


def systematic(robot: Robot | None) -> Systematic:
    """Return the prior of the systematic errors of ``robot``."""
    if robot is None:
        return NO_ARM
    if robot.accuracy == 0.0 or not (robot.geometry_mm or robot.links):
        return Systematic((), (), np.empty(0), robot.accuracy, None)
    arm = kinematics(robot)
    ratio = np.array([ZERO_RAD if unit == "rad" else LENGTH_MM for unit in arm.parameter_units])
    J = arm.parameter_jacobian(postures(arm))[:, 3:]
    rms = np.sqrt((J**2 @ ratio**2).sum(axis=1).mean())
    sd = ratio * robot.accuracy / rms
    return Systematic(arm.parameter_names, arm.parameter_units, sd, robot.accuracy, arm)


def flange_errors(
    model: Systematic, poses: Array, joints: list[Array | None] | None = None
) -> Array:
    """Return the flange's displacement (n, 6, p) per systematic error at ``poses`` (n, 4, 4).

    ``joints`` are used where they were typed. A pose that the arm cannot reach takes the derivative
    of the nearest one that it can; where there is none, all are zero.
    """
    if model.arm is None:
        return np.zeros((len(poses), 6, 0))
    q = postures_at(model.arm, poses, joints or [None] * len(poses))
    known = np.isfinite(q).all(axis=1)
    J = np.zeros((len(poses), 6, len(model.names)))
    if not known.any():
        return J
    J[known] = model.arm.parameter_jacobian(q[known])
    for row in np.flatnonzero(~known):
        gap = np.linalg.norm(poses[known, :3, 3] - poses[row, :3, 3], axis=1)
        J[row] = J[np.flatnonzero(known)[gap.argmin()]]
    return J


def typed_joints(observations: tuple[Observation, ...]) -> list[Array | None]:
    """Return the typed joints of each observation, or None."""
    return [seen.joints for seen in observations]


def postures_at(arm: Kinematics, poses: Array, joints: list[Array | None]) -> Array:
    """Return one posture (n, axes) per pose, all in the same arm configuration; NaN: unreachable.

    Of the configurations the one is taken that typed joints show, or else the one that keeps the
    joints nearest to the middle of their limits.
    """
    found = [_postures_of(arm, pose, q) for pose, q in zip(poses, joints, strict=True)]
    seeds = next((f for f, q in zip(found, joints, strict=True) if q is not None and len(f)), None)
    if seeds is None:
        seeds = max(found, key=len, default=np.empty((0, arm.axes)))
    rows = [_chain(found, seed) for seed in seeds]
    if not rows:
        return np.full((len(poses), arm.axes), np.nan)
    low, high = bounds(arm)
    costs = [np.nansum((row - (low + high) / 2) ** 2 / (high - low) ** 2) for row in rows]
    return rows[int(np.argmin(costs))]


def _chain(found: list[Array], seed: Array) -> Array:
    """Return the posture of each pose that is nearest to ``seed`` in all joints."""
    rows = np.full((len(found), len(seed)), np.nan)
    for index, options in enumerate(found):
        if len(options):
            gap = 1.0 - np.cos(options - seed)
            rows[index] = options[gap.sum(axis=1).argmin()]
    return rows


def _postures_of(arm: Kinematics, pose: Array, q: Array | None) -> Array:
    if q is not None:
        return np.asarray(q, float)[None]
    try:
        return arm.branches(pose, limited=False)
    except StationbookError:
        return np.empty((0, arm.axes))


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
