"""Boards, cameras and poses that the tests of simulated images share."""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np

from engine.arrays import Array
from engine.boards.pattern import Board
from engine.camera.model import Camera
from engine.frames import rotation_exp, transform

MATRIX = ((900.0, 0.0, 401.3), (0.0, 905.0, 317.8), (0.0, 0.0, 1.0))
FOURTEEN = (
    *(-0.2, 0.1, 0.001, -0.002, 0.03, 0.05, -0.02, 0.01),
    *(0.002, -0.001, 0.001, 0.002, 0.02, -0.03),
)
CHESSBOARD = Board("chessboard", 11, 8, 20.0)
CIRCLES = Board("circles", 9, 6, 24.0, diameter_mm=14.0)
STAGGERED = Board("circles-staggered", 5, 9, 40.0, diameter_mm=14.0)
CHARUCO = Board("charuco", 8, 5, 26.0, dictionary="DICT_5X5_100", marker_mm=19.0)
BOARDS = {board.pattern: board for board in (CHESSBOARD, CIRCLES, STAGGERED, CHARUCO)}


def camera(coefficients: int = 5, scale: float = 1.0) -> Camera:
    """Return a camera of 800 × 640 pixels, times ``scale``, with so many lens coefficients."""
    matrix = np.array(MATRIX)
    matrix[:2] *= scale
    size = (round(800 * scale), round(640 * scale))
    return Camera("test camera", size, tuple(map(tuple, matrix)), FOURTEEN[:coefficients])


def poses(board: Board, count: int, seed: int, tilt_deg: float = 32.0) -> Iterator[Array]:
    """Yield camera_T_board with the board in view, turned any way and tilted up to a limit."""
    rng = np.random.default_rng(seed)
    centre = board.points().mean(axis=0)
    for _ in range(count):
        tilt, way, turn = np.deg2rad(rng.uniform(5, tilt_deg)), *rng.uniform(-np.pi, np.pi, 2)
        R = rotation_exp([tilt * np.cos(way), tilt * np.sin(way), 0]) @ rotation_exp([0, 0, turn])
        z = rng.uniform(440, 560)
        spot = np.array([rng.uniform(-0.06, 0.06) * z, rng.uniform(-0.04, 0.04) * z, z])
        yield transform(R, spot - R @ centre)


def projected(points: Array, camera_T_board: Array, seen_by: Camera) -> Array:
    """Return OpenCV's projection (n, 2) [px] of board points (n, 3) [mm]."""
    r = cv2.Rodrigues(camera_T_board[:3, :3])[0]
    distortion = np.array(seen_by.distortion or (0.0,) * 4)
    matrix = np.array(seen_by.matrix)
    return cv2.projectPoints(points, r, camera_T_board[:3, 3], matrix, distortion)[0][:, 0]
