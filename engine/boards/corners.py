"""Saddle points of chessboard corners, refined on the full image."""

from __future__ import annotations

import cv2
import numpy as np

from ..arrays import Array, Grey

LEAST_HALF_WINDOW = 2  # px; a smaller window holds too few gradients
MOST_HALF_WINDOW = 40  # px; larger ones cost time and gain nothing on a rendered board
STOP = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 40, 1e-3)  # steps, px


def spacings(points: Array, xy: Array, pitch: float) -> Array:
    """Return for each pixel (n, 2) the distance [px] to its nearest neighbour on the board.

    ``xy`` (n, 2) are the board coordinates; neighbours are one ``pitch`` apart. A point without a
    detected neighbour takes the least of all others' distances.
    """
    apart = np.linalg.norm(xy[:, None] - xy[None], axis=2)
    neighbour = (apart > 0) & (apart < 1.2 * pitch)  # the diagonal one is at 1.41
    away = np.linalg.norm(points[:, None] - points[None], axis=2)
    nearest = np.where(neighbour, away, np.inf).min(axis=1)
    least = float(nearest.min())
    return np.where(np.isfinite(nearest), nearest, least if np.isfinite(least) else 0.0)


def refined(image: Grey, points: Array, half_windows: Array) -> Array:
    """Return the corners (n, 2) moved to where image gradients point away from them.

    Each corner has a window of its own, reaching ``half_windows`` (n,) [px] to either side
    (Förstner & Gülch 1987 is the principle; OpenCV's cornerSubPix does it).
    """
    sizes = np.clip(np.rint(half_windows), LEAST_HALF_WINDOW, MOST_HALF_WINDOW).astype(int)
    result = points.copy()
    for size in np.unique(sizes):
        group = np.flatnonzero(sizes == size)
        start = points[group].astype(np.float32).reshape(-1, 1, 2)
        moved = cv2.cornerSubPix(image, start, (int(size), int(size)), (-1, -1), STOP)
        result[group] = moved[:, 0]
    return result
