"""Damped least squares towards a pose: the one numerical inverse, for searching and for following.

Loss of a posture: the squared distance [mm²] of its flange from the wanted pose plus the squared
angle times the square of a lever [mm]. Each step solves (JᵀJ + λ · lever² · I) · step = Jᵀ · error
on the analytic Jacobian (Levenberg 1944, Marquardt 1963); λ falls tenfold after a step that lowers
the loss and rises tenfold after one that does not, which is not taken. Limits are bounds: a joint
that stands at one and would be driven beyond it is held (projected steps, Moré 1978). Stacks of
small matrices are faster by an order of magnitude than one solver call per posture.
"""

from __future__ import annotations

import numpy as np

from ..arrays import Array
from ..frames import displacement, rotation_angle, straight
from .forward import Forward

LEVER_MM = 500.0  # [mm] weight of an angle of 1 rad: the size of a middle-sized arm
FIRST_DAMPING = 1e-3  # [-] λ of the first step: cautious enough to keep the arm's configuration
EASIEST, HARDEST = 1e-10, 1e3  # [-] least and largest λ
FOUND_MM = 1e-6  # [mm] root of the loss under which a posture holds the pose: rounding
DONE_MM = 0.01 * FOUND_MM  # [mm] where a posture is no longer improved

STEP_MM, STEP_RAD = 200.0, np.radians(40.0)  # between poses on a way: each starts the next
ON_THE_WAY, AT_THE_END = 3, 10  # [-] steps; quadratic convergence needs 4 to 6
AT_ONCE = 16  # [-] steps without poses on the way
HELD_MM = 1e-3  # [mm] root of the loss under which a jog would call the pose held


def improved(
    arm: Forward,
    T: Array,
    q: Array,
    steps: int,
    *,
    lever_mm: float = LEVER_MM,
    bounds: tuple[Array, Array] | None = None,
    done_mm: float = DONE_MM,
) -> tuple[Array, Array]:
    """Return postures ``q`` (k, n) after ``steps`` towards ``T``, and the loss (k,) [mm²] left.

    ``T`` (4, 4) is one pose for all, or (k, 4, 4) one for each. ``bounds``: the least and largest
    shown values (n,) [rad, mm]; None: any. ``done_mm``: root of the loss that is good enough.
    """
    weight = np.array([lever_mm] * 3 + [1.0] * 3)
    scale = np.where(arm.joints.turning, 1.0, lever_mm)
    q, T = q.copy(), np.broadcast_to(T, (len(q), 4, 4))
    damping = np.full(len(q), FIRST_DAMPING)
    error, J = _state(arm, q, T, weight, scale)
    loss = (error**2).sum(axis=1)
    for _ in range(steps):
        rows = np.flatnonzero(loss >= done_mm**2)
        if not len(rows):
            break
        free = J[rows] if bounds is None else _held_back(q[rows], J[rows], error[rows], bounds)
        tried = q[rows] + scale * _step(free, error[rows], damping[rows] * lever_mm**2)
        tried = tried if bounds is None else np.clip(tried, *bounds)
        tried_error, tried_J = _state(arm, tried, T[rows], weight, scale)
        tried_loss = (tried_error**2).sum(axis=1)
        better = tried_loss < loss[rows]
        damping[rows] = (damping[rows] * np.where(better, 0.1, 10.0)).clip(EASIEST, HARDEST)
        won = rows[better]
        q[won], loss[won] = tried[better], tried_loss[better]
        error[won], J[won] = tried_error[better], tried_J[better]
    return q, loss


def _state(arm: Forward, q: Array, T: Array, weight: Array, scale: Array) -> tuple[Array, Array]:
    pose, J = arm.forward_and_jacobian(q)
    return displacement(T, pose) * weight, J * weight[:, None] * scale


def _held_back(q: Array, J: Array, error: Array, bounds: tuple[Array, Array]) -> Array:
    """Return ``J`` (k, 6, n) without the joints that stand at a bound and would go beyond it."""
    downhill = np.einsum("kij,ki->kj", J, error)
    blocked = ((q <= bounds[0]) & (downhill < 0)) | ((q >= bounds[1]) & (downhill > 0))
    return np.asarray(np.where(blocked[:, None, :], 0.0, J))


def _step(J: Array, error: Array, damping: Array) -> Array:
    J_t = np.swapaxes(J, -1, -2)
    normal = J_t @ J + damping[:, None, None] * np.eye(J.shape[-1])
    return np.asarray(np.linalg.solve(normal, J_t @ error[..., None])[..., 0], float)


def led(arm: Forward, seeds: Array, start: Array, end: Array) -> Array:
    """Return postures (k, n) at ``end`` (4, 4), led from ``seeds`` (k, n) at ``start`` as by a jog.

    Improved at poses along the straight way, so that the arm keeps its configuration; without
    regard to limits. NaN where the arm does not get there.
    """
    shift = float(np.linalg.norm(end[:3, 3] - start[:3, 3])) / STEP_MM
    turn = float(rotation_angle(end[:3, :3] @ start[:3, :3].T)) / STEP_RAD
    *way, last = straight(start, end, int(np.ceil(max(shift, turn, 1.0))))
    q = seeds
    for pose in way:
        q, _ = improved(arm, pose, q, ON_THE_WAY, done_mm=HELD_MM)
    return _held(arm, *improved(arm, last, q, AT_THE_END, done_mm=HELD_MM))


def reached(arm: Forward, seed: Array, poses: Array) -> Array:
    """Return postures (k, n) at ``poses`` (k, 4, 4), all at once from ``seed``; NaN: not found.

    A first look at many poses: the arm may have changed its configuration on the way.
    """
    seeds = np.tile(seed, (len(poses), 1))
    return _held(arm, *improved(arm, poses, seeds, AT_ONCE, done_mm=HELD_MM))


def _held(arm: Forward, q: Array, loss: Array) -> Array:
    return np.asarray(np.where((loss < HELD_MM**2)[:, None], arm.joints.centred(q), np.nan))
