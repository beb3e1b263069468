"""Search for a charuco board: its markers say which corner is which, so a part is enough."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np

from ..arrays import Array, Grey
from ..errors import StationbookError
from .candidates import Detection, nothing, on_one_line, scatter_px
from .corners import refined, spacings
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


LEAST_MARKER_RATE = 0.01  # [-] of the long side: a marker's outline; 6 px a side at 5 megapixels
OUTLINE_RATE = 0.05  # [-] of the outline: how far it may bend; finds small tilted markers
# Half the window: as for chessboards, but short of the marker by what its rim's blur and gradient
# take up. On rendered boards an error of 0.05 px where a window up to the marker gives 0.25 px.
# Which of the two is better depends on the blur; the scatter tells.
WINDOW_SHARE = 0.3  # [-] of the distance between corners
RIMS_PX = (1.0, 2.0)
LEAST_CORNERS = 4  # a pose needs four points


def detect_charuco(image: Grey, board: Board) -> Detection:
    """Return the corners of ``board`` seen in ``image`` (h, w), ids as OpenCV's; a part is allowed.

    Points on one line or fewer than four are no detection.
    """
    corners, ids, _, _ = _detector(board).detectBoard(image)
    if ids is None or len(ids) < LEAST_CORNERS:
        return nothing()
    order = np.argsort(np.ravel(ids))
    number = np.ravel(ids)[order].astype(np.int64)
    rough = np.asarray(corners, float).reshape(-1, 2)[order]
    xy = board.points()[number, :2]
    if on_one_line(xy):
        return nothing()
    apart = spacings(rough, xy, board.pitch_mm)
    choices = [refined(image, rough, _half_windows(apart, board, rim)) for rim in RIMS_PX]
    return min(
        (Detection(number, p, "markers, refined", scatter_px(xy, p)) for p in choices),
        key=lambda found: found.scatter_px or 0.0,
    )


def _half_windows(apart: Array, board: Board, rim_px: float) -> Array:
    """Return half the windows (n,) [px] for corners ``apart`` (n,) [px] from their neighbours."""
    gap_share = (1.0 - (board.marker_mm or 0.0) / board.pitch_mm) / 2
    return np.minimum(WINDOW_SHARE * apart, gap_share * apart - rim_px)


@lru_cache(maxsize=4)
def _detector(board: Board) -> cv2.aruco.CharucoDetector:
    markers = cv2.aruco.DetectorParameters()
    markers.minMarkerPerimeterRate = LEAST_MARKER_RATE
    markers.polygonalApproxAccuracyRate = OUTLINE_RATE
    parameters = cv2.aruco.CharucoParameters()
    parameters.tryRefineMarkers = True  # rejected outlines where the layout expects a marker
    return cv2.aruco.CharucoDetector(charuco_layout(board), parameters, markers)
