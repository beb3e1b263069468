"""Closed-form transforms from ``camera · view = G · board``, many subsets of stations at once.

Rotations from the Kronecker product of both sides (Shah 2013), which holds for motions of any
angle, 180° included. Where the turns share one axis that product leaves the turn about it open:
then the axis is aligned, and the turn about it follows from the positions. Pure shifts align the
directions of travel. Positions by ridge least squares.
"""

from __future__ import annotations

import numpy as np

from ..frames import Array, skew, transform

RIDGE = 1e-7  # [-] per station; fixes what the positions leave open without moving what they tell


def transforms_from(G: Array, view: Array) -> tuple[Array, Array]:
    """Return camera and board (3·h, 4, 4) for subsets ``G``, ``view`` (h, n, 4, 4).

    Three candidates per subset: any motion, one axis of rotation, pure shifts.
    """
    turns = [_by_kronecker(G, view), *_by_axis(G, view)]
    found = [_placed(G, view, R) for R in turns]
    return np.concatenate([c for c, _ in found]), np.concatenate([b for _, b in found])


def proper(M: Array) -> Array:
    """Return the rotations (..., 3, 3) nearest to the matrices ``M`` in the Frobenius norm."""
    U, _, Vt = np.linalg.svd(M)
    U = U.copy()
    U[..., :, 2] *= np.sign(np.linalg.det(U @ Vt))[..., None]
    nearest: Array = U @ Vt
    return nearest


def _by_kronecker(G: Array, view: Array) -> Array:
    """Return the camera's rotation (h, 3, 3): the leading singular vector (Shah 2013, eq. 20)."""
    R_g, R_v = G[..., :3, :3], view[..., :3, :3]
    K = np.einsum("hnij,hnkl->hjlik", R_g, R_v).reshape(-1, 9, 9)  # vec board = K · vec camera
    leading = np.linalg.svd(K)[2][:, 0].reshape(-1, 3, 3)
    sign = np.where(np.linalg.det(leading) < 0, -1.0, 1.0)
    return proper(leading * sign[:, None, None])


def _by_axis(G: Array, view: Array) -> tuple[Array, Array]:
    """Return the camera's rotation from one shared axis, and from directions of travel."""
    axis_g, axis_v = _turn_vectors(G), _turn_vectors(view)
    aligned = _procrustes(axis_g, axis_v)
    axis = _leading(axis_g)
    about = _about_axis(G, view, aligned, axis)
    travel = _procrustes(_centred(G), _centred(view))
    return about, travel


def _turn_vectors(T: Array) -> Array:
    """Return axis · sin(angle) (h, n, 3) of each rotation against the subset's first."""
    R = T[..., :3, :3] @ np.swapaxes(T[:, :1, :3, :3], -1, -2)
    skewed = R - np.swapaxes(R, -1, -2)
    return 0.5 * np.stack([skewed[..., 2, 1], skewed[..., 0, 2], skewed[..., 1, 0]], axis=-1)


def _centred(T: Array) -> Array:
    t = T[..., :3, 3]
    return np.asarray(t - t.mean(axis=1, keepdims=True))


def _procrustes(a: Array, b: Array) -> Array:
    """Return the rotations (h, 3, 3) that bring ``b`` (h, n, 3) nearest to ``a``."""
    return proper(np.swapaxes(a, 1, 2) @ b)


def _leading(vectors: Array) -> Array:
    """Return the direction (h, 3) in which the vectors (h, n, 3) spread most."""
    moments = np.swapaxes(vectors, 1, 2) @ vectors
    return np.asarray(np.linalg.eigh(moments)[1][:, :, 2])


def _about_axis(G: Array, view: Array, R: Array, n: Array) -> Array:
    """Return R turned about ``n`` (h, 3) so that the positions agree best.

    With v = R · view position, the camera's turn enters as c·v⊥ + s·(n × v): linear in (c, s).
    """
    v = np.einsum("hij,hnj->hni", R, view[..., :3, 3])
    along = np.einsum("hi,hni->hn", n, v)[..., None] * n[:, None]
    columns = [(v - along)[..., None], np.cross(n[:, None], v)[..., None], _position_rows(G)]
    solved = _ridge(np.concatenate(columns, axis=-1), G[..., :3, 3] - along)
    angle = np.arctan2(solved[:, 1], solved[:, 0])
    N = skew(n)
    sin, cos = np.sin(angle)[:, None, None], np.cos(angle)[:, None, None]
    return np.asarray((np.eye(3) + sin * N + (1 - cos) * (N @ N)) @ R)


def _position_rows(G: Array) -> Array:
    """Return rows (h, n, 3, 6) of the two positions: camera − G_rotation · board."""
    rows = np.empty((*G.shape[:2], 3, 6))
    rows[..., :3] = np.eye(3)
    rows[..., 3:] = -G[..., :3, :3]
    return rows


def _ridge(rows: Array, value: Array) -> Array:
    """Return the least-squares unknowns (h, k) of rows (h, n, 3, k) and values (h, n, 3)."""
    h, n, _, k = rows.shape
    A, b = rows.reshape(h, 3 * n, k), value.reshape(h, 3 * n, 1)
    M = np.swapaxes(A, 1, 2) @ A
    size = np.sqrt(np.maximum(np.einsum("hii->hi", M), 1e-12))
    M = M / (size[:, :, None] * size[:, None, :]) + RIDGE * np.eye(k)
    right = (np.swapaxes(A, 1, 2) @ b)[..., 0] / size
    return np.asarray(np.linalg.solve(M, right[..., None])[..., 0] / size)


def _placed(G: Array, view: Array, R: Array) -> tuple[Array, Array]:
    """Return both transforms for the camera's rotation ``R`` (h, 3, 3)."""
    both = np.swapaxes(G[..., :3, :3], -1, -2) @ R[:, None] @ view[..., :3, :3]
    R_board = proper(both.sum(axis=1))
    value = np.einsum("hij,hnj->hni", R, view[..., :3, 3]) - G[..., :3, 3]
    solved = _ridge(_position_rows(G), -value)
    return transform(R, solved[:, :3]), transform(R_board, solved[:, 3:])
