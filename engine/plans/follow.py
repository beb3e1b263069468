"""Leading a chain arm from a known posture to another pose, as a jog would."""

from __future__ import annotations

import numpy as np

from ..arrays import Array
from ..frames import displacement, rotation_angle
from ..robots.kinematics import Kinematics
from .keep_out import straight

STEP_MM, STEP_RAD = (
    200.0,
    np.radians(40.0),
)  # between the poses on the way: one posture starts the next
ON_THE_WAY, AT_THE_END = 3, 10  # least-squares steps; quadratic convergence needs 4 to 6
AT_ONCE = 16  # steps without poses on the way
LEVER_MM = 500.0  # mm; weight of an angle of 1 rad: the size of a middle-sized arm
DAMPING = 1e-9  # [-] least damping in units of the squared lever
HELD_MM = 1e-3  # mm; misfit under which the pose is held: far below any jog


def led(arm: Kinematics, seeds: Array, start: Array, end: Array) -> Array:
    """Return postures (k, axes) at ``end`` (4, 4), led from ``seeds`` (k, axes) at ``start``.

    Least squares at poses along the straight way, damped with the squared misfit so that the arm
    keeps its configuration (Sugihara 2011). NaN where the arm does not get there.
    """
    shift = float(np.linalg.norm(end[:3, 3] - start[:3, 3])) / STEP_MM
    turn = float(rotation_angle(end[:3, :3] @ start[:3, :3].T)) / STEP_RAD
    way = straight(start, end, int(np.ceil(max(shift, turn, 1.0))))
    q, size = seeds, np.full(len(seeds), np.inf)
    for number, pose in enumerate(way, start=1):
        for _ in range(AT_THE_END if number == len(way) else ON_THE_WAY):
            q, size = _improved(arm, q, pose)
            if (size < HELD_MM).all():
                break
    return np.asarray(np.where((size < HELD_MM)[:, None], arm.joints.centred(q), np.nan))


def reached(arm: Kinematics, seed: Array, poses: Array) -> Array:
    """Return postures (n, axes) at ``poses`` (n, 4, 4), all at once from ``seed``; NaN: not found.

    A first look at many poses: the arm may have changed its configuration on the way.
    """
    q = np.tile(seed, (len(poses), 1))
    size = np.full(len(poses), np.inf)
    for _ in range(AT_ONCE):
        open_ = size >= HELD_MM
        if not open_.any():
            break
        q[open_], size[open_] = _improved(arm, q[open_], poses[open_])
    return np.asarray(np.where((size < HELD_MM)[:, None], arm.joints.centred(q), np.nan))


def _improved(arm: Kinematics, q: Array, pose: Array) -> tuple[Array, Array]:
    """Return ``q`` (k, axes) after a step towards ``pose``, and the misfit (k,) before it [mm]."""
    weight = np.array([LEVER_MM] * 3 + [1.0] * 3)
    scale = np.where(arm.joints.turning, 1.0, LEVER_MM)
    T, J = arm.forward_and_jacobian(q)
    error = displacement(np.broadcast_to(pose, T.shape), T) * weight
    A = J * weight[:, None] * scale
    size = (error**2).sum(axis=1)
    damping = np.minimum(size, 0.01 * LEVER_MM**2) * 0.1 + DAMPING * LEVER_MM**2
    normal = np.swapaxes(A, 1, 2) @ A + damping[:, None, None] * np.eye(arm.axes)
    step = np.linalg.solve(normal, np.swapaxes(A, 1, 2) @ error[..., None])[..., 0]
    return q + step * scale, np.sqrt(size)
