"""How long detection takes at 5 megapixels, and how exact it is.

Run as a script. Wall and processor time of one search (the best of five), with the board near,
middling and far, and in images without a board. The truth is known; circles are compared with the
centres of their images.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from board_pictures import a_camera, facing, render, rms

from engine.boards.candidates import Detection
from engine.boards.circle_centres import centre_shift_px
from engine.boards.detect import detect
from engine.boards.pattern import Board

CAMERA = a_camera(2592, 1944, 2800.0)
BOARDS = (
    Board("chessboard", 11, 8, 20.0),
    Board("circles", 9, 7, 20.0, diameter_mm=10.0),
    Board("circles-staggered", 4, 11, 40.0, diameter_mm=12.0),
    Board("charuco", 11, 8, 20.0, dictionary="DICT_5X5_100", marker_mm=15.0),
)
VIEWS = (("near", 450.0, 20.0), ("middle", 900.0, 45.0), ("far", 1800.0, 30.0))
RUNS = 5


def timed(search: Callable[[], Detection]) -> tuple[Detection, float, float]:
    """Return what was found, and the least wall and processor time [ms]."""
    walls, works = [], []
    for _ in range(RUNS):
        wall, work = time.perf_counter(), time.process_time()
        found = search()
        walls.append(1e3 * (time.perf_counter() - wall))
        works.append(1e3 * (time.process_time() - work))
    return found, min(walls), min(works)


def with_board(board: Board, rng: np.random.Generator) -> None:
    for name, distance, tilt in VIEWS:
        T = facing(board, distance, tilt, 30.0, 10.0)
        picture = render(board, T, CAMERA, rng=rng, blur_px=1.0, noise=3.0, rays=2)
        found, wall, work = timed(lambda image=picture.image: detect(image, board))
        truth = picture.pixels + centre_shift_px(T, board, CAMERA)
        off = min(rms(found.pixels, t[found.ids]) for t in (truth, truth[::-1]))
        print(
            f"{board.pattern:18} {name:8} {len(found.ids):3}/{board.count:3} "
            f"{off:8.3f} {found.scatter_px:8.3f} {wall:8.0f} {work:8.0f}"
        )


def without_board(board: Board, rng: np.random.Generator) -> None:
    coarse = rng.integers(0, 256, (61, 81), dtype=np.uint8)
    images = {
        "noise": rng.integers(0, 256, (1944, 2592), dtype=np.uint8),
        "clutter": cv2.resize(coarse, (2592, 1944), interpolation=cv2.INTER_NEAREST),
        "dim": rng.normal(20, 2, (1944, 2592)).astype(np.uint8),
    }
    for name, image in images.items():
        found, wall, work = timed(lambda image=image: detect(image, board))
        assert not found.found
        print(f"{board.pattern:18} {name:8} {'none':>7} {'':8} {'':8} {wall:8.0f} {work:8.0f}")


def main() -> None:
    rng = np.random.default_rng(1)
    print("board              image      found   rms px  scatter  wall ms  work ms")
    for board in BOARDS:
        with_board(board, rng)
        without_board(board, rng)


if __name__ == "__main__":
    main()
