"""Find the board in an image: its points in pixels, numbered as the board numbers them."""

from __future__ import annotations

import numpy as np

from ..arrays import Grey
from ..camera.lens import lens
from ..camera.model import Camera
from ..errors import StationbookError
from .candidates import Detection
from .charuco import detect_charuco
from .grids import detect_grid
from .pattern import Board, check_board

__all__ = ["Detection", "detect"]


LEAST_SIDE_PX = 32  # px; nothing smaller holds a board, and OpenCV's detectors fail on slivers


def detect(image: Grey, board: Board, camera: Camera | None = None) -> Detection:
    """Return the points of ``board`` in the grey image (h, w) uint8.

    All points of the board or none, except for charuco boards, which may be seen in part. Point 0
    and the order are the board's own as far as the pattern shows them; what it leaves open is
    listed by `symmetry.symmetries`. The order is never mirrored. Raises StationbookError for an
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
    data = None
    if camera is not None and not camera.guessed and camera.image_size_px == image.shape[::-1]:
        data = lens(camera)
    if board.pattern == "charuco":
        return detect_charuco(image, board, data)
    return detect_grid(image, board, data)
