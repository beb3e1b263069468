"""What makes a board possible: checked once, before anything searches for it."""

from __future__ import annotations

import math

from ..errors import StationbookError
from .pattern import Board

LEAST_CORNERS = 3  # chessboard corners along one side; both of OpenCV's detectors refuse fewer
LEAST_POINTS = 2  # points along one side; fewer do not span a plane


def check_board(board: Board) -> None:
    """Raise StationbookError when ``board`` cannot exist or cannot be told from its mirror image.

    The message names the key of the cell file, the value received and the remedy.
    """
    least = LEAST_CORNERS if board.pattern == "chessboard" else LEAST_POINTS
    for key in ("columns", "rows"):
        if getattr(board, key) < least:
            raise StationbookError(
                f"board.{key}: {getattr(board, key)} is too few for a {board.pattern} board",
                f"At least {least}; count inner corners or circles, not squares.",
            )
    _check_length("pitch_mm", board.pitch_mm)
    _CHECKS[board.pattern](board)


def _check_length(key: str, value: float | None) -> None:
    if value is None or not math.isfinite(value) or value <= 0:
        raise StationbookError(
            f"board.{key}: {value} is not a length", "Measure it on the board, in mm."
        )


def _check_circles(board: Board) -> None:
    _check_length("diameter_mm", board.diameter_mm)
    if board.diameter_mm is not None and board.diameter_mm >= board.spacing_mm:
        raise StationbookError(
            f"board.diameter_mm: circles of {board.diameter_mm:g} mm touch their neighbours, "
            f"{board.spacing_mm:.4g} mm away",
            "Measure one circle; pitch_mm is the distance between neighbours of one row.",
        )


def _check_staggered(board: Board) -> None:
    if board.rows % 2 == 0:
        raise StationbookError(
            f"board.rows: a circles-staggered board has an odd number of rows, got {board.rows}",
            "Cover or leave out the last row: with an even number half a turn cannot be seen.",
        )
    _check_circles(board)


def _check_chessboard(board: Board) -> None:
    """Nothing more: corners need no size."""


def _check_charuco(board: Board) -> None:
    from .charuco_layout import charuco_layout  # brings OpenCV, which other boards do not need

    charuco_layout(board)


_CHECKS = {
    "chessboard": _check_chessboard,
    "circles": _check_circles,
    "circles-staggered": _check_staggered,
    "charuco": _check_charuco,
}
