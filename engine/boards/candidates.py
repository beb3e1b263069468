"""Grids that a search found, and the choice among them by measured scatter."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]

NOTHING = "none"  # method of a detection that found nothing


@dataclass(frozen=True, slots=True, eq=False)
class Detection:
    """The board's points found in one image.

    Attributes:
        ids: (n,) int64, ascending; (0,) when the board was not found.
        pixels: (n, 2) [px] where the points are.
        method: how they were found, in words; "none" when they were not.
        scatter_px: scatter [px, per coordinate] of the points about a smooth image of the board, or
            None where there are too few to tell.
    """

    ids: NDArray[np.int64]
    pixels: Array
    method: str
    scatter_px: float | None

    @property
    def found(self) -> bool:
        """Whether any point was found."""
        return len(self.ids) > 0


def nothing() -> Detection:
    """Return the detection of an image without the board."""
    return Detection(np.empty(0, np.int64), np.empty((0, 2)), NOTHING, None)


def least_scattered(candidates: Iterable[Detection]) -> Detection:
    """Return the candidate with the least scatter, `nothing` when there is none."""
    known = [c for c in candidates if c.scatter_px is not None]
    return min(known, key=lambda c: c.scatter_px or 0.0, default=nothing())


def reduced(image: Grey, longest_px: int) -> tuple[Grey, float]:
    """Return ``image`` no longer than ``longest_px`` on its long side, and the scale used."""
    scale = min(1.0, longest_px / max(image.shape))
    if scale == 1.0:
        return image, scale
    height, width = (max(1, round(side * scale)) for side in image.shape)
    small = cv2.resize(image, (width, height), interpolation=cv2.INTER_AREA)
    return np.asarray(small, np.uint8), scale


def full_size(points: Array, small: Grey, image: Grey) -> Array:
    """Return pixels (n, 2) of the reduced image as pixels of the full one."""
    ratio = np.array(image.shape[::-1]) / np.array(small.shape[::-1])
    return np.asarray((points + 0.5) * ratio - 0.5, float)
