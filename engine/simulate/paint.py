"""What a board looks like in its own plane: reflectance averaged over each pixel's footprint."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..boards.charuco_layout import charuco_layout
from ..boards.pattern import Board

Grey = NDArray[np.floating[Any]]  # single precision in practice: 1e-5 mm on a board is plenty

WHITE = 0.80  # [-] reflectance of matt paper; common practice, no source
BLACK = 0.06  # [-] of printer's black
PLATE = 0.42  # [-] of the brushed plate that the print is glued to
QUIET_PITCHES = 0.6  # [pitch] white margin around the outermost squares or circles
RIM_MM = 9.0  # mm of bare plate around the print
LEAST_MM2 = np.float32(1e-9)  # mm²/px²; keeps footprints at a lens model's fold from vanishing
HOLE_MM = 2.4  # mm radius of the fixing holes in the rim's corners


@dataclass(frozen=True, slots=True, eq=False)
class Footprints:
    """Where pixels fall in the board's plane, and how large they are there.

    Attributes:
        x, y: (h, w) board coordinates of the pixel centres [mm].
        xx, xy, yy: (h, w) scalar products of the gradients of x and y over the image [mm²/px²].
    """

    x: Grey
    y: Grey
    xx: Grey
    xy: Grey
    yy: Grey


def print_limits(board: Board) -> tuple[float, float, float, float]:
    """Return the white print's rectangle x_min, y_min, x_max, y_max [mm] in the board frame."""
    points = board.points()[:, :2]
    pitch, margin = board.pitch_mm, QUIET_PITCHES * board.pitch_mm
    reach = pitch if board.pattern in ("chessboard", "charuco") else _radius(board)
    low, high = points.min(axis=0) - reach - margin, points.max(axis=0) + reach + margin
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def plate_limits(board: Board) -> tuple[float, float, float, float]:
    """Return the whole plate's rectangle x_min, y_min, x_max, y_max [mm] in the board frame."""
    x0, y0, x1, y1 = print_limits(board)
    return x0 - RIM_MM, y0 - RIM_MM, x1 + RIM_MM, y1 + RIM_MM


def painted(board: Board, at: Footprints, *, back: bool = False) -> tuple[Grey, Grey]:
    """Return reflectance and cover (h, w) [0 to 1] of the board's plate; ``back``: from behind."""
    cover = _rectangle(at, plate_limits(board))
    plate = np.full_like(at.x, PLATE)
    if back:
        return plate, cover
    plate -= (PLATE - BLACK) * _holes(at, plate_limits(board))
    white = _rectangle(at, print_limits(board))
    ink = _INK[board.pattern](board, at)
    paper = WHITE - (WHITE - BLACK) * ink
    return plate + white * (paper - plate), cover


def _radius(board: Board) -> float:
    """Return the circles' radius [mm]; 0 on boards without circles."""
    return (board.diameter_mm or 0.0) / 2


def _rectangle(at: Footprints, limits: tuple[float, float, float, float]) -> Grey:
    x0, y0, x1, y1 = limits
    return _span(at.x, at.xx, x0, x1) * _span(at.y, at.yy, y0, y1)


def _span(c: Grey, square: Grey, low: float, high: float) -> Grey:
    """Return the share of each pixel that lies between two straight edges."""
    width = np.sqrt(square)
    inside = np.minimum(c - np.float32(low), np.float32(high) - c)
    share: Grey = np.clip(inside / width + np.float32(0.5), 0, 1)
    return share


def _disc(at: Footprints, dx: Grey, dy: Grey, radius: float) -> Grey:
    """Return the share of each pixel covered by a disc whose centre is at (−dx, −dy)."""
    rho2 = np.maximum(dx * dx + dy * dy, np.float32(1e-12))
    square = (dx * dx * at.xx + 2 * dx * dy * at.xy + dy * dy * at.yy) / rho2
    slope = np.sqrt(np.maximum(square, LEAST_MM2))
    share: Grey = np.clip((np.float32(radius) - np.sqrt(rho2)) / slope + np.float32(0.5), 0, 1)
    return share


def _holes(at: Footprints, limits: tuple[float, float, float, float]) -> Grey:
    x0, y0, x1, y1 = limits
    inset = RIM_MM / 2
    dx = np.where(at.x < (x0 + x1) / 2, at.x - (x0 + inset), at.x - (x1 - inset))
    dy = np.where(at.y < (y0 + y1) / 2, at.y - (y0 + inset), at.y - (y1 - inset))
    return _disc(at, dx.astype(np.float32), dy.astype(np.float32), HOLE_MM)


def _cells(c: Grey, width: Grey, count: int) -> tuple[NDArray[np.int32], Grey]:
    """Split footprints of ``width`` around ``c`` [in cells 0 to ``count``] between two cells.

    Returns the lower cell and the share that falls into the next one. Footprints beyond the outer
    cells are moved inside: the caller trims the rim.
    """
    width = np.minimum(width, np.float32(1))
    upper = np.clip(c + width / 2, width, np.float32(count))
    edge = np.floor(upper)
    share = np.minimum((upper - edge) / width, np.float32(1))
    return edge.astype(np.int32) - 1, share


def _checks(board: Board, at: Footprints, *, first_dark: bool = True) -> Grey:
    """Return the share of dark squares; ``first_dark``: the square before point 0 is dark."""
    pitch = np.float32(board.pitch_mm)
    i, right = _cells(at.x / pitch + 1, np.sqrt(at.xx) / pitch, board.columns + 1)
    j, below = _cells(at.y / pitch + 1, np.sqrt(at.yy) / pitch, board.rows + 1)
    sign = 1 - 2 * ((i + j + (not first_dark)) & 1).astype(np.float32)
    dark: Grey = (1 + sign * (1 - 2 * right) * (1 - 2 * below)) / 2
    return dark


def _squares(board: Board, at: Footprints) -> Grey:
    p = board.pitch_mm
    return _rectangle(at, (-p, -p, board.columns * p, board.rows * p))


def _chessboard(board: Board, at: Footprints) -> Grey:
    return _checks(board, at) * _squares(board, at)


def _circles(board: Board, at: Footprints) -> Grey:
    pitch = np.float32(board.pitch_mm)
    column = np.clip(np.rint(at.x / pitch), 0, board.columns - 1)
    row = np.clip(np.rint(at.y / pitch), 0, board.rows - 1)
    return _disc(at, at.x - column * pitch, at.y - row * pitch, _radius(board))


def _staggered(board: Board, at: Footprints) -> Grey:
    """Every pixel lies in a disc of the row above it or of the row below it, or in none."""
    half = np.float32(board.pitch_mm / 2)
    ink = np.zeros_like(at.x)
    above = np.floor(at.y / half)
    for candidate in (above, above + 1):
        row = np.clip(candidate, 0, board.rows - 1)
        shift = np.mod(row, 2)
        column = np.clip(np.rint((at.x / half - shift) / 2), 0, board.columns - 1)
        dx, dy = at.x - (2 * column + shift) * half, at.y - row * half
        ink = np.maximum(ink, _disc(at, dx, dy, _radius(board)))
    return ink


def _charuco(board: Board, at: Footprints) -> Grey:
    marks, marker_mm = _markers(board)
    first_dark = not marks[0, 0].any()  # markers stand in the white squares
    ink = _checks(board, at, first_dark=first_dark) + _marker_ink(board, at, marks, marker_mm)
    return ink * _squares(board, at)


def _marker_ink(board: Board, at: Footprints, marks: Grey, marker_mm: float) -> Grey:
    """Return the ink of the markers: ``marks`` (rows + 1, columns + 1, cells, cells)."""
    count = marks.shape[-1]  # cells along a marker, and one empty cell at either end
    pitch, cell = np.float32(board.pitch_mm), np.float32(marker_mm / (count - 2))
    first = np.float32((board.pitch_mm - marker_mm) / 2) - cell  # mm from the square's side
    column = np.clip(np.floor(at.x / pitch), -1, board.columns - 1)
    row = np.clip(np.floor(at.y / pitch), -1, board.rows - 1)
    i, right = _cells((at.x - column * pitch - first) / cell, np.sqrt(at.xx) / cell, count)
    j, below = _cells((at.y - row * pitch - first) / cell, np.sqrt(at.yy) / cell, count)
    square = (row.astype(np.int32) + 1) * (board.columns + 1) + column.astype(np.int32) + 1
    i1, j1 = np.minimum(i + 1, count - 1), np.minimum(j + 1, count - 1)
    line, line1 = (square * count + j) * count, (square * count + j1) * count
    flat = marks.ravel()
    above = np.take(flat, line + i) * (1 - right) + np.take(flat, line + i1) * right
    under = np.take(flat, line1 + i) * (1 - right) + np.take(flat, line1 + i1) * right
    ink: Grey = above * (1 - below) + under * below
    return ink


@lru_cache(maxsize=4)
def _markers(board: Board) -> tuple[Grey, float]:
    """Return the markers' ink (rows + 1, columns + 1, cells, cells) and their width [mm].

    The layout is OpenCV's own; cells run along x last, with one empty cell around the marker.
    """
    layout = charuco_layout(board)
    dictionary = layout.getDictionary()
    cells = dictionary.markerSize + 2
    marks = np.zeros((board.rows + 1, board.columns + 1, cells + 2, cells + 2), np.float32)
    for marker, corners in zip(np.ravel(layout.getIds()), layout.getObjPoints(), strict=True):
        column, row = (np.mean(corners, axis=0)[:2] // board.pitch_mm).astype(int)
        image = dictionary.generateImageMarker(int(marker), cells)
        marks[row, column, 1:-1, 1:-1] = image < 128
    return marks, float(layout.getMarkerLength())


_INK: dict[str, Callable[[Board, Footprints], Grey]] = {
    "chessboard": _chessboard,
    "circles": _circles,
    "circles-staggered": _staggered,
    "charuco": _charuco,
}
