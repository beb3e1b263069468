"""What is black on a calibration board: plain shapes in the board frame, nothing drawn yet."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from ..boards.pattern import Board
from ..errors import StationbookError

Array = NDArray[np.float64]
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
        diameter: of the circles, 0 where there are none.
        outline: the smallest box around all squares or circles.
    """

    rectangles: Array
    circles: Array
    diameter: float
    outline: Box


def artwork(board: Board) -> Artwork:
    """Return the ink of ``board`` as designed (measured points are not drawn).

    Raises StationbookError for sizes that cannot be drawn.
    """
    ideal = replace(board, measured=None)
    if ideal.columns < 2 or ideal.rows < 2 or not 0 < ideal.pitch_mm < 1e4:
        raise StationbookError(
            f"a board of {board.columns} × {board.rows} points, pitch {board.pitch_mm:g} mm, "
            "cannot be drawn",
            "Correct board.columns, board.rows and board.pitch_mm in the cell.",
        )
    if board.pattern in ("circles", "circles-staggered"):
        return _circles(ideal)
    markers = _marker_cells(ideal) if board.pattern == "charuco" else np.empty((0, 4))
    pitch = ideal.pitch_mm
    return Artwork(
        rectangles=np.vstack([_squares(ideal), markers]),
        circles=np.empty((0, 2)),
        diameter=0.0,
        outline=(-pitch, -pitch, ideal.columns * pitch, ideal.rows * pitch),
    )


def _circles(board: Board) -> Artwork:
    staggered = board.pattern == "circles-staggered"
    nearest = board.pitch_mm / np.sqrt(2) if staggered else board.pitch_mm
    if board.diameter_mm is None or not 0 < board.diameter_mm < nearest:
        raise StationbookError(
            f"circles of diameter {board.diameter_mm} mm do not stay apart: neighbouring centres "
            f"are {nearest:.4g} mm apart",
            "Correct board.diameter_mm in the cell; half the distance is common.",
        )
    centres = board.points()[:, :2]
    radius = board.diameter_mm / 2
    low, high = centres.min(axis=0) - radius, centres.max(axis=0) + radius
    outline = (float(low[0]), float(low[1]), float(high[0]), float(high[1]))
    return Artwork(np.empty((0, 4)), centres, board.diameter_mm, outline)


def _squares(board: Board) -> Array:
    """Return the dark squares (n, 4); the outer corner square beside point 0 is dark."""
    row, column = np.mgrid[0 : board.rows + 1, 0 : board.columns + 1]
    # OpenCV's legacy layout starts every board with a light square when the rows are even.
    light_first = board.pattern == "charuco" and board.legacy_layout and (board.rows + 1) % 2 == 0
    dark = (row + column) % 2 == (1 if light_first else 0)
    x, y = (column[dark] - 1.0) * board.pitch_mm, (row[dark] - 1.0) * board.pitch_mm
    return np.column_stack([x, y, x + board.pitch_mm, y + board.pitch_mm])


def charuco_board(board: Board) -> cv2.aruco.CharucoBoard:
    """Return OpenCV's description of a charuco board; its origin is the outer corner.

    Raises StationbookError for an unknown dictionary or a marker that does not fit its square.
    """
    name = (board.dictionary or "").upper()
    known = sorted(key for key in vars(cv2.aruco) if key.startswith("DICT_"))
    key = name if name.startswith("DICT_") else f"DICT_{name}"
    if key not in known:
        raise StationbookError(
            f"unknown marker dictionary {board.dictionary!r}", f"Known: {', '.join(known)}."
        )
    if board.marker_mm is None or not 0 < board.marker_mm < board.pitch_mm:
        raise StationbookError(
            f"a marker of {board.marker_mm} mm does not fit a square of {board.pitch_mm:g} mm",
            "Correct board.marker_mm in the cell; three quarters of the pitch is common.",
        )
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, key))
    squares = (board.columns + 1, board.rows + 1)
    if squares[0] * squares[1] // 2 > len(dictionary.bytesList):
        raise StationbookError(
            f"{key} has {len(dictionary.bytesList)} markers, the board needs "
            f"{squares[0] * squares[1] // 2}",
            "Choose a dictionary with more markers or a board with fewer squares.",
        )
    made = cv2.aruco.CharucoBoard(squares, board.pitch_mm, board.marker_mm, dictionary)
    made.setLegacyPattern(board.legacy_layout)
    return made


def _marker_cells(board: Board) -> Array:
    """Return the dark cells of all markers as boxes (n, 4), joined along rows of cells."""
    made = charuco_board(board)
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
