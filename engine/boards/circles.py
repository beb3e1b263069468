"""Search for a grid of circles, dark on bright or bright on dark, and refine their centres.

The search works on a reduced image. On the full one, each centre is the centre of gravity of the
circle's image, every pixel weighted by how far its grey lies from the background towards the
circle's: blur and sampling leave that unchanged. It is not the image of the circle's centre: see
`circle_centres`.
"""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from ..arrays import Array, Grey
from .candidates import (
    Detection,
    full_size,
    homography,
    least_scattered,
    mapped,
    nothing,
    reduced,
    scatter_px,
)
from .continuation import goes_on
from .order import ordered, right_handed
from .pattern import Board

RING_SHARE = 0.4  # [-] of the way from the rim to half-way between circles: background from there
CORE_SHARE = 0.6  # [-] of the radius: blur of the rim hardly reaches in
LEAST_RING_PX = 8  # pixels of background; a plane has three parameters
LEAST_CONTRAST = 8.0  # grey levels between circle and background; less is no circle
_ANGLES = np.linspace(0.0, 2 * np.pi, 24, endpoint=False)
_RIM: Array = np.column_stack([np.cos(_ANGLES), np.sin(_ANGLES)])


def refined_centres(image: Grey, centres: Array, board: Board) -> Array:
    """Return the centres of gravity (count, 2) [px] of the circles near ``centres`` (count, 2).

    Masks are discs in the board plane that reach half-way to the next circle, so they are ellipses
    in the image. The background's grey is a plane fitted to the outer ring of the mask, so that
    shading does not pull. A circle without contrast or at the image's border keeps its place.
    """
    xy = board.points()[:, :2]
    H = homography(xy, centres)
    return np.array([_centre(image, c, p, H, board) for c, p in zip(centres, xy, strict=True)])


def _centre(image: Grey, centre: Array, xy: Array, H: Array, board: Board) -> Array:
    radius, half_way = (board.diameter_mm or 0.0) / 2, board.spacing_mm / 2
    rim = mapped(H, xy + half_way * _RIM) - mapped(H, xy[None]) + centre
    low, high = np.floor(rim.min(axis=0)).astype(int), np.ceil(rim.max(axis=0)).astype(int) + 1
    height, width = image.shape
    if (low < 0).any() or high[0] > width or high[1] > height:
        return centre
    v, u = np.mgrid[low[1] : high[1], low[0] : high[0]]
    pixels = np.column_stack([u.ravel(), v.ravel()]).astype(float)
    back = np.asarray(np.linalg.inv(H), np.float64)
    away = np.linalg.norm(mapped(back, pixels) - mapped(back, centre[None]), axis=1)
    grey = image[low[1] : high[1], low[0] : high[0]].ravel().astype(float)
    inside = away <= half_way
    away, offset = away[inside], pixels[inside] - centre
    ring = away >= radius + RING_SHARE * (half_way - radius)
    return centre + _gravity(offset, grey[inside], ring, away <= CORE_SHARE * radius)


def _gravity(offset: Array, grey: Array, ring: NDArray[np.bool_], core: NDArray[np.bool_]) -> Array:
    """Return the centre of gravity (2,) of grey less background; zeros where there is no circle."""
    if ring.sum() < LEAST_RING_PX or not core.any():
        return np.zeros(2)
    plane = np.column_stack([np.ones(len(offset)), offset])
    background = plane @ np.linalg.lstsq(plane[ring], grey[ring], rcond=None)[0]
    weight = background - grey
    if abs(float(weight[core].mean())) < LEAST_CONTRAST:
        return np.zeros(2)
    gravity: Array = weight @ offset / weight.sum()
    return gravity


SEARCH_PX = 1296  # long side of the searched image
LEAST_AREA_PX = 12.0  # px² in the searched image; smaller blobs are noise
LEAST_APART_PX = 4.0  # px between two blobs
LEAST_INERTIA = 0.1  # [-] squared ratio of the axes; 70° of tilt
LEAST_CONVEXITY = 0.85  # [-] an ellipse is convex; pixel steps take some of it on small ones
THRESHOLDS = (10, 245, 15)  # grey levels: first, last, step
# OpenCV's grid search takes time with a high power of the candidates: 0.1 s for 500, minutes for
# 2000. Three times the circles leaves room for clutter.
MOST_BLOBS_RATIO = 3
FALSE_SHARE = 0.1  # [-] of the distance to the next circle: more scatter is no flat board


def detect_circles(image: Grey, board: Board) -> Detection:
    """Return all circles of ``board`` in ``image`` (h, w), or a detection of nothing."""
    small, _ = reduced(image, SEARCH_PX)
    for searched, polarity in ((small, "dark"), (255 - small, "bright")):
        blobs = _blobs(searched, board)
        found = least_scattered(
            _measured(image, board, full_size(grid.reshape(-1, 2), small, image), polarity)
            for grid in _grids(blobs, board)
        )
        if found.found:
            return found
    return nothing()


def _blobs(image: Grey, board: Board) -> Array:
    """Return the middles (n, 2) of dark blobs that could be circles, the likeliest sizes only."""
    wanted = cv2.SimpleBlobDetector.Params()
    wanted.minThreshold, wanted.maxThreshold, wanted.thresholdStep = THRESHOLDS
    wanted.minArea, wanted.maxArea = LEAST_AREA_PX, image.size / board.count
    wanted.minDistBetweenBlobs = LEAST_APART_PX
    wanted.filterByColor, wanted.blobColor = True, 0
    wanted.filterByInertia, wanted.minInertiaRatio = True, LEAST_INERTIA
    wanted.filterByConvexity, wanted.minConvexity = True, LEAST_CONVEXITY
    wanted.filterByCircularity = False
    found = sorted(cv2.SimpleBlobDetector.create(wanted).detect(image), key=lambda b: b.size)
    most = MOST_BLOBS_RATIO * board.count
    if len(found) > most:
        sizes = np.log([b.size for b in found])
        start = int(np.argmin(sizes[most - 1 :] - sizes[: len(sizes) - most + 1]))
        found = found[start : start + most]
    return np.array([b.pt for b in found], float).reshape(-1, 2)


def _grids(blobs: Array, board: Board) -> Iterator[Array]:
    """Yield the grids (count, 2) that OpenCV's two searches make of the blobs."""
    if len(blobs) < board.count:
        return
    plain = board.pattern == "circles"
    kind = cv2.CALIB_CB_SYMMETRIC_GRID if plain else cv2.CALIB_CB_ASYMMETRIC_GRID
    candidates = blobs.astype(np.float32).reshape(-1, 1, 2)
    size, settings = (board.columns, board.rows), cv2.CirclesGridFinderParameters()
    for flags in (kind | cv2.CALIB_CB_CLUSTERING, kind):
        # Without a blob detector, OpenCV takes the first argument as candidates; its stubs do not.
        found, centres = cv2.findCirclesGrid(candidates, size, flags, None, settings)  # type: ignore[call-overload]
        if found:
            yield np.asarray(centres, float).reshape(board.rows, board.columns, 2)


def _measured(image: Grey, board: Board, points: Array, polarity: str) -> Detection:
    """Return the ordered and refined circles; nothing where they are no flat board."""
    xy = board.points()[:, :2]
    grid = right_handed(points.reshape(board.rows, board.columns, 2))
    start = ordered(grid, image, board)
    rough = scatter_px(xy, start)
    apart = np.median(np.linalg.norm(np.diff(grid, axis=1), axis=2))
    if rough is None or rough > FALSE_SHARE * apart or goes_on(image, start, board):
        return nothing()
    centres = refined_centres(image, start, board)
    return Detection(
        np.arange(board.count), centres, f"{polarity} circles, refined", scatter_px(xy, centres)
    )
