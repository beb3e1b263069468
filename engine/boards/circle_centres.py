"""The image of a circle's centre is not the centre of the circle's image.

Perspective puts the nearer half of a tilted circle on more pixels than the farther one, so the
centre of gravity of its image lies nearer to the camera than the image of its centre (Heikkilä
2000; Mallon & Whelan 2007). With the pose known, the difference can be computed and taken off.
"""

from __future__ import annotations

import numpy as np

from ..arrays import Array
from ..camera.lens import Lens, project
from ..camera.model import Camera
from ..frames import apply
from .pattern import Board

RIM_POINTS = 24  # on each circle; the integrals converge faster than any power of it


def centre_shift_px(camera_T_board: Array, board: Board, camera: Camera | Lens) -> Array:
    """Return by how much (count, 2) [px] the circles' images lie off the images of their centres.

    Subtract it from measured centres of gravity. Zero for boards without circles. The centre of
    gravity is computed from the projected rim by Green's theorem, C = ∮ u² dv / 2A and likewise v,
    A = ∮ u dv; the rim is periodic and smooth, so the sums over equal steps with derivatives by
    the Fourier transform are exact to rounding, lens distortion included.
    """
    points = board.points()
    if board.diameter_mm is None or not board.has_circles:
        return np.zeros((len(points), 2))
    angle = np.arange(RIM_POINTS) * (2 * np.pi / RIM_POINTS)
    circle = np.column_stack([np.cos(angle), np.sin(angle), 0 * angle]) * board.diameter_mm / 2
    rims = (points[:, None] + circle).reshape(-1, 3)
    rim = project(apply(camera_T_board, rims), camera).reshape(-1, RIM_POINTS, 2)
    centre = project(apply(camera_T_board, points), camera)
    return _gravity(rim - centre[:, None])


def _gravity(rim: Array) -> Array:
    """Return the centres of gravity (n, 2) of the areas inside closed smooth curves (n, m, 2)."""
    count = rim.shape[1]
    order = 1j * np.fft.fftfreq(count, 1 / count)
    order[count // 2] = 0  # the highest frequency has no derivative on the grid
    slope = np.fft.ifft(np.fft.fft(rim, axis=1) * order[:, None], axis=1).real
    u, v = rim[..., 0], rim[..., 1]
    du, dv = slope[..., 0], slope[..., 1]
    twice_area = 2 * np.sum(u * dv, axis=1)
    across, down = np.sum(u * u * dv, axis=1), -np.sum(v * v * du, axis=1)
    gravity: Array = np.stack([across, down], axis=1) / twice_area[:, None]
    return gravity
