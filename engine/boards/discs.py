"""Centres of the images of circles, as centres of gravity of their grey."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .pattern import Board
from .scatter import homography, mapped

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]

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
