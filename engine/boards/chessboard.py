"""Search for a chessboard: a sector-based and a contour-based detector, then refinement.

The sector-based detector (Duda & Frese 2018, `findChessboardCornersSB`) stands blur and noise, the
contour-based one (`findChessboardCorners`) finds some boards that the first one misses. Both search
a reduced image; their corners are refined on the full one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import cv2
import numpy as np

from ..arrays import Array, Grey
from .candidates import Detection, full_size, least_scattered, nothing, reduced, scatter_px
from .continuation import goes_on
from .corners import refined, spacings
from .order import ordered, squares_alternate
from .pattern import Board

Size = tuple[int, int]

SEARCH_PX = 1296  # long side; half of a 5-megapixel image, where a search takes about 0.1 s
LAST_SEARCH_PX = 1944  # long side; the last try, for small boards in large images
# Half the window as a share of the distance to the next corner. Measured: on rendered boards 0.3 is
# as good as 0.4 within 0.003 px and better than 0.2, more so with blur; on photographs 0.4 lets
# single outer corners be pulled away by up to 13 px where a square's outer edge is near.
WINDOW_SHARES = (0.2, 0.3)
# A detector's own corners replace refined ones only where their scatter is clearly less: with
# 50 points it is itself known to about 10 % (1/√(2·88), chi-squared), and on boards that are
# not flat the difference says little.
CLEARLY_LESS = 0.8
FALSE_SHARE = 0.1  # [-] of the distance to the next corner: more scatter is no flat chessboard
SUSPECT_SHARE = 0.02  # [-] of it: so much scatter is worth asking the other detector as well


def detect_chessboard(image: Grey, board: Board) -> Detection:
    """Return all inner corners of ``board`` in ``image`` (h, w), or a detection of nothing."""
    best = nothing()
    for grid, method in _grids(image, board):
        found = _measured(image, board, grid, method)
        best = least_scattered([best, found])
        if best.found and not _suspect(best, board, SUSPECT_SHARE):
            break
    return best


def _grids(image: Grey, board: Board) -> Iterator[tuple[Array, str]]:
    """Yield rough grids (rows, columns, 2), the cheap searches first."""
    small, scale = reduced(image, SEARCH_PX)
    tries = [(small, _sectors), (small, _contours), (small, _sectors_thorough)]
    if scale < 1.0:
        tries.append((reduced(image, LAST_SEARCH_PX)[0], _sectors))
    for searched, search in tries:
        found, corners = search(searched, (board.columns, board.rows))
        if found:
            points = full_size(np.asarray(corners, float).reshape(-1, 2), searched, image)
            method = "contour-based" if search is _contours else "sector-based"
            yield points.reshape(board.rows, board.columns, 2), method


def _sectors(image: Grey, size: Size) -> tuple[bool, Any]:
    return cv2.findChessboardCornersSB(image, size, flags=0)


def _sectors_thorough(image: Grey, size: Size) -> tuple[bool, Any]:
    flags = cv2.CALIB_CB_EXHAUSTIVE | cv2.CALIB_CB_NORMALIZE_IMAGE
    return cv2.findChessboardCornersSB(image, size, flags=flags)


def _contours(image: Grey, size: Size) -> tuple[bool, Any]:
    flags = cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE | cv2.CALIB_CB_FAST_CHECK
    return cv2.findChessboardCorners(image, size, flags=flags)


def _measured(image: Grey, board: Board, grid: Array, method: str) -> Detection:
    """Return the least scattered of a rough grid and its refinements; nothing for a false one."""
    if not squares_alternate(grid, image):
        return nothing()
    xy = board.points()[:, :2]
    start = ordered(grid, image, board)
    apart = spacings(start, xy, board.pitch_mm)
    ids = np.arange(board.count)
    own = Detection(ids, start, method, scatter_px(xy, start))
    best = nothing()
    for share in WINDOW_SHARES:
        points = refined(image, start, share * apart)
        candidate = replace(
            own, pixels=points, method=f"{method}, refined", scatter_px=scatter_px(xy, points)
        )
        best = least_scattered([best, candidate])
    if _below(own, best):
        best = own
    if _suspect(best, board, FALSE_SHARE) or goes_on(image, best.pixels, board):
        return nothing()
    return best


def _below(own: Detection, best: Detection) -> bool:
    if own.scatter_px is None or best.scatter_px is None:
        return not best.found
    return own.scatter_px < CLEARLY_LESS * best.scatter_px


def _suspect(found: Detection, board: Board, share: float) -> bool:
    """Tell whether the points scatter by more than ``share`` of the distance between corners."""
    if not found.found or found.scatter_px is None:
        return not found.found
    apart = spacings(found.pixels, board.points()[:, :2], board.pitch_mm)
    return bool(found.scatter_px > share * np.median(apart))
