"""Find the board in an image: its points in pixels, numbered as the board numbers them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from ..arrays import Grey
from ..camera.lens import Lens, lens
from ..camera.model import Camera
from ..errors import StationbookError
from .candidates import Detection
from .charuco import detect_charuco
from .grids import detect_grid
from .pattern import Board, check_board

__all__ = ["Detection", "detect"]


Search = Callable[[Grey, Board, Lens | None], Detection]
LEAST_SIDE_PX = 32  # px; nothing smaller holds a board, and OpenCV's detectors fail on slivers


def detect(image: Grey, board: Board, camera: Camera | None = None) -> Detection:
    """Return the points of ``board`` in the grey image (h, w) uint8.

    All points of the board or none, except for charuco boards, which may be seen in part. Point 0
    and the order are the board's own as far as the pattern shows them; what it leaves open is
    listed by `pattern.symmetries`. The order is never mirrored. Raises StationbookError for an
    impossible board or an array that is no grey image.
    """
    check_board(board)
    if image.ndim != 2 or image.dtype != np.uint8:
        raise StationbookError(
            f"expected a grey image (h, w) of uint8, got {image.shape} of {image.dtype}"
        )
    if min(image.shape) < LEAST_SIDE_PX:
        raise StationbookError(
            f"an image of {image.shape[1]} × {image.shape[0]} px cannot show a board",
            f"Take images of at least {LEAST_SIDE_PX} px on each side.",
        )
    image = np.ascontiguousarray(image)
    search = detect_charuco if board.pattern == "charuco" else detect_grid
    if camera is None or camera.image_size_px != image.shape[::-1]:
        return search(image, board, None)
    if not camera.guessed:
        return search(image, board, lens(camera))
    return _with_unknown_lens(image, board, camera, search)


WIDE = (0.65, 0.35)  # [-] of the long side: focal lengths of wide-angle lenses
# An image that grows with the angle itself, as wide-angle lenses are made: k1 k2 p1 p2 k3 ... k6
# that follow atan(r) / r to 0.0002 up to r = 2.2, fitted.
EVEN_ANGLES = (0.9212, 0.1669, 0.0, 0.0, 0.003057, 1.255, 0.3853, 0.02279)


def _with_unknown_lens(image: Grey, board: Board, camera: Camera, search: Search) -> Detection:
    """Return what is found without lens data, or with those of wide-angle lenses if that is more.

    A session that shall find its lens from its images needs the boards in them first.
    """
    best = search(image, board, None)
    width, height = camera.image_size_px
    middle = (width - 1) / 2, (height - 1) / 2
    for share in WIDE:
        if len(best.ids) == len(board.present):
            break
        f = share * max(width, height)
        matrix = ((f, 0.0, middle[0]), (0.0, f, middle[1]), (0.0, 0.0, 1.0))
        guess = replace(camera, matrix=matrix, distortion=EVEN_ANGLES)
        found = search(image, board, lens(guess))
        if (len(found.ids), len(found.pixels)) > (len(best.ids), len(best.pixels)):
            best = found
    return best
