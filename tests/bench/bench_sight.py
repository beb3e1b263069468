"""What is seen in images with faults, beside OpenCV's detectors on the same images.

Run as a script: `bench_sight.py [IMAGES] [FIRST] [OTHERS] [BOARDS]` draws IMAGES pictures of every
pattern and fault (tests/faulty_pictures.py); OTHERS 0: without OpenCV, which takes most of the
time; BOARDS 1: boards of other counts, marked, light, and further shapes of the faults. Found:
at least two thirds of the clear points, rightly numbered. Wrong: a numbering that the board does
not have. Off: accepted images with a point more than 2 px off.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from faulty_pictures import FAULTS, MORE, PATTERNS, Faulty, faulty

from engine.boards.circle_centres import centre_shift_px
from engine.boards.detect import detect
from engine.boards.pattern import Board, Larger, charuco_layout, symmetries

FAR_PX = 2.0  # px; an accepted point farther off is wrong
SHARE = 2 / 3  # of the clear points


CIRCLES = PATTERNS["circles"]
OTHER_BOARDS = {
    "larger": replace(CIRCLES, larger=Larger((21, 24, 40), 13.0)),
    "missing": replace(CIRCLES, missing=(21, 24, 40)),
    "light circles": replace(CIRCLES, light=True),
    "light chessboard": replace(PATTERNS["chessboard"], light=True),
    "light staggered": replace(PATTERNS["circles-staggered"], light=True),
    "chessboard 14 x 13": Board("chessboard", 14, 13, 12.0),
    "chessboard 7 x 5": Board("chessboard", 7, 5, 24.0),
    "chessboard 6 x 6": Board("chessboard", 6, 6, 24.0),
    "circles 5 x 4": Board("circles", 5, 4, 30.0, diameter_mm=14.0),
    "circles 7 x 7": Board("circles", 7, 7, 22.0, diameter_mm=10.0),
    "staggered 4 x 11": Board("circles-staggered", 4, 11, 36.0, diameter_mm=13.0),
    "charuco 6 x 4": replace(PATTERNS["charuco"], columns=6, rows=4, pitch_mm=28.0, marker_mm=21.0),
}


def truths(picture: Faulty, board: Board) -> list[tuple[np.ndarray, np.ndarray]]:
    """True pixels and clear points, for every numbering that the board allows."""
    shift = centre_shift_px(picture.camera_T_board, board, picture.camera)
    turns = [np.arange(board.count), *(turn.permutation for turn in symmetries(board))]
    return [((picture.pixels + shift)[t], picture.clear[t]) for t in turns]


def by_opencv(image: np.ndarray, board: Board) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Ids and pixels by each of OpenCV's detectors for it; those that find something."""
    size, every = (board.columns, board.rows), np.arange(board.count)
    found = {}
    if board.pattern == "chessboard":
        found["contour"] = cv2.findChessboardCorners(image, size)
        found["sector"] = cv2.findChessboardCornersSB(image, size)
    elif board.pattern == "charuco":
        corners, ids, _, _ = cv2.aruco.CharucoDetector(charuco_layout(board)).detectBoard(image)
        if ids is None:
            return {}
        return {"markers": (np.ravel(ids), np.asarray(corners, float).reshape(-1, 2))}
    else:
        plain = board.pattern == "circles"
        kind = cv2.CALIB_CB_SYMMETRIC_GRID if plain else cv2.CALIB_CB_ASYMMETRIC_GRID
        found["grid"] = cv2.findCirclesGrid(image, size, flags=kind)
        found["clusters"] = cv2.findCirclesGrid(image, size, flags=kind | cv2.CALIB_CB_CLUSTERING)
    return {k: (every, np.asarray(p, float).reshape(-1, 2)) for k, (ok, p) in found.items() if ok}


def fits(ids: np.ndarray, pixels: np.ndarray, ways: list) -> tuple[bool, float]:
    """Whether an image counts as found, and how far the worst point is off [px]."""
    worst = [np.linalg.norm(pixels - truth[ids], axis=1) for truth, _ in ways]
    off, (_, clear) = min(zip(worst, ways, strict=True), key=lambda pair: np.median(pair[0]))
    right = np.sum((off < FAR_PX) & clear[ids]) >= SHARE * clear.sum()
    return bool(right), float(off.max())


def any_order(pixels: np.ndarray, ways: list) -> bool:
    """Whether OpenCV's points are the board's in any order: its start is arbitrary."""
    truth, clear = ways[0]
    away = np.linalg.norm(truth[:, None] - pixels[None], axis=2).min(axis=1)
    return bool(np.sum((away < FAR_PX) & clear) >= SHARE * clear.sum())


def main(images: int = 4, first: int = 100, others: int = 1, boards: int = 0) -> None:
    cv2.setNumThreads(1)
    print(
        "pattern            fault      images  usable  found  off  wrong  cpu ms   OpenCV's found"
    )
    total = np.zeros(6, int)
    for name, board in (OTHER_BOARDS if boards else PATTERNS).items():
        for fault in FAULTS + MORE if boards else FAULTS:
            total += one_kind(name, board, fault, range(first, first + images), bool(others))
    print("all: images, usable, found, off, wrong, accepted:", *total)


def one_kind(name: str, board: Board, fault: str, seeds: range, compared: bool) -> np.ndarray:
    counts, others, works = np.zeros(6, int), {}, []
    for seed in seeds:
        picture = faulty(board, fault, seed, width=(800, 1024, 1280)[seed % 3])
        ways = truths(picture, board)
        start = time.process_time()
        seen = detect(picture.image, board, picture.camera)
        works.append(1e3 * (time.process_time() - start))
        usable = picture.clear.sum() >= SHARE * len(board.present)
        right, worst = fits(seen.ids, seen.pixels, ways) if seen.found else (False, 0.0)
        median_wrong = seen.found and not right and worst > 10
        counts += [1, usable, usable and right, worst > FAR_PX, median_wrong, seen.found]
        for which, (ids, pixels) in (by_opencv(picture.image, board) if compared else {}).items():
            good = fits(ids, pixels, ways)[0] if which == "markers" else any_order(pixels, ways)
            others[which] = others.get(which, 0) + int(good and usable)
    told = ", ".join(f"{which} {count}" for which, count in others.items())
    images, usable, found, off, wrong, _ = counts
    print(
        f"{name:18} {fault:10} {images:6} {usable:7} {found:6} {off:4} {wrong:6} "
        f"{np.median(works):7.0f}   {told}",
        flush=True,
    )
    return counts


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
