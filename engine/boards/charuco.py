"""Search for a charuco board: its markers say which corner is which, so a part is enough."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from itertools import product
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ..arrays import Array, Grey
from ..camera.lens import Lens
from .candidates import Detection, full_size, mapped, nothing, on_one_line, reduced
from .corners import REACH, measure_corners
from .grids import described, on_surface
from .pattern import Board, charuco_layout
from .placement import board_cells
from .surface import Surface, fitted
from .windows import SATURATED, Measured, pixel_noise, sampled

LEAST_MARKER_RATE = 0.01  # [-] of the long side: a marker's outline, and
LEAST_CELL_PX = 0.7  # px a bit of it at least, aslant: fewer cannot be read; 5 px a side
OUTLINE_RATE = 0.05  # [-] of the outline: how far it may bend; finds small tilted markers
SEARCH_PX = 2592  # long side; larger images are reduced for the markers
FIRST_PX = 1296  # long side of the image that is looked at first, and
MOST_OUTLINES = 2000  # outlines there: tiles have thousands, clutter around a board some hundreds
# The marker search compares all outlines with each other: 6,000 of a fine grid take 8 s. A board
# shows its markers, their bits and squares.
MOST_SQUARES, SQUARES_A_CORNER = 1800, 4
LOCAL_PX, LOCAL_STEP = 23, 7  # px, grey levels: dark against the mean around, as the search has it
NOISY, SMOOTH_PX = 6.0, 1.0  # grey levels of a pixel's noise that make outlines; px, against them
# OpenCV's search takes steps of so many grey levels for edges: a dark image is lit up first, such
# that the brightest part of it is as bright as paper; hot pixels are not asked.
DARK, PAPER, BRIGHTEST = 64.0, 180.0, 98.0  # grey levels, and percent of the pixels
LEVELS_STEP = 8  # px between those that are asked
LEAST_CORNERS = 4  # a pose needs four points
MOST_SQUARES_A_SIDE = 60  # of a board whose count is looked for
LEAST_MARKERS = 5  # that say how many there are in a row
ON_PLACE = 0.2  # [-] of a square: how far a marker may lie off its place (mean)
NOT_ALL = 0.01  # the same, where all lie on it; by the other layout one in a row of 60 is out
# [-] of the contrast: how close what lies beyond the last row must be to the paper around the
# markers; and of the squares there: so many must be in view
PAPER_ALIKE, MOST_SEEN = 0.35, 0.75
# The window ends at the markers, whose corners lie by the gap off both edges; their rim is blurred.
RIM_PX = 1.5  # px


def detect_charuco(image: Grey, board: Board, lens: Lens | None = None) -> Detection:
    """Return the corners of ``board`` seen in ``image`` (h, w), ids as OpenCV's; a part is allowed.

    Points on one line or fewer than four are no detection.
    """
    seen = _seen(image, board)
    if seen is None:
        return nothing()
    small, (corners, ids, markers, marker_ids) = seen
    other = None if marker_ids is None else _other_count(markers, np.ravel(marker_ids), board)
    if other is not None:
        return replace(nothing(), other_count=other)
    if ids is None or len(ids) < LEAST_CORNERS:
        return nothing()
    order = np.argsort(np.ravel(ids))
    number = np.ravel(ids)[order].astype(np.int64)
    rough = full_size(np.asarray(corners, float).reshape(-1, 2)[order], small, image)
    cells = board_cells(board)[number].astype(float)
    if on_one_line(cells):
        return nothing()
    steps = fitted(cells, rough, lens).steps(cells)
    found = _measured(image, rough, steps, board, cells)
    keep = np.flatnonzero(found.good)
    keep = keep[on_surface(cells[keep], found.pixels[keep], lens)] if len(keep) else keep
    if len(keep) < LEAST_CORNERS or on_one_line(cells[keep]):
        return nothing()
    pixels, covariance = found.pixels[keep], found.covariance[keep]
    rows = int(cells[keep, 1].max()) + 1
    if rows < board.rows and _ends(image, fitted(cells[keep], pixels, lens), rows, board):
        return replace(nothing(), other_count=(board.columns, rows))
    return described(number[keep], pixels, covariance, board, lens)


def _seen(image: Grey, board: Board) -> tuple[Grey, Sequence[Any]] | None:
    """Return what OpenCV's search says of an image no larger than it likes, and that image.

    A small one is enough where it shows all corners. None where outlines abound in it and none is
    a marker: tiles, say.
    """
    small = _search_image(image, FIRST_PX)
    if _squares(small) > MOST_SQUARES + board.count * SQUARES_A_CORNER:
        return None
    search = _detector(board, max(small.shape))
    if max(image.shape) > FIRST_PX:
        finder = cv2.aruco.ArucoDetector(
            charuco_layout(board).getDictionary(), search.getDetectorParameters()
        )
        markers, marker_ids, others = finder.detectMarkers(small)
        if marker_ids is None and len(others) > MOST_OUTLINES:
            return None
        if marker_ids is not None:
            seen = search.detectBoard(small, None, None, markers, marker_ids)
            if seen[1] is not None and len(seen[1]) == board.count:
                return small, seen
        small = _search_image(image, SEARCH_PX)
        search = _detector(board, max(small.shape))
    return small, search.detectBoard(small)


def _search_image(image: Grey, longest_px: int) -> Grey:
    """Return the image no longer than that, in the full range of greys.

    It is smoothed where its noise would make outlines.
    """
    small = reduced(image, longest_px)
    brightest = float(np.percentile(small[::LEVELS_STEP, ::LEVELS_STEP], BRIGHTEST))
    if 0 < brightest < DARK:
        small = np.asarray(cv2.convertScaleAbs(small, alpha=PAPER / brightest), np.uint8)
    if pixel_noise(small) < NOISY:
        return small
    return np.asarray(cv2.GaussianBlur(small, (0, 0), SMOOTH_PX), np.uint8)


def _other_count(
    markers: Sequence[Any], ids: NDArray[np.int32], board: Board
) -> tuple[int, int] | None:
    """Return columns and rows of the board that the ``markers`` (n of 1, 4, 2) [px] are of.

    None where it is the cell's, or they do not tell; the cell's where its layout is the other one,
    with markers where the cell has dark squares. Markers count row by row, so that their
    numbers say how many stand in a row, and the last one how many rows there are.
    """
    if len(ids) < LEAST_MARKERS:
        return None
    quads = np.asarray(markers, float).reshape(-1, 4, 2)
    centres, side = quads.mean(axis=1), np.linalg.norm(quads[:, 1] - quads[:, 0], axis=1)
    square = float(np.median(side)) * board.pitch_mm / (board.marker_mm or board.pitch_mm)

    def off(across: int, first: bool) -> Array:
        """Return how far the markers lie off their places (n,) [-] of a square."""
        places = _marker_places(ids, across, first)
        H = None if on_one_line(places) else cv2.findHomography(places, centres, cv2.LMEDS)[0]
        if H is None:
            return np.ones(len(ids))
        away = np.linalg.norm(mapped(np.asarray(H), places) - centres, axis=1)
        return np.asarray(np.minimum(away / square, 1.0))

    kind = board.columns + 1, board.first_is_light
    found, own = off(*kind), kind
    if found.mean() > NOT_ALL:
        across = range(2, MOST_SQUARES_A_SIDE + 1) if found.mean() > ON_PLACE else (own[0],)
        best = min(product(across, (False, True)), key=lambda other: float(off(*other).mean()))
        if (better := off(*best)).mean() < found.mean() / 2:  # not by what the lens bends
            kind, found = best, better
        if found.mean() > ON_PLACE:
            return None
    down = int(_marker_places(ids, *kind)[found < 2 * ON_PLACE, 1].max()) + 1
    if kind[0] != own[0] or down > board.rows + 1:
        return kind[0] - 1, down - 1
    return None if kind == own else (board.columns, board.rows)


def _ends(image: Grey, surface: Surface, rows: int, board: Board) -> bool:
    """Tell whether there is paper where a board of more than ``rows`` rows has dark squares."""
    column = np.arange(-1, board.columns)
    in_dark = (column + rows + board.first_is_light) % 2 == 0
    half_gap = (1 - (board.marker_mm or 0) / board.pitch_mm) / 4

    def at_height(x: Array, row: float) -> Array:
        return surface.at(np.column_stack([x, np.full(len(x), row)]))

    beyond, beside = column[in_dark] + 0.5, column[~in_dark] + 0.5
    at = at_height(beyond, rows + 0.5)
    there = np.all((at > 0) & (at < np.array(image.shape[::-1]) - 1), axis=1)
    paper = sampled(image, at_height(beyond, rows - half_gap))
    dark = np.median(sampled(image, at_height(beside, rows - 0.5)))
    seen = sampled(image, at)
    alike = (np.abs(seen - paper) < PAPER_ALIKE * (paper - dark)) & (seen < SATURATED)
    return bool(there.mean() > MOST_SEEN and alike[there].all())


def _marker_places(ids: NDArray[np.int32], across: int, first: bool) -> Array:
    """Return the squares (n, 2) of markers on a board of ``across`` squares a row.

    ``first`` tells whether the first square holds a marker.
    """
    pair, rest = np.divmod(ids, across)
    above = (across + first) // 2  # markers of the upper one of two rows
    low = rest >= above
    x = np.where(low, 2 * (rest - above) + first, 2 * rest + (not first))
    return np.column_stack([x, 2 * pair + low]).astype(float)


def _squares(image: Grey) -> int:
    """Return how many dark outlines have four corners and the size of a marker, at a quick look."""
    dark = cv2.adaptiveThreshold(
        image, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY_INV, LOCAL_PX, LOCAL_STEP
    )
    outlines, _ = cv2.findContours(dark, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
    least, count = LEAST_MARKER_RATE * max(image.shape), 0
    for outline in outlines:
        if len(outline) >= least:
            corners = cv2.approxPolyDP(outline, OUTLINE_RATE * len(outline), closed=True)
            count += len(corners) == 4
    return count


def _measured(image: Grey, places: Array, steps: Array, board: Board, cells: Array) -> Measured:
    gap = (1.0 - (board.marker_mm or 0.0) / board.pitch_mm) / 2
    spacing = float(np.median(np.linalg.norm(steps, axis=1)))
    reach = min(REACH, 2**0.5 * gap - RIM_PX / spacing)
    noise = pixel_noise(image)
    dark = np.asarray(cells.sum(axis=1) % 2 == 0)
    choices = [measure_corners(image, places, steps, d, noise, reach) for d in (dark, ~dark)]
    return max(choices, key=lambda found: int(found.good.sum()))


@lru_cache(maxsize=8)
def _detector(board: Board, longest_px: int) -> cv2.aruco.CharucoDetector:
    layout, markers = charuco_layout(board), cv2.aruco.DetectorParameters()
    bits = layout.getDictionary().markerSize + 2  # and the border
    markers.minMarkerPerimeterRate = max(LEAST_MARKER_RATE, 4 * bits * LEAST_CELL_PX / longest_px)
    markers.polygonalApproxAccuracyRate = OUTLINE_RATE
    parameters = cv2.aruco.CharucoParameters()
    parameters.tryRefineMarkers = True  # rejected outlines where the layout expects a marker
    return cv2.aruco.CharucoDetector(layout, parameters, markers)
