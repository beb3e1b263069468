"""Pictures of boards with known truth, rendered pixel by pixel for the tests.

Every pixel is the mean over a grid of rays through it: each ray is mapped onto the board plane
and the pattern's formula is asked for its reflectance there. Nothing of OpenCV's detection is
involved; only the markers of a charuco board are taken from OpenCV's own drawing.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np

from engine.boards.pattern import Board
from engine.camera.model import Camera

DARK, LIGHT, AROUND = 30.0, 215.0, 120.0  # grey levels


@dataclass(frozen=True)
class Picture:
    """A rendered image, the true pixels (count, 2) of the board's points, and the pose."""

    image: np.ndarray
    pixels: np.ndarray
    camera_T_board: np.ndarray
    camera: Camera


def a_camera(width: int = 800, height: int = 600, focal: float = 1000.0, distortion=()) -> Camera:
    matrix = ((focal, 0.0, width / 2 - 0.5), (0.0, focal, height / 2 - 0.5), (0.0, 0.0, 1.0))
    return Camera("test camera", (width, height), matrix, tuple(distortion))


def facing(
    board: Board,
    distance: float = 500.0,
    tilt_deg: float = 0.0,
    about_deg: float = 0.0,
    turn_deg: float = 0.0,
    shift=(0.0, 0.0),
) -> np.ndarray:
    """Pose of a board whose middle is ``distance`` mm ahead: turned in its plane, then tilted."""
    about = np.radians(about_deg)
    axis = np.radians(tilt_deg) * np.array([np.cos(about), np.sin(about), 0.0])
    turn = cv2.Rodrigues(np.array([0.0, 0.0, np.radians(turn_deg)]))[0]
    T = np.eye(4)
    T[:3, :3] = cv2.Rodrigues(axis)[0] @ turn
    points = board.points()
    middle = (points.min(0) + points.max(0)) / 2
    T[:3, 3] = np.array([*shift, distance]) - T[:3, :3] @ middle
    return T


def project(points: np.ndarray, camera_T_board: np.ndarray, camera: Camera) -> np.ndarray:
    rvec = cv2.Rodrigues(camera_T_board[:3, :3])[0]
    K, d = np.array(camera.matrix), np.array(camera.distortion or (0.0,) * 5)
    return cv2.projectPoints(points, rvec, camera_T_board[:3, 3], K, d)[0][:, 0]


def reflectance(board: Board, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Grey level of the board plane at x, y [mm]."""
    if board.light:
        return LIGHT + DARK - _plain(board, x, y)
    return _plain(board, x, y)


def _plain(board: Board, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    if board.pattern == "chessboard":
        return _chessboard(board, x, y)
    if board.pattern == "charuco":
        return _charuco(board, x, y)
    return _circles(board, x, y)


def _on_sheet(board: Board, x, y, margin: float):
    points = board.points()
    low, high = points.min(0) - margin, points.max(0) + margin
    return (x > low[0]) & (x < high[0]) & (y > low[1]) & (y < high[1])


def _chessboard(board: Board, x, y):
    p = board.pitch_mm
    # the outer corner square beside point 0, with −1 + −1 even, is dark
    odd = (np.floor(x / p) + np.floor(y / p)).astype(np.int64) % 2
    grey = np.where(odd == 1, LIGHT, DARK)
    grey = np.where(_on_sheet(board, x, y, p), grey, LIGHT)
    return np.where(_on_sheet(board, x, y, 2 * p), grey, AROUND)


def _circles(board: Board, x, y):
    """Every ray is compared with the nearest place of the endless pattern of circles."""
    if board.pattern == "circles":
        p = board.pitch_mm
        column, row = np.round(x / p), np.round(y / p)
        there = (column >= 0) & (column < board.columns) & (row >= 0) & (row < board.rows)
    else:
        p = board.pitch_mm / 2  # circles stand where column + row is even
        a, b = np.round((x + y) / p / 2), np.round((x - y) / p / 2)
        column, row = a + b, a - b
        there = (column >= 0) & (column < 2 * board.columns) & (row >= 0) & (row < board.rows)
    if board.pattern == "circles":
        number = row * board.columns + column
    else:
        number = row * board.columns + (column - row % 2) / 2
    number = np.where(there, number, 0).astype(int)
    radius = np.full(board.count, board.diameter_mm / 2)
    if board.larger:
        radius[list(board.larger.ids)] = board.larger.diameter_mm / 2
    radius[list(board.missing)] = 0.0
    inside = (x - column * p) ** 2 + (y - row * p) ** 2 < radius[number] ** 2
    grey = np.where(there & inside, DARK, LIGHT)
    return np.where(_on_sheet(board, x, y, 1.5 * board.pitch_mm), grey, AROUND)


NOTHING = -1.0  # no grey level: the ray meets nothing of the sheet
ART_SCALE = 40  # px per square of a charuco board as OpenCV draws it


@cache
def _art(board: Board) -> np.ndarray:
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, board.dictionary))
    squares = board.columns + 1, board.rows + 1
    drawn = cv2.aruco.CharucoBoard(squares, board.pitch_mm, board.marker_mm, dictionary)
    drawn.setLegacyPattern(board.legacy_layout)
    size = (squares[0] * ART_SCALE, squares[1] * ART_SCALE)
    return drawn.generateImage(size, marginSize=0).astype(float)


def _charuco(board: Board, x, y):
    art = _art(board)
    u = (x / board.pitch_mm + 1) * ART_SCALE
    v = (y / board.pitch_mm + 1) * ART_SCALE
    inside = (u >= 0) & (u < art.shape[1]) & (v >= 0) & (v < art.shape[0])
    sampled = art[
        np.clip(v.astype(int), 0, art.shape[0] - 1), np.clip(u.astype(int), 0, art.shape[1] - 1)
    ]
    grey = np.where(inside, DARK + (LIGHT - DARK) * sampled / 255.0, LIGHT)
    return np.where(_on_sheet(board, x, y, 2 * board.pitch_mm), grey, AROUND)


def render(
    board: Board,
    camera_T_board: np.ndarray,
    camera: Camera,
    *,
    rng: np.random.Generator | None = None,
    blur_px: float = 0.7,
    noise: float = 2.0,
    rays: int = 4,
    inverted: bool = False,
) -> Picture:
    """Render the board: ``rays`` × ``rays`` rays a pixel, Gaussian blur, noise in grey levels.

    Pixels well away from every edge of the pattern are of one grey, whatever ray is asked.
    """
    width, height = camera.image_size_px
    u, v = np.meshgrid(np.arange(width + 1) - 0.5, np.arange(height + 1) - 0.5)
    corners = reflectance(board, *_plane(camera_T_board, camera, u, v))
    grey, near = corners[1:, 1:].copy(), _beside_an_edge(corners)
    v, u = np.nonzero(near)
    total = np.zeros(len(u))
    for du, dv in _offsets(rays):
        total += reflectance(board, *_plane(camera_T_board, camera, u + du, v + dv))
    grey[near] = total / rays**2
    if inverted:
        grey = 255.0 - grey
    if blur_px:
        grey = cv2.GaussianBlur(grey, (0, 0), blur_px)
    if rng is not None:
        grey = grey + rng.normal(0.0, noise, grey.shape)
    image = np.clip(np.round(grey), 0, 255).astype(np.uint8)
    return Picture(image, project(board.points(), camera_T_board, camera), camera_T_board, camera)


def _offsets(rays: int):
    """The rays of a pixel, from its middle [px]; each has a column and a row of its own.

    Edges along the grid would snap to it otherwise.
    """
    for i in range(rays):
        for j in range(rays):
            yield (i + (j + 0.5) / rays) / rays - 0.5, (j + (i + 0.5) / rays) / rays - 0.5


def _beside_an_edge(corners: np.ndarray) -> np.ndarray:
    """Which pixels have corners (h + 1, w + 1) of several greys, or a neighbour that has."""
    among = np.stack([corners[:-1, :-1], corners[1:, :-1], corners[:-1, 1:], corners[1:, 1:]])
    differ = (among.max(axis=0) > among.min(axis=0)).astype(np.uint8)
    return cv2.dilate(differ, np.ones((3, 3), np.uint8)) > 0


def surroundings(
    board: Board, camera_T_board: np.ndarray, camera: Camera, behind: np.ndarray, rays: int = 3
) -> np.ndarray:
    """Grey levels (h, w) of the sheet with ``behind`` where its rays meet nothing of it."""
    height, width = behind.shape
    points = board.points()
    low, high = points.min(0) - 2 * board.pitch_mm, points.max(0) + 2 * board.pitch_mm

    def greys(u: np.ndarray, v: np.ndarray, beyond) -> np.ndarray:
        x, y = _plane(camera_T_board, camera, u, v)
        on = (x > low[0]) & (x < high[0]) & (y > low[1]) & (y < high[1])
        return np.where(on, reflectance(board, x, y), beyond)

    u, v = np.meshgrid(np.arange(width + 1) - 0.5, np.arange(height + 1) - 0.5)
    corners = greys(u, v, NOTHING)
    whole, near = corners[1:, 1:], _beside_an_edge(corners)
    scene = np.where(whole == NOTHING, behind, whole)
    v, u = np.nonzero(near)
    scene[near] = sum(greys(u + du, v + dv, behind[near]) for du, dv in _offsets(rays)) / rays**2
    return scene


def _plane(camera_T_board: np.ndarray, camera: Camera, u: np.ndarray, v: np.ndarray):
    """Where the rays through pixels u, v meet the board plane [mm]."""
    K = np.array(camera.matrix)
    if camera.distortion:
        pixels = np.stack([u, v], -1).reshape(-1, 1, 2)
        ideal = cv2.undistortPointsIter(
            pixels, K, np.array(camera.distortion), None, None, (3, 40, 1e-10)
        )
        a, b = ideal[:, 0, 0].reshape(u.shape), ideal[:, 0, 1].reshape(u.shape)
    else:
        a, b = (u - K[0, 2]) / K[0, 0], (v - K[1, 2]) / K[1, 1]
    H = np.linalg.inv(np.column_stack([camera_T_board[:3, :2], camera_T_board[:3, 3]]))
    w = H[2, 0] * a + H[2, 1] * b + H[2, 2]
    return (H[0, 0] * a + H[0, 1] * b + H[0, 2]) / w, (H[1, 0] * a + H[1, 1] * b + H[1, 2]) / w


def rms(found: np.ndarray, truth: np.ndarray) -> float:
    """RMS distance [px] of matching points."""
    return float(np.sqrt(np.mean(np.sum((found - truth) ** 2, axis=1))))
