"""Pictures of boards with everything that goes wrong in a plant, and the true points.

Drawn ray by ray by `board_pictures`, without the engine's own renderer. Faults act in
the order of nature: what lies on the board (dirt, hand), light (uneven, shadow, reflection), lens
blur, smear, sensor noise, rounding, JPEG. All of it follows from a seed.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from board_pictures import a_camera, facing, project, surroundings

from engine.boards.pattern import Board
from engine.camera.model import Camera

PATTERNS = {
    "chessboard": Board("chessboard", 9, 6, 20.0),
    "circles": Board("circles", 9, 6, 20.0, diameter_mm=10.0),
    "circles-staggered": Board("circles-staggered", 5, 11, 30.0, diameter_mm=11.0),
    "charuco": Board("charuco", 9, 6, 20.0, dictionary="DICT_5X5_100", marker_mm=14.0),
}
FAULTS = (
    "none", "blur", "motion", "noise", "jpeg", "light", "shadow", "dirt", "glare", "hand",
    "cut-off", "wide", "tilt",
)  # fmt: skip
MORE = ("tube", "cable", "corner", "bad-jpeg")  # further shapes of the same faults
PLAIN = ("none", "blur", "motion", "noise", "jpeg", "light", "shadow", "wide", "tilt")
WIDE_LENS = (-0.28, 0.09, 0.0005, -0.0004, -0.012)
SMEAR_PX = 4.0  # length of a smear
CLEAR_PITCHES = 0.75  # around a point: what refines it (chessboards half, circles their gap)


@dataclass(frozen=True)
class Faulty:
    """An image, the true ``pixels`` (count, 2), which points are ``clear``, and how it was made."""

    image: np.ndarray
    pixels: np.ndarray
    clear: np.ndarray
    camera: Camera
    camera_T_board: np.ndarray
    fault: str
    how: dict = field(default_factory=dict)


def faulty(
    board: Board,
    fault: str,
    seed: int,
    *,
    width: int = 1024,
    tilt_deg: float | None = None,
    again: int = 0,
) -> Faulty:
    """Return the picture ``seed`` of ``board`` with one fault, and a little of the usual ones.

    ``again``: the same once more, moved by a part of a pixel and with other noise.
    """
    rng = np.random.default_rng([seed, (FAULTS + MORE).index(fault)])
    height = width * 3 // 4
    scale = width / 1024
    wide = fault == "wide"
    camera = a_camera(width, height, (520.0 if wide else 1250.0) * scale, WIDE_LENS if wide else ())
    T = _pose(board, camera, fault, rng, tilt_deg)
    chance = np.random.default_rng([seed, (FAULTS + MORE).index(fault), again]) if again else rng
    if again:
        T[:2, 3] += chance.uniform(-0.5, 0.5, 2) * T[2, 3] / camera.matrix[0][0]
    pixels = project(board.points(), T, camera)
    margin = 0.6 * _spacing_px(pixels, board)
    clear = np.all((pixels > margin) & (pixels < np.array([width, height]) - margin), axis=1)
    clear[list(board.missing)] = False
    scene = _scene(board, T, camera, rng)
    if fault == "dirt":
        clear &= _dirt(scene, pixels, board, rng)
    if fault == "hand":
        clear &= _hand(scene, pixels, board, rng)
    if fault == "cable":
        clear &= _cable(scene, pixels, board, rng)
    light = np.full(scene.shape, rng.uniform(0.75, 1.05))
    if fault == "light":
        light *= _uneven(scene.shape, 8.0, rng)
    if fault == "shadow":
        light *= _shadow(scene.shape, pixels, rng)
    scene = scene * light
    if fault == "glare":
        clear &= _glare(scene, pixels, board, rng)
    if fault == "tube":
        clear &= _tube(scene, pixels, board, rng)
    blur = rng.uniform(1.4, 2.0) if fault == "blur" else rng.uniform(0.5, 0.9)
    scene = cv2.GaussianBlur(scene, (0, 0), blur)
    if fault == "motion":
        scene = _smeared(scene, SMEAR_PX, rng.uniform(0, np.pi))
    noise = rng.uniform(8, 14) if fault == "noise" else rng.uniform(1, 3)
    scene = scene + chance.normal(0, noise, scene.shape)
    image = np.clip(np.rint(scene), 0, 255).astype(np.uint8)
    if fault in ("jpeg", "bad-jpeg"):
        quality = int(rng.integers(20, 50)) if fault == "jpeg" else 10
        data = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
        image = cv2.imdecode(data, cv2.IMREAD_GRAYSCALE)
    how = {"blur": blur, "noise": noise, "light": float(light.mean())}
    return Faulty(image, pixels, clear, camera, T, fault, how)


def _pose(board, camera, fault, rng, tilt_deg) -> np.ndarray:
    width, height = camera.image_size_px
    if tilt_deg is None:
        tilt_deg = rng.uniform(45, 60) if fault == "tilt" else rng.uniform(0, 40)
    about, turn = rng.uniform(0, 360, 2)
    side = np.ptp(board.points(), axis=0).max() + 2 * board.pitch_mm
    focal = camera.matrix[0][0]
    share = rng.uniform(0.55, 0.8)
    distance = focal * side / (share * width)
    T = facing(board, distance, tilt_deg, about, turn)
    pixels = project(board.points(), T, camera)
    low, high = pixels.min(axis=0), pixels.max(axis=0)
    room = np.array([width, height]) - (high - low)
    keep = 1.3 * _spacing_px(pixels, board)
    if (room < 2 * keep).any():  # too near: step back until it fits
        worst = ((high - low) / (np.array([width, height]) - 2 * keep)).max()
        T[2, 3] *= max(worst, 1.0) * 1.05
        T[:2, 3] *= max(worst, 1.0) * 1.05
        pixels = project(board.points(), T, camera)
        low, high = pixels.min(axis=0), pixels.max(axis=0)
    if fault == "cut-off":  # up to a third of the points leaves on one side
        share_out = rng.uniform(0.1, 0.3)
        edge = int(rng.integers(4))
        axis, far = edge % 2, edge // 2
        line = np.quantile(pixels[:, axis], 1 - share_out if far else share_out)
        wanted = (width, height)[axis] if far else 0
        move = np.zeros(2)
        move[axis] = wanted - line
    elif fault == "corner":  # it leaves on two sides
        moves = []
        for axis in (0, 1):
            far = int(rng.integers(2))
            out = rng.uniform(0.05, 0.15)
            line = np.quantile(pixels[:, axis], 1 - out if far else out)
            moves.append(((width, height)[axis] if far else 0) - line)
        move = np.array(moves)
    else:
        free = np.maximum(np.array([width, height]) - (high - low) - 2 * keep, 0)
        move = keep + rng.uniform(0, 1, 2) * free - low
    T = T.copy()
    T[:2, 3] += move / focal * T[2, 3]
    return T


def _spacing_px(pixels: np.ndarray, board: Board) -> float:
    d = np.linalg.norm(pixels[:, None] - pixels[None], axis=2)
    d[d == 0] = np.inf
    return float(np.median(d.min(axis=1)))


def _scene(board, T, camera, rng) -> np.ndarray:
    """The board before clutter, three by three rays a pixel."""
    width, height = camera.image_size_px
    coarse = rng.uniform(20, 160, (7, 9)).astype(np.float32)
    behind = cv2.resize(coarse, (width, height), interpolation=cv2.INTER_NEAREST)
    for _ in range(25):
        centre = tuple(int(c) for c in rng.uniform(0, 1, 2) * (width, height))
        size = int(rng.uniform(0.01, 0.05) * width)
        grey = float(rng.uniform(10, 220))
        if rng.integers(2):
            cv2.circle(behind, centre, size, grey, -1)
        else:
            cv2.rectangle(behind, centre, (centre[0] + 2 * size, centre[1] + size), grey, -1)
    return surroundings(board, T, camera, behind.astype(float))


def _dirt(scene, pixels, board, rng) -> np.ndarray:
    clear = np.ones(len(pixels), bool)
    spacing = _spacing_px(pixels, board)
    mask = np.zeros(scene.shape, np.uint8)
    for _ in range(int(rng.integers(3, 8))):
        middle = pixels[rng.integers(len(pixels))] + rng.normal(0, spacing / 2, 2)
        axes = rng.uniform(0.1, 0.5, 2) * spacing
        spot = np.zeros(scene.shape, np.uint8)
        cv2.ellipse(spot, (tuple(middle), tuple(2 * axes), rng.uniform(0, 180)), 1, -1)
        scene[spot > 0] = rng.uniform(20, 180) + 0.2 * scene[spot > 0]
        mask |= spot
    return clear & ~_touched(mask, pixels, spacing)


def _hand(scene, pixels, board, rng) -> np.ndarray:
    """A hand of four fingers from a random side, over up to a third of the board."""
    spacing = _spacing_px(pixels, board)
    middle = pixels.mean(axis=0)
    radius = np.linalg.norm(pixels - middle, axis=1).max()
    way = rng.uniform(0, 2 * np.pi)
    to = np.array([np.cos(way), np.sin(way)])
    across = np.array([-to[1], to[0]])
    for reach in np.linspace(rng.uniform(0.1, 0.5), 1.0, 8):
        mask = np.zeros(scene.shape, np.uint8)
        for k in range(4):
            tip = (
                middle
                + to * radius * (reach + 0.1 * rng.uniform())
                + across * radius * (0.17 * (k - 1.5))
            )
            end = tip + to * 3 * radius
            cv2.line(mask, tuple(map(int, tip)), tuple(map(int, end)), 1, int(0.15 * radius))
        touched = _touched(mask, pixels, spacing)
        if touched.mean() < 1 / 3:
            break
    grey = rng.uniform(90, 170)
    texture = cv2.GaussianBlur(rng.normal(0, 1, scene.shape), (0, 0), 5) * 30
    scene[mask > 0] = (grey + texture)[mask > 0]
    return ~touched


def _glare(scene, pixels, board, rng) -> np.ndarray:
    """A lamp's reflection: white at its middle, with a soft rim."""
    spacing = _spacing_px(pixels, board)
    middle = pixels[rng.integers(len(pixels))]
    size = rng.uniform(0.8, 2.0) * spacing
    v, u = np.mgrid[0 : scene.shape[0], 0 : scene.shape[1]]
    away = np.hypot(u - middle[0], (v - middle[1]) * rng.uniform(1.0, 1.6))
    lamp = 600.0 / (1 + np.exp((away - size) / (0.15 * size)))
    scene += lamp
    return ~_touched((lamp > 8).astype(np.uint8), pixels, spacing)


def _tube(scene, pixels, board, rng) -> np.ndarray:
    """The reflection of a tube lamp: a white bar with a soft rim, at any angle."""
    spacing = _spacing_px(pixels, board)
    middle, way = pixels[rng.integers(len(pixels))], rng.uniform(0, np.pi)
    v, u = np.mgrid[0 : scene.shape[0], 0 : scene.shape[1]]
    along = (u - middle[0]) * np.cos(way) + (v - middle[1]) * np.sin(way)
    across = (v - middle[1]) * np.cos(way) - (u - middle[0]) * np.sin(way)
    length, half = rng.uniform(2, 4) * spacing, rng.uniform(0.3, 0.6) * spacing
    away = np.hypot(np.maximum(np.abs(along) - length, 0), across)
    lamp = 500.0 / (1 + np.exp((away - half) / (0.1 * spacing)))
    scene += lamp
    return ~_touched((lamp > 8).astype(np.uint8), pixels, spacing)


def _cable(scene, pixels, board, rng) -> np.ndarray:
    """A cable across the board: a bent dark line about as wide as a fifth of the pitch."""
    spacing = _spacing_px(pixels, board)
    middle = pixels[rng.integers(len(pixels))]
    way, bend = rng.uniform(0, np.pi), rng.uniform(-0.15, 0.15) / spacing
    s = np.linspace(-1, 1, 80) * max(scene.shape)
    x = middle[0] + s * np.cos(way) - bend * s * s * np.sin(way) * 0.2
    y = middle[1] + s * np.sin(way) + bend * s * s * np.cos(way) * 0.2
    mask = np.zeros(scene.shape, np.uint8)
    line = np.rint(np.column_stack([x, y])).astype(np.int32)
    cv2.polylines(mask, [line], False, 1, max(int(0.2 * spacing), 2))
    scene[mask > 0] = rng.uniform(15, 70)
    return ~_touched(mask, pixels, spacing)


def _touched(mask, pixels, spacing) -> np.ndarray:
    reach = max(int(CLEAR_PITCHES * spacing), 1)
    grown = cv2.dilate(mask, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1,) * 2))
    u, v = np.rint(pixels).astype(int).T
    inside = (u >= 0) & (v >= 0) & (u < mask.shape[1]) & (v < mask.shape[0])
    return ~inside | (grown[np.where(inside, v, 0), np.where(inside, u, 0)] > 0)


def _uneven(shape, ratio, rng) -> np.ndarray:
    height, width = shape
    way = rng.uniform(0, 2 * np.pi)
    v, u = np.mgrid[0:height, 0:width]
    s = (u / width - 0.5) * np.cos(way) + (v / height - 0.5) * np.sin(way)
    s = (s - s.min()) / np.ptp(s)
    return ratio**-s


def _shadow(shape, pixels, rng) -> np.ndarray:
    """A hard shadow with a straight edge across the board."""
    at = pixels[rng.integers(len(pixels))] + rng.normal(0, 10, 2)
    way = rng.uniform(0, 2 * np.pi)
    v, u = np.mgrid[0 : shape[0], 0 : shape[1]]
    side = (u - at[0]) * np.cos(way) + (v - at[1]) * np.sin(way)
    return np.where(side > 0, 1.0, rng.uniform(0.35, 0.6))


def _smeared(scene, length, angle) -> np.ndarray:
    total, steps = np.zeros_like(scene), 17
    for s in np.linspace(-0.5, 0.5, steps):
        M = np.array([[1, 0, s * length * np.cos(angle)], [0, 1, s * length * np.sin(angle)]])
        total += cv2.warpAffine(
            scene, M, scene.shape[::-1], flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
    return total / steps
