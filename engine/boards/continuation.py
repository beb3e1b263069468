"""Does the pattern go on beyond the points that were found? Then it is not the board of the cell.

A detector that looks for fewer rows or columns than the board in view has can settle anywhere on
it, differently in every image, and all its points would carry wrong numbers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array, Grey
from .candidates import homography, mapped
from .pattern import Board

Index = NDArray[np.int64]

# [-] of the contrast between dark and light: how far each place may be from the grey that a
# continued pattern has there. A margin differs by all of it at every other place.
ALIKE = 0.35


@dataclass(frozen=True, slots=True)
class _Lattice:
    """Places on the board whose greys are known: dark and light by turns along each side.

    Place (i, j) with 0 <= i, j < ``size`` lies at (i + ``shift``) · ``step_mm`` and likewise down.
    A continued pattern's next row is ``beyond`` steps outside.
    """

    step_mm: float
    shift: float
    size: tuple[int, int]
    beyond: int


def goes_on(image: Grey, points: Array, board: Board) -> bool:
    """Tell whether a further row or column of the pattern lies beside the ``points`` (count, 2).

    On any side that lies in the image, every place of the next row must have the grey that the
    pattern would have there.
    """
    lattice = _lattice(board)
    H = homography(board.points()[:, :2], points)
    columns, rows = (np.arange(n) for n in lattice.size)
    grey, kinds, _ = _look(image, H, board, lattice, columns, rows)
    first, second = np.median(grey[kinds == 0]), np.median(grey[kinds == 1])
    if first == second:
        return False
    before, after = -lattice.beyond, lattice.beyond - 1
    sides = [(np.array([before]), rows), (np.array([columns.size + after]), rows)]
    sides += [(columns, np.array([before])), (columns, np.array([rows.size + after]))]
    for i, j in sides:
        grey, kinds, there = _look(image, H, board, lattice, i, j)
        off = np.abs((grey - first) / (second - first) - kinds)
        if there.all() and off.max() < ALIKE:
            return True
    return False


def _lattice(board: Board) -> _Lattice:
    c, r, p = board.columns, board.rows, board.pitch_mm
    if board.pattern == "chessboard":
        return _Lattice(p, -0.5, (c + 1, r + 1), 1)  # middles of the squares
    if board.pattern == "circles-staggered":
        return _Lattice(p / 2, 0.0, (2 * c, r), 1)
    return _Lattice(p / 2, 0.0, (2 * c - 1, 2 * r - 1), 2)


def _look(
    image: Grey, H: Array, board: Board, lattice: _Lattice, columns: Index, rows: Index
) -> tuple[Array, Index, NDArray[np.bool_]]:
    """Return greys (n,), kinds (n,) and which places lie in the image, for all (column, row)."""
    i, j = (index.ravel() for index in np.meshgrid(columns, rows))
    plain = board.pattern == "circles"  # circles where both are even, else background between them
    kinds = (i % 2) | (j % 2) if plain else (i + j) % 2
    places: Array = (np.column_stack([i, j]) + lattice.shift).astype(np.float64)
    at = mapped(H, places * lattice.step_mm)
    height, width = image.shape
    there = np.all((at >= 1) & (at <= (width - 2, height - 2)), axis=1, keepdims=True)
    u, v = np.rint(np.where(there, at, 1)).astype(int).T
    around = [image[v + down, u + right] for down in (-1, 0, 1) for right in (-1, 0, 1)]
    return np.mean(around, axis=0, dtype=np.float64), kinds, there[:, 0]
