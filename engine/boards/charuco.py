"""Search for a charuco board: its markers say which corner is which, so a part is enough."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np

from ..arrays import Array, Grey
from ..camera.lens import Lens
from ..errors import StationbookError
from .candidates import Detection, full_size, nothing, on_one_line, reduced
from .corners import REACH, measure_corners
from .grids import described, on_surface
from .pattern import Board
from .placement import board_cells
from .surface import fitted
from .windows import Measured, pixel_noise


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


LEAST_MARKER_RATE = 0.01  # [-] of the long side: a marker's outline; 6 px a side at 5 megapixels
OUTLINE_RATE = 0.05  # [-] of the outline: how far it may bend; finds small tilted markers
SEARCH_PX = 2592  # long side; larger images are reduced for the markers
FIRST_PX = 1296  # long side of the image that is looked at first, and
MOST_OUTLINES = 2000  # outlines there: tiles have thousands, clutter around a board some hundreds
# The marker search compares all outlines with each other: 6,000 of a fine grid take 8 s. A board
# shows its markers, their bits and squares.
MOST_SQUARES, SQUARES_A_CORNER = 1800, 4
LOCAL_PX, LOCAL_STEP = 23, 7  # px, grey levels: dark against the mean around, as the search has it
LEAST_CORNERS = 4  # a pose needs four points
# The window ends at the markers, whose corners lie by the gap off both edges; their rim is blurred.
RIM_PX = 1.5  # px


def detect_charuco(image: Grey, board: Board, lens: Lens | None = None) -> Detection:
    """Return the corners of ``board`` seen in ``image`` (h, w), ids as OpenCV's; a part is allowed.

    Points on one line or fewer than four are no detection.
    """
    if _clutter(image, board):
        return nothing()
    small, _ = reduced(image, SEARCH_PX)
    corners, ids, _, _ = _detector(board).detectBoard(small)
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
    method = "markers, corners"
    pixels, covariance = found.pixels[keep], found.covariance[keep]
    return described(number[keep], pixels, covariance, board, lens, method)


def _clutter(image: Grey, board: Board) -> bool:
    """Tell from a small image whether outlines abound and none of them is a marker: tiles, say."""
    small, _ = reduced(image, FIRST_PX)
    if _squares(small) > MOST_SQUARES + board.count * SQUARES_A_CORNER:
        return True
    if max(image.shape) <= FIRST_PX:
        return False
    markers = cv2.aruco.ArucoDetector(
        _dictionary(board.dictionary), _detector(board).getDetectorParameters()
    )
    _, ids, others = markers.detectMarkers(small)
    return ids is None and len(others) > MOST_OUTLINES


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


@lru_cache(maxsize=4)
def _detector(board: Board) -> cv2.aruco.CharucoDetector:
    markers = cv2.aruco.DetectorParameters()
    markers.minMarkerPerimeterRate = LEAST_MARKER_RATE
    markers.polygonalApproxAccuracyRate = OUTLINE_RATE
    parameters = cv2.aruco.CharucoParameters()
    parameters.tryRefineMarkers = True  # rejected outlines where the layout expects a marker
    return cv2.aruco.CharucoDetector(charuco_layout(board), parameters, markers)
