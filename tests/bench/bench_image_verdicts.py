"""Is what an image is said to cost in mm what it costs? Pictures with faults, each taken again.

Run as a script: `bench_image_verdicts.py [SCENES] [AGAIN] [FIRST]`. Every scene of every pattern
and fault (tests/faulty_pictures.py) is drawn AGAIN times, moved by a part of a pixel and with other
noise. The true error of the board's place, as RMS over these at the worst corner of the work
volume, is held against the median of the stated one. A smeared board has come to rest half a smear
away from where the image shows it. Wrong: by more than a factor of 2.
"""

from __future__ import annotations

import sys
from itertools import product
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from faulty_pictures import FAULTS, PATTERNS, SMEAR_PX, Faulty, faulty

from engine.boards.circle_centres import centre_shift_px
from engine.boards.detect import Detection, detect
from engine.boards.pattern import Board, symmetries
from engine.camera.views import board_pose
from engine.frames import apply
from engine.images.edges import measure_edges
from engine.images.precision import precision

VOLUME_MM = (400.0, 300.0, 200.0)
WIDTH = 800  # px; drawn fast


def off_mm(picture: Faulty, seen: Detection, board: Board) -> np.ndarray:
    """Errors (8, 3) [mm] of the corners of the work volume around the board, by the seen pose."""
    points, pixels = board.points(), seen.pixels
    for _ in range(2):
        pose = board_pose(points[seen.ids], pixels, picture.camera)[0][0]
        pixels = seen.pixels - centre_shift_px(pose, board, picture.camera)[seen.ids]
    T, middle = picture.camera_T_board, points[seen.ids].mean(axis=0)
    corners = np.array(list(product((-0.5, 0.5), repeat=3))) * VOLUME_MM
    places = corners @ T[:3, :3] + middle  # in the board's frame: axes of the camera
    turns = [np.arange(board.count), *(turn.permutation for turn in symmetries(board))]
    best = None
    for turn in turns:  # the board looks the same after these
        a, b = points - points.mean(axis=0), points[turn] - points.mean(axis=0)
        R = (np.linalg.pinv(a[:, :2]) @ b[:, :2]).T
        turned = np.eye(4)
        turned[:2, :2] = R
        turned[:3, 3] = points.mean(axis=0) - turned[:3, :3] @ points.mean(axis=0)
        off = apply(pose, places) - apply(T @ turned, places)
        if best is None or (off**2).sum() < (best**2).sum():
            best = off
    return best


def one(board: Board, fault: str, seed: int, times: int) -> tuple[float, float] | None:
    """True and stated error [mm] of one scene, None where the board is not seen in half of them."""
    true, stated = [], []
    for again in range(1, times + 1):
        picture = faulty(board, fault, seed, width=WIDTH, again=again)
        seen = detect(picture.image, board, picture.camera)
        if not seen.found:
            continue
        smear = measure_edges(picture.image, seen, board).smear_px
        told = precision(seen, board, picture.camera, VOLUME_MM, smear)
        moved = SMEAR_PX / 2 * told.mm_per_px if fault == "motion" else 0.0
        true.append((off_mm(picture, seen, board) ** 2).sum(axis=1) + moved**2)
        stated.append(told.u_mm)
    if len(true) < times / 2:
        return None
    return float(np.sqrt(np.mean(true, axis=0).max())), float(np.median(stated))


def main(scenes: int = 4, times: int = 8, first: int = 1) -> None:
    every = []
    print("pattern            fault      scenes   true mm  stated mm   stated / true    wrong")
    for (name, board), fault in product(PATTERNS.items(), FAULTS):
        found = [one(board, fault, seed, times) for seed in range(first, first + scenes)]
        pairs = np.array([pair for pair in found if pair is not None]).reshape(-1, 2)
        if not len(pairs):
            print(f"{name:18} {fault:10}   none seen")
            continue
        ratio = pairs[:, 1] / pairs[:, 0]
        every.append(ratio)
        wrong = int(np.sum((ratio > 2) | (ratio < 0.5)))
        true, stated = np.median(pairs, axis=0)
        print(
            f"{name:18} {fault:10} {len(pairs):6} {true:9.3f} {stated:10.3f}   "
            f"{ratio.min():6.2f} .. {ratio.max():5.2f} {wrong:6}",
            flush=True,
        )
    ratio = np.concatenate(every)
    low, high = np.mean(ratio < 0.5), np.mean(ratio > 2)
    print(
        f"all: {len(ratio)} scenes, wrong by a factor of 2: {low + high:.1%} "
        f"(too small {low:.1%}, too large {high:.1%}), median {np.median(ratio):.2f}"
    )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
