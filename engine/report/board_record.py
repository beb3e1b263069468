"""The words of a board's record page: how to mount it, how to measure it, lines to fill in."""

from __future__ import annotations

import textwrap

from ..boards.pattern import Board
from .board_artwork import POINT_NAMES

CHARACTER_MM = 1.75  # mean width of the page's 8.5 pt letters, with reserve
BLANK = "_" * 14

_MOUNTING = (
    "Print at 100 %, then measure the check bar on every sheet: 100 mm ± 0.2 mm. A printer may "
    "stretch along the paper only: measure both ways on the pattern below.",
    "Glue the whole sheet, free of bubbles, on a stiff flat plate (glass or aluminium composite, "
    "5 mm or thicker). Flat within 0.1 mm over the board is common practice (no source).",
    "Matt paper and matt film: a mirrored lamp hides points. Keep the white border.",
    "Fix the board with screws and pins, never with tape or a magnet alone: it must not shift by "
    "a hair while stations are recorded, nor when the arm turns it over.",
    "Mark point 0 and the pitch on the plate; write the date on it.",
    "Mount it with the robot stopped and secured against restart. The robot maker's and the local "
    "rules come first.",
)
_TILES = (
    "Over several sheets: cut the left and the upper edge of a sheet at the full marks, lay it "
    "over its neighbour up to the broken marks until the pattern runs on, glue, then measure "
    "across every seam."
)

_LETTERS = (
    "Cut off or cover ruler and caption after measuring: in an image, letters can pass for small "
    "circles."
)


def record_lines(board: Board, title: str, *, width_mm: float) -> list[tuple[str, bool]]:
    """Return the page's lines as (text, is a heading), wrapped to ``width_mm``."""
    wrap = max(40, int(width_mm / CHARACTER_MM))
    lines: list[tuple[str, bool]] = [("Record of a calibration board", True)]
    lines += _wrapped(_data(board, title), wrap)
    lines += [("", False), ("Mounting and flatness", True)]
    for hint in (*_MOUNTING, _TILES):
        lines += _wrapped("• " + hint, wrap, "  ")
    if board.pattern.startswith("circles"):
        lines += _wrapped("• " + _LETTERS, wrap, "  ")
    lines += [("", False), ("Measured pitch", True)]
    lines += _wrapped(_how_to_measure(board), wrap)
    for name, gaps, nominal in _distances(board):
        lines += [("", False)]
        lines += _wrapped(
            f"{name}: nominal {nominal:.3f} mm,  measured {BLANK} mm,  ÷ {gaps:g} = {BLANK} mm",
            wrap,
        )
    lines += [("", False), (f"Mean pitch, to be entered as board.pitch_mm: {BLANK} mm", False)]
    lines += [("", False), (f"Measured with: {BLANK}{BLANK}  at {BLANK} °C", False)]
    lines += [("", False), (f"Date: {BLANK}  Name: {BLANK}{BLANK}", False)]
    return lines


def _data(board: Board, title: str) -> str:
    text = f"{title}: " if title else ""
    text += f"{board.pattern}, {board.columns} × {board.rows} {POINT_NAMES[board.pattern]}, "
    text += f"pitch {board.pitch_mm:g} mm (from one point to the next along a row)"
    if board.diameter_mm and board.pattern.startswith("circles"):
        text += f", circles of {board.diameter_mm:g} mm diameter"
    if board.pattern == "charuco":
        text += f", markers of {board.marker_mm:g} mm from {board.dictionary}"
        text += ", legacy layout" if board.legacy_layout else ""
    return text + "."


def _how_to_measure(board: Board) -> str:
    circles = board.pattern.startswith("circles")
    where = "from left edge to left edge of the circles" if circles else "from corner to corner"
    return (
        f"Measure over the whole length, {where}, with a glass scale or a checked steel rule. "
        "Where rows and columns differ by more than 0.1 %, have the board made elsewhere, or give "
        "measured points in board.points_file."
    )


def _distances(board: Board) -> list[tuple[str, float, float]]:
    """Return (name, number of pitches, nominal distance [mm]) of four lines to measure."""
    end, last_row = board.columns - 1, (board.rows - 1) * board.columns
    # Rows of a staggered board lie half a pitch apart; with odd rows the last one is in line.
    down = (board.rows - 1) * (0.5 if board.pattern == "circles-staggered" else 1.0)
    return [
        (f"First row, point 0 to {end}", end, end * board.pitch_mm),
        (f"Last row, point {last_row} to {last_row + end}", end, end * board.pitch_mm),
        (f"First column, point 0 to {last_row}", down, down * board.pitch_mm),
        (f"Last column, point {end} to {last_row + end}", down, down * board.pitch_mm),
    ]


def _wrapped(text: str, wrap: int, indent: str = "") -> list[tuple[str, bool]]:
    return [(line, False) for line in textwrap.wrap(text, wrap, subsequent_indent=indent)]
