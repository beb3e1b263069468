"""The measurement equation of both mounts and its derivatives.

Eye-to-hand: base_T_camera · camera_T_board = base_T_flange · flange_T_board. Eye-in-hand:
base_T_flange · flange_T_camera · camera_T_board = base_T_board. With ``G`` = base_T_flange
(eye-in-hand: its inverse) both read ``camera · view = G · board``, where ``view`` is
camera_T_board. All displacements are [r, t] in [rad, mm] on the axes of the first-named frame.
"""

from __future__ import annotations

import numpy as np

from ..arrays import Array
from ..cell.cell import EYE_TO_HAND, Mount
from ..frames import inverse, skew


def related(mount: Mount, base_T_flange: Array) -> Array:
    """Return ``G`` (..., 4, 4): the flange pose, inverted for eye-in-hand."""
    return base_T_flange if mount == EYE_TO_HAND else inverse(base_T_flange)


def predicted_view(mount: Mount, camera: Array, base_T_flange: Array, board: Array) -> Array:
    """Return camera_T_board (..., 4, 4) for flange poses (..., 4, 4)."""
    view: Array = inverse(camera) @ related(mount, base_T_flange) @ board
    return view


def implied_flange(mount: Mount, camera: Array, view: Array, board: Array) -> Array:
    """Return base_T_flange (..., 4, 4) that explains the views (..., 4, 4)."""
    flange: Array = camera @ view @ inverse(board)
    return flange if mount == EYE_TO_HAND else inverse(flange)


def derivatives(
    mount: Mount, camera: Array, base_T_flange: Array, board: Array
) -> tuple[Array, Array, Array]:
    """Return the view's displacement (n, 6, 6) by the camera's, the board's and the flange's.

    ``base_T_flange`` (n, 4, 4). The three matrices belong to displacements of camera, board and
    base_T_flange, each on its own first-named axes.
    """
    R_x_t = camera[:3, :3].T
    G = related(mount, base_T_flange)
    lever = np.einsum("nij,j->ni", G[:, :3, :3], board[:3, 3]) + G[:, :3, 3] - camera[:3, 3]
    turned = R_x_t @ G[:, :3, :3]
    by_camera = _blocks(-np.broadcast_to(R_x_t, turned.shape), R_x_t @ skew(lever))
    by_board = _blocks(turned, np.zeros_like(turned))
    if mount == EYE_TO_HAND:
        arm = np.einsum("nij,j->ni", G[:, :3, :3], board[:3, 3])
        by_flange = _blocks(np.broadcast_to(R_x_t, turned.shape), -R_x_t @ skew(arm))
    else:
        by_flange = _blocks(-turned, turned @ skew(board[:3, 3] - base_T_flange[:, :3, 3]))
    return by_camera, by_board, by_flange


def _blocks(rotation: Array, mixed: Array) -> Array:
    """Return [[rotation, 0], [mixed, rotation]] (n, 6, 6)."""
    J = np.zeros((len(rotation), 6, 6))
    J[:, :3, :3] = J[:, 3:, 3:] = rotation
    J[:, 3:, :3] = mixed
    return J


def point_rows(transform: Array, points: Array) -> Array:
    """Return the derivative (n, 3, 6) of ``transform`` · points by the transform's displacement."""
    J = np.zeros((len(points), 3, 6))
    J[:, :, :3] = -skew(points @ transform[:3, :3].T)
    J[:, :, 3:] = np.eye(3)
    return J
