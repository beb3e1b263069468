"""What measures the points of one image of one board, whatever its pattern."""

from __future__ import annotations

from dataclasses import replace
from math import ceil

import cv2
import numpy as np

from ..arrays import Array, Grey
from .candidates import Index
from .circles import ALIKE, measure_circles
from .corners import look_like_corners, measure_corners
from .pattern import Board
from .placement import board_cells
from .windows import Measured

SIZE_SIGMAS = 5.0  # of the sizes' own scatter: a circle farther off is covered in part
SIZE_LEAST = 0.06  # [-] of the area; that limit at least: blur takes more from small circles
# px between circles that are measured pixel by pixel: more adds no accuracy to their centres, and
# tells no better which places are circles; and px² that all of a board's may have, as half the
# spacing costs 1 to 8 % of accuracy
MOST_SPACING_PX, ROUGH_SPACING_PX, MOST_AREA_PX = 76.0, 38.0, 400_000.0


class Measurer:
    """What measures the points of one image: at places (n, 2), with steps (n, 2, 2) to the next."""

    def __init__(
        self, image: Grey, board: Board, noise: float, light: bool, spacing: float
    ) -> None:
        self.image, self.board, self.noise, self.light = image, board, noise, light
        # Large circles are measured on means over squares of pixels, which have the same centres.
        chess = board.pattern == "chessboard"
        fine = min(max((MOST_AREA_PX / board.count) ** 0.5, ROUGH_SPACING_PX), MOST_SPACING_PX)
        factors = (1 if chess else ceil(spacing / s) for s in (fine, ROUGH_SPACING_PX))
        self.fine, self.coarse = ((k, _means(image, k)) for k in factors)

    def rough(self, ij: Index, places: Array, steps: Array) -> Measured:
        """Tell which of the searched points are points of the pattern."""
        if self.board.pattern == "chessboard":
            dark = np.asarray(ij.sum(axis=1) % 2 == 0)
            return look_like_corners(self.image, places, steps, dark, self.noise)
        return self._circles(places, steps, None, self.coarse)

    def beside(self, ij: Index, places: Array, steps: Array, known: Measured | None) -> Measured:
        """Measure what is at lattice places beside ``known`` points; None: at points themselves."""
        if self.board.pattern != "chessboard":
            means = self.fine if known is None else self.coarse
            return self._circles(places, steps, known, means)
        dark = np.asarray(ij.sum(axis=1) % 2 == 0)
        return measure_corners(
            self.image, places, steps, dark, self.noise, margin_light=not self.board.light
        )

    def points(self, ids: Index, places: Array, steps: Array) -> Measured:
        """Measure the board's points ``ids`` (n,)."""
        cells = board_cells(self.board)[ids]
        if self.board.pattern == "chessboard":
            dark = np.asarray((cells.sum(axis=1) % 2 == 0) != self.board.light)
            return measure_corners(self.image, places, steps, dark, self.noise)
        radius = self.board.diameters()[ids] / 2 / self.board.spacing_mm
        found = self._circles_of(places, steps, radius, None, self.fine)
        return _one_size(_usual_size(found, found))

    def _circles(
        self, places: Array, steps: Array, known: Measured | None, means: tuple[int, Grey]
    ) -> Measured:
        """Measure circles of plain or larger size, whichever fits; sizes against plain ones."""
        board = self.board
        found: list[Measured] = []
        large = board.larger.diameter_mm if board.larger else None
        for diameter in [d for d in (board.diameter_mm, large) if d is not None]:
            radius = np.full(len(places), diameter / 2 / board.spacing_mm)
            seen = self._circles_of(places, steps, radius, known, means)
            ratio = (diameter / (board.diameter_mm or 1.0)) ** 2
            usual = known or (found[0] if found else seen)
            found.append(_usual_size(seen, usual, ratio))
        return found[0] if len(found) == 1 else _likelier(found[0], found[1])

    def _circles_of(
        self,
        places: Array,
        steps: Array,
        radius: Array,
        known: Measured | None,
        means: tuple[int, Grey],
    ) -> Measured:
        """Measure circles of radii [-] of the steps on ``means`` over squares of so many pixels."""
        k, image = means
        places, steps, noise = (places + 0.5) / k - 0.5, steps / k, self.noise / k
        usual = None if known is None else replace(known, pixels=(known.pixels + 0.5) / k - 0.5)
        found = measure_circles(image, places, steps, radius, noise, self.light, usual)
        pixels = (found.pixels + 0.5) * k - 0.5
        return replace(found, pixels=pixels, covariance=found.covariance * k**2)


def _means(image: Grey, factor: int) -> Grey:
    """Return the means over squares of ``factor`` × ``factor`` pixels; an incomplete rim is cut."""
    if factor == 1:
        return image
    height, width = (side // factor for side in image.shape)
    whole = image[: height * factor, : width * factor]
    return np.asarray(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), np.uint8)


def _one_size(found: Measured) -> Measured:
    """Return circles as good only where their size is the board's, to what its own scatter allows.

    A circle that is covered in part, or lies at the rim of a reflection, is smaller or larger.
    """
    if not found.good.any():
        return found
    size = np.log(np.maximum(found.size, 1e-9))
    off = np.abs(size - np.median(size[found.good]))
    limit = max(SIZE_SIGMAS * 1.4826 * float(np.median(off[found.good])), SIZE_LEAST)
    return replace(found, good=found.good & (off < limit))


def _usual_size(found: Measured, usual: Measured, ratio: float = 1.0) -> Measured:
    """Return circles as good only where their size is that of most plain ones times ``ratio``."""
    if not usual.good.any():
        return found
    plain = usual.good & (usual.size < 1.5 * np.median(usual.size[usual.good]))
    size = found.size / np.median(usual.size[plain])
    good = found.good & (size > ALIKE[0]) & (size < ALIKE[1])
    return replace(found, good=good, size=found.size * ratio)


def _likelier(plain: Measured, large: Measured) -> Measured:
    """Return circles as plain ones where these pass, else as larger ones."""
    second = large.good & ~plain.good
    picked = plain.and_(large)
    which = np.arange(len(second), dtype=np.int64) + np.where(second, len(second), 0)
    return replace(picked.take(which), empty=plain.empty & large.empty)
