"""The turns after which a board looks the same: its points can then be numbered in several ways."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .pattern import Board

HALF_TURN = "half a turn"
QUARTER_TURN = "a quarter turn"
BACK_TURN = "a quarter turn back"


@dataclass(frozen=True, slots=True, eq=False)
class Turn:
    """A turn of the board in its own plane after which the pattern looks the same.

    Attributes:
        name: the turn in words.
        permutation: (count,); after the turn, point k lies where point permutation[k] was.
    """

    name: str
    permutation: NDArray[np.int64]


def symmetries(board: Board) -> tuple[Turn, ...]:
    """Return the turns, other than none, after which ``board`` looks the same.

    Square (i, j) of a chessboard is dark where i + j is even. A half turn takes it to
    (columns − i, rows − j), which keeps all colours if columns + rows is even; a quarter turn of a
    square board takes it to (columns − j, i), which keeps them if columns is even. A staggered
    board with an odd number of rows has its rows of both kinds at other distances from the left
    and right side, so a half turn shows; charuco markers always show the turn.
    """
    if board.pattern in ("charuco", "circles-staggered"):
        return ()
    chess = board.pattern == "chessboard"
    if chess and (board.columns + board.rows) % 2:
        return ()
    if board.columns != board.rows or (chess and board.columns % 2):
        return (_turn(board, 2),)
    return _turn(board, 1), _turn(board, 2), _turn(board, 3)


def _turn(board: Board, quarters: int) -> Turn:
    """Return the turn by ``quarters`` quarter turns, from the x axis towards the y axis."""
    ids = np.arange(board.count).reshape(board.rows, board.columns)
    names = {1: QUARTER_TURN, 2: HALF_TURN, 3: BACK_TURN}
    return Turn(names[quarters], np.rot90(ids, quarters).ravel())
