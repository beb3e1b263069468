"""Rigid transforms: ``a_T_b`` maps coordinates in frame b into frame a, so neighbours cancel.

Transforms are float arrays of shape (..., 4, 4), lengths in [mm]. A small displacement of a
transform is ``xi = [rx, ry, rz, tx, ty, tz]`` in [rad, mm] on the axes of the first-named frame:
``displaced(T, xi) = [Exp(r) R | t + dt]``. Covariances use the same order everywhere.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial.transform import Rotation

from .arrays import Array
from .errors import StationbookError

AXES = ("X", "Y", "Z")  # of a frame, as pendants name them
ROTATION_TOLERANCE = 1e-6  # [-] largest entry of RᵀR − I that rounding in double precision explains


def transform(R: ArrayLike, t: ArrayLike) -> Array:
    """Join rotations (..., 3, 3) and translations (..., 3) [mm] into transforms (..., 4, 4)."""
    R, t = np.asarray(R, float), np.asarray(t, float)
    shape = np.broadcast_shapes(R.shape[:-2], t.shape[:-1])
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


def inverse(T: ArrayLike) -> Array:
    """Return ``b_T_a`` for ``a_T_b``, shape (..., 4, 4)."""
    T = np.asarray(T, float)
    R_t = np.swapaxes(T[..., :3, :3], -1, -2)
    return transform(R_t, -np.einsum("...ij,...j->...i", R_t, T[..., :3, 3]))


def apply(T: ArrayLike, points: ArrayLike) -> Array:
    """Map points (..., n, 3) [mm] from the second-named frame of ``T`` into the first."""
    T, points = np.asarray(T, float), np.asarray(points, float)
    return np.asarray(points @ np.swapaxes(T[..., :3, :3], -1, -2) + T[..., None, :3, 3])


def skew(v: ArrayLike) -> Array:
    """Return the matrices (..., 3, 3) with ``skew(v) @ w = v × w``."""
    v = np.asarray(v, float)
    S = np.zeros((*v.shape[:-1], 3, 3))
    S[..., 0, 1], S[..., 0, 2], S[..., 1, 2] = -v[..., 2], v[..., 1], -v[..., 0]
    return S - np.swapaxes(S, -1, -2)


def rotation_exp(r: ArrayLike) -> Array:
    """Return the rotations (..., 3, 3) of the rotation vectors ``r`` (..., 3) [rad]."""
    r = np.asarray(r, float)
    return Rotation.from_rotvec(r.reshape(-1, 3)).as_matrix().reshape(*r.shape[:-1], 3, 3)


def rotation_log(R: ArrayLike) -> Array:
    """Return the rotation vectors (..., 3) [rad] of the rotations ``R`` (..., 3, 3)."""
    R = np.asarray(R, float)
    return Rotation.from_matrix(R.reshape(-1, 3, 3)).as_rotvec().reshape(*R.shape[:-2], 3)


def displaced(T: ArrayLike, xi: ArrayLike) -> Array:
    """Return ``[Exp(r) R | t + dt]`` for displacements ``xi`` (..., 6) [rad, mm]."""
    T, xi = np.asarray(T, float), np.asarray(xi, float)
    return transform(rotation_exp(xi[..., :3]) @ T[..., :3, :3], T[..., :3, 3] + xi[..., 3:])


def displacement(new: ArrayLike, old: ArrayLike) -> Array:
    """Return ``xi`` (..., 6) [rad, mm] such that ``displaced(old, xi)`` equals ``new``."""
    new, old = np.asarray(new, float), np.asarray(old, float)
    R = new[..., :3, :3] @ np.swapaxes(old[..., :3, :3], -1, -2)
    return np.concatenate([rotation_log(R), new[..., :3, 3] - old[..., :3, 3]], axis=-1)


def rotation_angle(R: ArrayLike) -> Array:
    """Return the angles (...) [rad, 0 to pi] of the rotations ``R`` (..., 3, 3)."""
    return np.asarray(np.linalg.norm(rotation_log(R), axis=-1))


def quaternion_xyzw(R: ArrayLike) -> Array:
    """Return the unit quaternion (4,) x y z w, with w >= 0, of one rotation (3, 3)."""
    return Rotation.from_matrix(np.asarray(R, float)).as_quat(canonical=True)


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
    return transform(Rotation.from_quat(values[3:]).as_matrix(), values[:3])


def mean_rotation(R: ArrayLike) -> Array:
    """Return the rotation (3, 3) with the least squared chordal distance to ``R`` (n, 3, 3)."""
    return Rotation.from_matrix(np.asarray(R, float)).mean().as_matrix()


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
