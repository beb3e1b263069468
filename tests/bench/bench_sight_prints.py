"""What is seen in photographs of printed boards: a second generator, of another kind.

Run as a script: `bench_sight_prints.py [FIRST] [LAST] [BOARDS ...]`. A print of 8 dots a mm is
warped by `cv2.remap` through lens and pose, 3 × 3 samples a pixel, so that nothing is shared with
tests/board_pictures.py, which asks a formula ray by ray. Its faults are other ones as well: falling
off to the corners, bands of a flickering lamp, JPEG of 20, coloured noise, focus that changes over
the board, a reflection over one side, coloured ink, a wrinkled sheet, a sixteenth of the light,
gamma. Columns as in bench_sight.py; open: points seen whose numbers nothing tells.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bench_sight import fits
from board_pictures import a_camera

from engine.boards.circle_centres import centre_shift_px
from engine.boards.detect import detect
from engine.boards.pattern import Board, charuco_layout, symmetries
from engine.camera.model import Camera

DOTS = 8  # a mm of the print
SAMPLES = 3  # a pixel, along each side
WIDTH, HEIGHT = 800, 600
KINDS = (
    "plain", "vignette", "bands", "jpeg20", "chroma", "defocus", "third", "colour", "wrinkled",
    "lowkey", "gamma", "mixed",
)  # fmt: skip
BOARDS = {
    "chessboard": Board("chessboard", 9, 6, 20.0),
    "circles": Board("circles", 9, 6, 20.0, diameter_mm=10.0),
    "staggered": Board("circles-staggered", 5, 11, 30.0, diameter_mm=11.0),
    "charuco": Board("charuco", 9, 6, 20.0, dictionary="DICT_5X5_100", marker_mm=14.0),
    "chess even": Board("chessboard", 8, 6, 22.0),
    "circles 12x9": Board("circles", 12, 9, 15.0, diameter_mm=7.0),
    "staggered 4x9": Board("circles-staggered", 4, 9, 36.0, diameter_mm=14.0),
    "charuco 4x4": Board("charuco", 8, 6, 22.0, dictionary="DICT_4X4_50", marker_mm=16.0),
}


def printed(board: Board, paper: float, ink: float) -> tuple[np.ndarray, np.ndarray]:
    """Greys of the print and the board's x, y [mm] at its corner."""
    points, pitch = board.points()[:, :2], board.pitch_mm
    around = (1.5 if board.pattern == "charuco" else 1.6) * pitch
    low = points.min(0) - around
    width, height = np.ceil((points.max(0) + around - low) * DOTS).astype(int)
    sheet = np.full((height, width), 255, np.uint8)

    def dots(*xy: float) -> np.ndarray:
        return np.rint((np.array(xy) - low) * DOTS).astype(int)

    if board.pattern == "chessboard":
        for row, column in np.ndindex(board.rows + 1, board.columns + 1):
            if (row + column) % 2 == 0:
                first = dots((column - 1) * pitch, (row - 1) * pitch)
                last = dots(column * pitch, row * pitch)
                sheet[first[1] : last[1], first[0] : last[0]] = 0
    elif board.pattern == "charuco":
        side = int(pitch * DOTS)
        size = (board.columns + 1) * side, (board.rows + 1) * side
        drawn, at = charuco_layout(board).generateImage(size, marginSize=0), dots(-pitch, -pitch)
        sheet[at[1] : at[1] + size[1], at[0] : at[0] + size[0]] = drawn
    else:
        for point, diameter in zip(points, board.diameters(), strict=True):
            u, v = np.rint(((point - low) * DOTS - 0.5) * 16).astype(int)
            cv2.circle(
                sheet, (int(u), int(v)), round(diameter / 2 * DOTS * 16), 0, -1, cv2.LINE_AA, 4
            )
    return ink + (paper - ink) * sheet.astype(np.float32) / 255, low


def posed(board: Board, rng: np.random.Generator) -> tuple[Camera, np.ndarray, np.ndarray]:
    """A camera with a lens, the pose of the board in view of it, and the points' true pixels."""
    focal = rng.uniform(0.9, 1.6) * WIDTH
    lens = (rng.uniform(-0.25, 0.1), rng.uniform(-0.05, 0.1), *rng.normal(0, 5e-4, 2), 0.0)
    cx, cy = WIDTH / 2 + rng.normal(0, 10), HEIGHT / 2 + rng.normal(0, 10)
    K = ((focal, 0.0, cx), (0.0, focal * rng.uniform(0.999, 1.001), cy), (0.0, 0.0, 1.0))
    camera = replace(a_camera(WIDTH, HEIGHT, focal), matrix=K, distortion=lens)
    points = board.points()
    tilt, about, turn = rng.uniform(0, np.pi / 4), *rng.uniform(0, 2 * np.pi, 2)
    tilted = cv2.Rodrigues(np.array([np.cos(about), np.sin(about), 0.0]) * tilt)[0]
    R = tilted @ cv2.Rodrigues(np.array([0.0, 0.0, turn]))[0]
    side = np.ptp(points, axis=0).max() + 2 * board.pitch_mm
    away = focal * side / (rng.uniform(0.6, 0.95) * WIDTH)
    T = np.eye(4)
    T[:3, :3] = R
    for _ in range(40):
        aim = rng.uniform(-0.15, 0.15, 2) * (WIDTH, HEIGHT)
        T[:3, 3] = np.array([*(aim / focal * away), away]) - R @ points.mean(0)
        pixels = cv2.projectPoints(
            points, cv2.Rodrigues(R)[0], T[:3, 3], np.array(K), np.array(lens)
        )
        pixels = pixels[0].reshape(-1, 2)
        if (pixels > 25).all() and (pixels < np.array([WIDTH, HEIGHT]) - 25).all():
            break
        away *= 1.05
    return camera, T, pixels


def behind(rng: np.random.Generator) -> np.ndarray:
    """Shades, discs, boxes and writing."""
    coarse = rng.uniform(30, 200, (6, 8)).astype(np.float32)
    scene = cv2.resize(coarse, (WIDTH, HEIGHT), interpolation=cv2.INTER_LINEAR)
    for _ in range(30):
        at = tuple(int(x) for x in rng.uniform(0, 1, 2) * (WIDTH, HEIGHT))
        size, grey = int(rng.uniform(0.01, 0.06) * WIDTH), float(rng.uniform(10, 230))
        kind = rng.integers(3)
        if kind == 0:
            cv2.circle(scene, at, size, grey, -1)
        elif kind == 1:
            cv2.rectangle(scene, at, (at[0] + 2 * size, at[1] + size), grey, -1)
        else:
            cv2.putText(scene, f"LOT {rng.integers(10_000)}", at, 0, rng.uniform(0.5, 2), grey, 2)
    return scene


def warped(
    sheet: np.ndarray, low: np.ndarray, camera: Camera, T: np.ndarray, scene: np.ndarray
) -> np.ndarray:
    """The print as the camera sees it, before ``scene``."""
    K, lens = np.array(camera.matrix), np.array(camera.distortion)
    u, v = np.meshgrid(np.linspace(-1, WIDTH, 201), np.linspace(-1, HEIGHT, 151))
    grid = np.stack([u, v], axis=-1).reshape(-1, 1, 2)
    rays = cv2.undistortPointsIter(grid, K, lens, None, None, (3, 60, 1e-12)).reshape(151, 201, 2)
    u, v = ((np.arange(side * SAMPLES) + 0.5) / SAMPLES - 0.5 for side in (WIDTH, HEIGHT))
    at = np.meshgrid((u + 1) / (WIDTH + 1) * 200, (v + 1) / (HEIGHT + 1) * 150)
    at = [part.astype(np.float32) for part in at]
    a, b = (cv2.remap(rays[..., k].astype(np.float32), *at, cv2.INTER_CUBIC) for k in (0, 1))
    H = np.linalg.inv(np.column_stack([T[:3, :2], T[:3, 3]]))
    w = H[2, 0] * a + H[2, 1] * b + H[2, 2]
    x, y = ((H[k, 0] * a + H[k, 1] * b + H[k, 2]) / w for k in (0, 1))
    x, y = (((part - low[k]) * DOTS - 0.5).astype(np.float32) for k, part in enumerate((x, y)))
    dots = DOTS * T[2, 3] / K[0, 0] / SAMPLES  # that one sample sees
    soft = cv2.GaussianBlur(sheet, (0, 0), max(0.3, 0.4 * dots))
    seen = cv2.remap(soft, x, y, cv2.INTER_LINEAR)
    on = (x >= 0) & (x < sheet.shape[1] - 1) & (y >= 0) & (y < sheet.shape[0] - 1)
    fine = (WIDTH * SAMPLES, HEIGHT * SAMPLES)
    seen = np.where(on, seen, cv2.resize(scene, fine, interpolation=cv2.INTER_LINEAR))
    return cv2.resize(seen, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA)


def photograph(
    board: Board, kind: str, seed: int
) -> tuple[np.ndarray, Camera, np.ndarray, np.ndarray, np.ndarray]:
    """Image, camera, pose of the board, true pixels, and which points are clear."""
    rng = np.random.default_rng([seed, KINDS.index(kind), 7331])
    camera, T, pixels = posed(board, rng)
    paper = rng.uniform(150, 215)
    ink = rng.uniform(60, 120) if kind == "colour" else rng.uniform(12, 40)
    sheet, low = printed(board, paper, ink)
    if kind == "wrinkled":
        waves = cv2.GaussianBlur(rng.normal(0, 1, sheet.shape).astype(np.float32), (0, 0), 100)
        sheet = sheet * (1 + 0.25 * waves / np.abs(waves).max())
    s = warped(sheet, low, camera, T, behind(rng)).astype(np.float32)
    away = np.linalg.norm(pixels[:, None] - pixels[None], axis=2)
    spacing = float(np.median(np.sort(away, axis=1)[:, 1]))
    v, u = np.mgrid[0:HEIGHT, 0:WIDTH].astype(np.float32)
    s = s * rng.uniform(0.8, 1.1)
    if kind in ("vignette", "mixed"):
        out = np.hypot(u - WIDTH / 2, v - HEIGHT / 2) / np.hypot(WIDTH / 2, HEIGHT / 2)
        s = s * np.cos(np.arctan(rng.uniform(0.9, 1.4) * out)) ** 4
    if kind in ("bands", "mixed"):
        wave = np.sin(2 * np.pi * v / (rng.uniform(2, 8) * spacing) + rng.uniform(0, 6))
        s = s * (1 - rng.uniform(0.15, 0.45) * (0.5 + 0.5 * wave))
    if kind == "lowkey":
        s = s * rng.uniform(0.06, 0.12)
    clear = np.ones(len(pixels), bool)
    if kind == "third":
        way = rng.uniform(0, 2 * np.pi)
        along = pixels @ (np.cos(way), np.sin(way))
        rim = np.sort(along)[-int(len(pixels) * rng.uniform(0.08, 0.24))]
        side = u * np.cos(way) + v * np.sin(way) - rim
        s = s + rng.uniform(250, 500) / (1 + np.exp(-side / (0.2 * spacing)))
        clear = along < rim - 1.3 * spacing
    s = _unsharp(s, u, v, kind, rng)
    if kind == "gamma":
        s = 255 * (np.clip(s, 0, 255) / 255) ** rng.uniform(0.45, 0.6)
    if kind == "chroma":
        grain = cv2.GaussianBlur(rng.normal(0, 1, s.shape), (0, 0), rng.uniform(1, 2))
        s = s + grain / grain.std() * rng.uniform(5, 10)
    s = s + rng.normal(0, rng.uniform(0.8, 2.5), s.shape)
    image = np.clip(np.rint(s), 0, 255).astype(np.uint8)
    if kind in ("jpeg20", "mixed"):
        quality = [cv2.IMWRITE_JPEG_QUALITY, 20 if kind == "jpeg20" else 50]
        image = cv2.imdecode(cv2.imencode(".jpg", image, quality)[1], cv2.IMREAD_GRAYSCALE)
    return image, camera, T, pixels, clear


def _unsharp(
    s: np.ndarray, u: np.ndarray, v: np.ndarray, kind: str, rng: np.random.Generator
) -> np.ndarray:
    """The lens's blur: one for all, or growing from one side of the image to the other."""
    if kind != "defocus":
        return cv2.GaussianBlur(s, (0, 0), rng.uniform(0.5, 1.0))
    steps = [cv2.GaussianBlur(s, (0, 0), x) for x in np.linspace(0.6, rng.uniform(1.8, 2.6), 6)]
    share = 5 * (u / WIDTH if rng.integers(2) else v / HEIGHT)
    lower = np.clip(share.astype(int), 0, 4)
    first, second = (np.take_along_axis(np.stack(steps), lower[None] + k, 0)[0] for k in (0, 1))
    return first + (second - first) * (share - lower)


def main(first: int = 0, last: int = 12, *names: str) -> None:
    cv2.setNumThreads(1)
    print("board          kind       images usable found open off wrong accepted  cpu ms")
    total = np.zeros(7, int)
    for name in names or BOARDS:
        for kind in KINDS:
            counts, works = np.zeros(7, int), []
            for seed in range(int(first), int(last)):
                image, camera, T, pixels, clear = photograph(BOARDS[name], kind, seed)
                start = time.process_time()
                seen = detect(image, BOARDS[name], camera)
                works.append(1e3 * (time.process_time() - start))
                counts += judged(BOARDS[name], seen, pixels, clear, T, camera)
            total += counts
            print(f"{name:14} {kind:10}", *counts, f"{np.median(works):7.0f}", flush=True)
    print("all: images, usable, found, open, off, wrong, accepted:", *total)


def judged(board: Board, seen, pixels, clear, T, camera) -> np.ndarray:
    """Counts of one image: see the head of the table."""
    true = pixels + centre_shift_px(T, board, camera)
    turns = [np.arange(board.count), *(turn.permutation for turn in symmetries(board))]
    ways = [(true[turn], clear[turn]) for turn in turns]
    usable = clear.sum() >= 2 / 3 * len(board.present)
    right, worst = fits(seen.ids, seen.pixels, ways) if seen.found else (False, 0.0)
    wrong = seen.found and not right and worst > 10
    to_choose = usable and len(seen.choices) > 0
    return np.array([1, usable, usable and right, to_choose, worst > 2, wrong, seen.found])


if __name__ == "__main__":
    main(*sys.argv[1:])
