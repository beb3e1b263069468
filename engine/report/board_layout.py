"""A calibration board on paper: what is black on it, and where it stands on one or more sheets."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from math import ceil

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..boards.pattern import Board, charuco_layout, check_board
from ..errors import StationbookError

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
        circles: (m, 2) centres of filled circles.
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
    if board.has_circles:
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
    """Return the dark squares (n, 4)."""
    row, column = np.mgrid[0 : board.rows + 1, 0 : board.columns + 1]
    dark = (row + column) % 2 == board.first_is_light
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


# ---- on paper ----------------------------------------------------------------------------------

# Trimmed sizes [mm], portrait: ISO 216 (A and B series) and the inch sizes of ANSI/ASME Y14.1.
PAPERS = {
    "A0": (841.0, 1189.0),
    "A1": (594.0, 841.0),
    "A2": (420.0, 594.0),
    "A3": (297.0, 420.0),
    "A4": (210.0, 297.0),
    "A5": (148.0, 210.0),
    "B2": (500.0, 707.0),
    "B3": (353.0, 500.0),
    "B4": (250.0, 353.0),
    "LETTER": (215.9, 279.4),
    "LEGAL": (215.9, 355.6),
    "TABLOID": (279.4, 431.8),
    "ANSI C": (431.8, 558.8),
    "ANSI D": (558.8, 863.6),
}
PAPER_LIMITS_MM = (100.0, 5000.0)  # the check ruler must fit; PDF readers end at 5080 mm
MARGIN_MM = 6.0  # common practice: office printers leave 4 to 5 mm blank
STRIP_MM = 18.0  # ruler and three lines of caption
RULER_MM = 100.0
OVERLAP_MM = 10.0  # common practice: enough to glue and to see the pattern run on
MOST_SHEETS = 100  # more is a slip in the paper size or the pitch


@dataclass(frozen=True, slots=True)
class Sheet:
    """One sheet of paper [mm, origin in the upper left corner, y down].

    Attributes:
        size: width and height of the paper.
        window: the part of the board frame that this sheet shows.
        origin: where the board's point 0 stands on the sheet (may lie outside).
        strip: box of ruler and caption; taller than wide: written upwards.
        row, column: place among ``rows`` × ``columns`` sheets, from 1.
    """

    size: tuple[float, float]
    window: Box
    origin: tuple[float, float]
    strip: Box
    row: int = 1
    column: int = 1
    rows: int = 1
    columns: int = 1

    @property
    def tiled(self) -> bool:
        """Tell whether this is one sheet of several."""
        return self.rows * self.columns > 1


def paper_size(paper: str) -> tuple[float, float]:
    """Return width and height [mm] of a named paper, or of ``WIDTHxHEIGHT`` in mm.

    Raises StationbookError for an unknown name or a size that cannot carry the check ruler.
    """
    name = " ".join(paper.upper().split())
    if name in PAPERS:
        return PAPERS[name]
    match = re.fullmatch(r"(\d+(?:\.\d+)?)\s*[X×*]\s*(\d+(?:\.\d+)?)(?:\s*MM)?", name)
    if not match:
        raise StationbookError(
            f"unknown paper {paper!r}",
            f"Write one of {', '.join(PAPERS)}, or width x height in mm, such as 297x420.",
        )
    size = (float(match[1]), float(match[2]))
    low, high = PAPER_LIMITS_MM
    if not all(low <= side <= high for side in size):
        raise StationbookError(
            f"paper of {size[0]:g} × {size[1]:g} mm",
            f"Sides of {low:g} to {high:g} mm can be used.",
        )
    return size


def sheets(outline: Box, quiet: float, paper: str, tiling: bool) -> tuple[Sheet, ...]:
    """Place a board with ``outline`` [mm] and a white border ``quiet`` [mm] on ``paper``.

    One sheet where the board fits in either orientation; otherwise as few as possible when
    ``tiling``. Raises StationbookError when the board does not fit.
    """
    size = paper_size(paper)
    if single := _single(outline, quiet, size):
        return (single,)
    if not tiling:
        width, height = outline[2] - outline[0], outline[3] - outline[1]
        raise StationbookError(
            f"the board is {width:g} × {height:g} mm and does not fit on {paper} "
            f"({size[0]:g} × {size[1]:g} mm) with its white border and the check ruler",
            "Choose a larger paper, or ask for tiling over several sheets.",
        )
    return _tiles(outline, quiet, size, paper)


def _single(outline: Box, quiet: float, size: tuple[float, float]) -> Sheet | None:
    """Return the sheet that carries the whole board, strip below or at the right, or None."""
    width, height = outline[2] - outline[0], outline[3] - outline[1]
    edge = max(MARGIN_MM, quiet)
    beside = edge + quiet + STRIP_MM + MARGIN_MM
    for w, h in (size, size[::-1]):
        below = w >= width + 2 * edge and h >= height + beside and w >= RULER_MM + 2 * MARGIN_MM
        right = h >= height + 2 * edge and w >= width + beside and h >= RULER_MM + 2 * MARGIN_MM
        if not (below or right):
            continue
        end = (w - MARGIN_MM, h - MARGIN_MM)
        if below:
            strip = (MARGIN_MM, end[1] - STRIP_MM, *end)
            free = (w, strip[1])
        else:
            strip = (end[0] - STRIP_MM, MARGIN_MM, *end)
            free = (strip[0], h)
        corner = ((free[0] - width) / 2, (free[1] - height) / 2)
        window = (outline[0] - quiet, outline[1] - quiet, outline[2] + quiet, outline[3] + quiet)
        return Sheet((w, h), window, (corner[0] - outline[0], corner[1] - outline[1]), strip)
    return None


def _tiles(outline: Box, quiet: float, size: tuple[float, float], paper: str) -> tuple[Sheet, ...]:
    """Return the sheets, row by row, in the orientation that needs fewest."""
    whole = (outline[2] - outline[0] + 2 * quiet, outline[3] - outline[1] + 2 * quiet)
    plans = []
    for w, h in (size, size[::-1]):
        usable = (w - 2 * MARGIN_MM, h - 3 * MARGIN_MM - STRIP_MM)
        if w >= RULER_MM + 2 * MARGIN_MM and min(usable) > 2 * OVERLAP_MM:
            columns, rows = (
                max(1, ceil((whole[k] - OVERLAP_MM) / (usable[k] - OVERLAP_MM))) for k in (0, 1)
            )
            plans.append((rows * columns, rows, columns, (w, h)))
    if not plans or min(plans)[0] > MOST_SHEETS:
        raise StationbookError(
            f"the board of {whole[0]:g} × {whole[1]:g} mm needs more than {MOST_SHEETS} sheets "
            f"of {paper}",
            "Choose a larger paper; check board.pitch_mm in the cell.",
        )
    _, rows, columns, paper_mm = min(plans)
    tile = ((whole[0] - OVERLAP_MM) / columns, (whole[1] - OVERLAP_MM) / rows)
    start = (outline[0] - quiet, outline[1] - quiet)
    end = (paper_mm[0] - MARGIN_MM, paper_mm[1] - MARGIN_MM)
    strip = (MARGIN_MM, end[1] - STRIP_MM, *end)
    placed = []
    for row, column in np.ndindex(rows, columns):
        x, y = start[0] + column * tile[0], start[1] + row * tile[1]
        window = (x, y, x + tile[0] + OVERLAP_MM, y + tile[1] + OVERLAP_MM)
        at = (MARGIN_MM - x, MARGIN_MM - y)
        placed.append(Sheet(paper_mm, window, at, strip, row + 1, column + 1, rows, columns))
    return tuple(placed)
