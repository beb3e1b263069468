"""What is black on a calibration board: plain shapes in the board frame, nothing drawn yet."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..boards.charuco import charuco_layout
from ..boards.pattern import Board, check_board

Box = tuple[float, float, float, float]  # x0, y0, x1, y1 [mm], x along a row, y down the rows

POINT_NAMES = {
    "chessboard": "inner corners",
    "charuco": "inner corners",
    "circles": "circles",
    "circles-staggered": "circles",
}


@dataclass(frozen=True, slots=True, eq=False)
class Artwork:
    """The ink of one board [mm, board frame].

    Attributes:
        rectangles: (n, 4) filled boxes x0 y0 x1 y1.
        circles: (m, 2) centres of filled circles of ``diameter``.
        diameters: (m,) of the circles.
        light: the shapes are white on black.
        outline: the smallest box around all squares or circles.
    """

    rectangles: Array
    circles: Array
    diameters: Array
    light: bool
    outline: Box


def artwork(board: Board) -> Artwork:
    """Return the ink of ``board`` as designed (measured points are not drawn).

    Raises StationbookError for a board that cannot exist.
    """
    check_board(board)
    ideal = replace(board, measured=None)
    if board.pattern in ("circles", "circles-staggered"):
        return _circles(ideal)
    markers = _marker_cells(ideal) if board.pattern == "charuco" else np.empty((0, 4))
    pitch = ideal.pitch_mm
    return Artwork(
        rectangles=np.vstack([_squares(ideal), markers]),
        circles=np.empty((0, 2)),
        diameters=np.empty(0),
        light=ideal.light,
        outline=(-pitch, -pitch, ideal.columns * pitch, ideal.rows * pitch),
    )


def _circles(board: Board) -> Artwork:
    centres, reach = board.points()[:, :2], board.diameters()[:, None] / 2
    low, high = (centres - reach).min(axis=0), (centres + reach).max(axis=0)
    outline = (float(low[0]), float(low[1]), float(high[0]), float(high[1]))
    there = board.present
    return Artwork(np.empty((0, 4)), centres[there], board.diameters()[there], board.light, outline)


def _squares(board: Board) -> Array:
    """Return the dark squares (n, 4); the outer corner square beside point 0 is dark."""
    row, column = np.mgrid[0 : board.rows + 1, 0 : board.columns + 1]
    # OpenCV's legacy layout starts every board with a light square when the rows are even.
    light_first = board.pattern == "charuco" and board.legacy_layout and (board.rows + 1) % 2 == 0
    dark = (row + column) % 2 == (1 if light_first else 0)
    x, y = (column[dark] - 1.0) * board.pitch_mm, (row[dark] - 1.0) * board.pitch_mm
    return np.column_stack([x, y, x + board.pitch_mm, y + board.pitch_mm])


def _marker_cells(board: Board) -> Array:
    """Return the dark cells of all markers as boxes (n, 4), joined along rows of cells."""
    made = charuco_layout(board)
    dictionary = made.getDictionary()
    across = dictionary.markerSize + 2  # one dark border cell on each side
    boxes = []
    for marker, corners in zip(np.ravel(made.getIds()), made.getObjPoints(), strict=True):
        bits = dictionary.generateImageMarker(int(marker), across, borderBits=1) == 0
        first, last = np.asarray(corners, float)[[0, 2], :2] - board.pitch_mm
        edges_x, edges_y = (np.linspace(first[k], last[k], across + 1) for k in (0, 1))
        for row, start, stop in _runs(bits):
            boxes.append((edges_x[start], edges_y[row], edges_x[stop], edges_y[row + 1]))
    return np.array(boxes)


def _runs(bits: NDArray[np.bool_]) -> list[tuple[int, int, int]]:
    """Return (row, start, stop) of every unbroken run of true cells."""
    padded = np.pad(bits.astype(int), ((0, 0), (1, 1)))
    step = np.diff(padded, axis=1)
    starts, stops = np.argwhere(step == 1), np.argwhere(step == -1)
    return [(int(a[0]), int(a[1]), int(b[1])) for a, b in zip(starts, stops, strict=True)]
