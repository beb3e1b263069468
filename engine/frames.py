"""Rigid transforms: ``a_T_b`` maps coordinates in frame b into frame a, so neighbours cancel.

Transforms are float arrays of shape (..., 4, 4), lengths in [mm]. A small displacement of a
transform is ``xi = [rx, ry, rz, tx, ty, tz]`` in [rad, mm] on the axes of the first-named frame:
``displaced(T, xi) = [Exp(r) R | t + dt]``. Covariances use the same order everywhere.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .arrays import Array
from .errors import StationbookError

AXES = ("X", "Y", "Z")  # of a frame, as pendants name them
NOT_ZERO = 1e-300  # [rad²] keeps sin θ/θ at θ = 0 from being 0/0, and changes no other value
GIMBAL_LOCK = 1e-9  # [-] size under which rounding decides how the outer angles share the turn
ROTATION_TOLERANCE = 1e-6  # [-] largest entry of RᵀR − I that rounding in double precision explains


def transform(R: ArrayLike, t: ArrayLike) -> Array:
    """Join rotations (..., 3, 3) and translations (..., 3) [mm] into transforms (..., 4, 4)."""
    R, t = np.asarray(R, float), np.asarray(t, float)
    shape = R.shape[:-2]
    if shape != t.shape[:-1]:
        shape = np.broadcast_shapes(shape, t.shape[:-1])
    T = np.zeros((*shape, 4, 4))
    T[..., :3, :3] = R
    T[..., :3, 3] = t
    T[..., 3, 3] = 1.0
    return T


def checked_transform(T: ArrayLike, name: str = "transform") -> Array:
    """Return ``T`` as a float array after checking that it is one rigid transform (4, 4).

    Raises StationbookError with the value that broke the rule.
    """
    T = np.asarray(T, float)
    if T.shape != (4, 4):
        raise StationbookError(f"{name}: expected shape (4, 4), got {T.shape}")
    if not np.isfinite(T).all():
        raise StationbookError(f"{name}: contains a value that is not a finite number")
    R = T[:3, :3]
    off = float(np.abs(R.T @ R - np.eye(3)).max())
    if off > ROTATION_TOLERANCE or np.linalg.det(R) < 0 or (T[3] != (0, 0, 0, 1)).any():
        raise StationbookError(
            f"{name}: not a rigid transform (rotation part is off by {off:.2g})",
            "Look for a mistyped digit in the matrix.",
        )
    return T


def rigid(T: Array) -> NDArray[np.bool_]:
    """Tell which transforms (..., 4, 4) are rigid ones, with finite numbers."""
    R = T[..., :3, :3]
    with np.errstate(invalid="ignore", over="ignore"):
        off = np.abs(np.swapaxes(R, -1, -2) @ R - np.eye(3)).max(axis=(-1, -2))
        turned = (off <= ROTATION_TOLERANCE) & (np.linalg.det(R) > 0)
    whole = np.isfinite(T).all(axis=(-1, -2)) & (T[..., 3, :] == (0, 0, 0, 1)).all(axis=-1)
    return np.asarray(whole & turned)


def inverse(T: ArrayLike) -> Array:
    """Return ``b_T_a`` for ``a_T_b``, shape (..., 4, 4)."""
    T = np.asarray(T, float)
    R_t = np.swapaxes(T[..., :3, :3], -1, -2)
    return transform(R_t, -(R_t @ T[..., :3, 3:])[..., 0])


def apply(T: ArrayLike, points: ArrayLike) -> Array:
    """Map points (..., n, 3) [mm] from the second-named frame of ``T`` into the first."""
    T, points = np.asarray(T, float), np.asarray(points, float)
    return np.asarray(points @ np.swapaxes(T[..., :3, :3], -1, -2) + T[..., None, :3, 3])


def skew(v: ArrayLike) -> Array:
    """Return the matrices (..., 3, 3) with ``skew(v) @ w = v × w``."""
    v = np.asarray(v, float)
    return (v @ _CROSS).reshape(*v.shape, 3)


def cross(v: ArrayLike, w: ArrayLike) -> Array:
    """Return v × w (..., 3): a tenth of the time of `numpy.cross` where there are few."""
    return np.asarray((skew(v) @ np.asarray(w, float)[..., None])[..., 0])


# Row k: the matrix, row by row, whose columns are e_k × e_j.
_EYE = np.eye(3)
_CROSS = np.swapaxes(np.cross(_EYE[:, None], _EYE), 1, 2).reshape(3, 9)


def rotation_exp(r: ArrayLike) -> Array:
    """Return the rotations (..., 3, 3) of the rotation vectors ``r`` (..., 3) [rad].

    Exp(r) = I + sin θ/θ [r]x + (1 − cos θ)/θ² [r]x² with θ = |r| (Rodrigues' formula).
    """
    r = np.asarray(r, float)
    angle = np.sqrt(np.einsum("...i,...i->...", r, r) + NOT_ZERO)[..., None, None]
    S, half = skew(r), np.sin(0.5 * angle) / angle
    return np.asarray(_EYE + np.sin(angle) / angle * S + 2.0 * half * half * (S @ S))


def rotation_log(R: ArrayLike) -> Array:
    """Return the rotation vectors (..., 3) [rad] of the rotations ``R`` (..., 3, 3)."""
    q = quaternion_xyzw(R)
    size = np.sqrt(np.einsum("...i,...i->...", q[..., :3], q[..., :3]) + NOT_ZERO)
    return np.asarray(q[..., :3] * (2.0 * np.arctan2(size, q[..., 3]) / size)[..., None])


def quaternion_xyzw(R: ArrayLike) -> Array:
    """Return the unit quaternions (..., 4) x y z w, with w >= 0, of rotations (..., 3, 3).

    The entries of 4 q qᵀ are sums of those of R; its row with the largest diagonal entry loses
    nothing to rounding (Shepperd 1978).
    """
    R = np.asarray(R, float)
    Q = (R.reshape(-1, 9) @ _SQUARES + _EYE_4).reshape(-1, 4, 4)
    q = Q[np.arange(len(Q)), Q.diagonal(axis1=1, axis2=2).argmax(axis=1)]
    q /= np.copysign(np.sqrt((q * q).sum(axis=1)), q[:, 3])[:, None]
    return np.asarray(q.reshape(*R.shape[:-2], 4))


def _squares() -> Array:
    """Return what each entry of R, row by row, adds to the entries of 4 q qᵀ − I, (9, 16)."""
    adds = np.zeros((3, 3, 4, 4))
    for i, j in np.ndindex(3, 3):
        if i == j:
            adds[i, i] = np.diag([1.0 if k in (i, 3) else -1.0 for k in range(4)])
        else:
            k = 3 - i - j
            adds[i, j, (i, j), (j, i)] = 1.0
            adds[i, j, (k, 3), (3, k)] = 1.0 if (i - j) % 3 == 1 else -1.0
    return adds.reshape(9, 16)


_SQUARES = _squares()
_EYE_4 = np.eye(4).ravel()


def rotation_of(q: ArrayLike) -> Array:
    """Return the rotations (..., 3, 3) of the quaternions ``q`` (..., 4) x y z w, not zero."""
    q = np.asarray(q, float)
    unit = np.asarray(q / np.linalg.norm(q, axis=-1, keepdims=True))
    S = skew(unit[..., :3])
    return np.asarray(np.eye(3) + 2.0 * (unit[..., 3, None, None] * S + S @ S))


def turns(axes: str, angles: ArrayLike) -> Array:
    """Return the rotations (..., 3, 3) of ``angles`` (..., k) [rad] about k of the axes x y z.

    Each turn is about the axis as the earlier ones have moved it; about fixed axes is the same in
    the other order.
    """
    angles = np.asarray(angles, float)
    cos, sin = np.cos(angles), np.sin(angles)
    R = np.eye(3)
    for k, axis in enumerate(axes):
        i = "xyz".index(axis)
        j, m = (i + 1) % 3, (i + 2) % 3
        turn = np.zeros((*angles.shape[:-1], 3, 3))
        turn[..., i, i] = 1.0
        turn[..., j, j] = turn[..., m, m] = cos[..., k]
        turn[..., m, j], turn[..., j, m] = sin[..., k], -sin[..., k]
        R = R @ turn
    return R


def turn_angles(axes: str, R: Array) -> Array:
    """Return the angles (3,) [rad] with ``turns(axes, angles)`` equal to the rotation ``R`` (3, 3).

    The middle one lies in [0, π] where the outer axes are the same, in [−π/2, π/2] otherwise. In
    gimbal lock the last one is 0. The last angle is read off the row of the first axis, which the
    first turn leaves alone; undone, it leaves two turns that can be read off at any pose.
    """
    i, j, last = ("xyz".index(axis) for axis in axes)
    k = 3 - i - j
    sign = 1.0 if (j - i) % 3 == 1 else -1.0
    row = R[i]
    if np.hypot(row[j], row[i if last == k else k]) < GIMBAL_LOCK:
        c = 0.0
    elif last == k:
        c = np.arctan2(-sign * row[j], row[i])
    else:
        c = np.arctan2(row[j], sign * row[k])
    M = R @ turns(axes[2], [-c])
    a = np.arctan2(sign * M[k, j], M[j, j])
    b = np.arctan2(sign * M[i, k], M[i, i])
    return np.array([a, b, c])


def displaced(T: ArrayLike, xi: ArrayLike) -> Array:
    """Return ``[Exp(r) R | t + dt]`` for displacements ``xi`` (..., 6) [rad, mm]."""
    T, xi = np.asarray(T, float), np.asarray(xi, float)
    return transform(rotation_exp(xi[..., :3]) @ T[..., :3, :3], T[..., :3, 3] + xi[..., 3:])


def displacement(new: ArrayLike, old: ArrayLike) -> Array:
    """Return ``xi`` (..., 6) [rad, mm] such that ``displaced(old, xi)`` equals ``new``."""
    new, old = np.asarray(new, float), np.asarray(old, float)
    R = new[..., :3, :3] @ np.swapaxes(old[..., :3, :3], -1, -2)
    return np.concatenate([rotation_log(R), new[..., :3, 3] - old[..., :3, 3]], axis=-1)


def point_rows(transform: Array, points: Array) -> Array:
    """Return the derivative (n, 3, 6) of ``transform`` · points by the transform's displacement."""
    J = np.zeros((len(points), 3, 6))
    J[:, :, :3] = -skew(points @ transform[:3, :3].T)
    J[:, :, 3:] = np.eye(3)
    return J


def rotation_angle(R: ArrayLike) -> Array:
    """Return the angles (...) [rad, 0 to pi] of the rotations ``R`` (..., 3, 3)."""
    return np.asarray(np.linalg.norm(rotation_log(R), axis=-1))


def from_position_quaternion(values: ArrayLike) -> Array:
    """Return the transform (4, 4) of ``[x, y, z, qx, qy, qz, qw]`` [mm]; the quaternion is normed.

    Raises StationbookError for a wrong length, a value that is not finite or a zero quaternion.
    """
    values = np.asarray(values, float)
    if values.shape != (7,):
        raise StationbookError(f"expected 7 numbers x y z qx qy qz qw, got {values.size}")
    for name, value in zip(("x", "y", "z", "qx", "qy", "qz", "qw"), values, strict=True):
        if not np.isfinite(value):
            raise StationbookError(f"{name} is {value}, not a finite number", "Give a number.")
    norm = float(np.linalg.norm(values[3:]))
    if abs(norm - 1.0) > 0.01:  # 1 %: more is no rounding
        raise StationbookError(
            f"the quaternion's length is {norm:.4g}", "A rotation quaternion has length 1."
        )
    return transform(rotation_of(values[3:]), values[:3])


def mean_rotation(R: ArrayLike) -> Array:
    """Return the rotation (3, 3) with the least squared chordal distance to ``R`` (n, 3, 3)."""
    return proper(np.asarray(R, float).mean(axis=0))


def proper(M: Array) -> Array:
    """Return the rotations (..., 3, 3) nearest to the matrices ``M`` in the Frobenius norm."""
    U, _, Vt = np.linalg.svd(M)
    U = U.copy()
    U[..., :, 2] *= np.sign(np.linalg.det(U @ Vt))[..., None]
    return np.asarray(U @ Vt)


def straight(start: Array, end: Array, steps: int) -> Array:
    """Return ``steps`` poses (steps, 4, 4) after ``start`` on the straight way to ``end``.

    Position and rotation move evenly; the last pose is ``end``.
    """
    share = np.linspace(0.0, 1.0, steps + 1)[1:, None]
    turn = rotation_log(end[:3, :3] @ start[:3, :3].T)
    R = rotation_exp(share * turn) @ start[:3, :3]
    return transform(R, start[:3, 3] + share * (end[:3, 3] - start[:3, 3]))
