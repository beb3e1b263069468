"""A charuco board as OpenCV describes it: which marker stands in which square."""

from __future__ import annotations

import cv2

from ..errors import StationbookError
from .pattern import Board


def charuco_layout(board: Board) -> cv2.aruco.CharucoBoard:
    """Return OpenCV's description of a charuco board; its origin is the outer corner.

    Raises StationbookError for an unknown dictionary, one with too few markers, or a marker that
    does not fit its square.
    """
    dictionary = _dictionary(board.dictionary)
    if board.marker_mm is None or not 0 < board.marker_mm < board.pitch_mm:
        raise StationbookError(
            f"board.marker_mm: a marker of {board.marker_mm} mm does not fit a square of "
            f"{board.pitch_mm:g} mm",
            "Measure the markers on the board; three quarters of the pitch is common.",
        )
    squares = (board.columns + 1, board.rows + 1)
    needed, there = squares[0] * squares[1] // 2, len(dictionary.bytesList)
    if needed > there:
        raise StationbookError(
            f"board.dictionary: {board.dictionary} has {there} markers, the board needs {needed}",
            "Choose the dictionary that the board was made with.",
        )
    layout = cv2.aruco.CharucoBoard(squares, board.pitch_mm, board.marker_mm, dictionary)
    layout.setLegacyPattern(board.legacy_layout)
    return layout


def _dictionary(name: str | None) -> cv2.aruco.Dictionary:
    """Return a dictionary by OpenCV's name, in any case and with or without ``DICT_``."""
    upper = (name or "").upper()
    key = upper if upper.startswith("DICT_") else f"DICT_{upper}"
    known = sorted(word for word in vars(cv2.aruco) if word.startswith("DICT_"))
    if key not in known:
        raise StationbookError(
            f"board.dictionary: unknown marker dictionary {name!r}", f"Known: {', '.join(known)}."
        )
    return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, key))
