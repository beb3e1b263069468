"""The smooth image of a flat board: a homography, the lens, and low powers for what is left.

Fitted to points already found, it predicts where the others are and shows which ones lie off.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..arrays import Array
from ..camera.lens import Lens, project, undistort
from .candidates import homography, mapped

POINTS_A_POWER = 3  # points for each term that is fitted; fewer let one wrong point bend it
HIGHEST_DEGREE = 3  # radial distortion is odd, its first term is cubic
JACOBIAN_STEP = 0.05  # [-] of the distance between points


@dataclass(frozen=True, slots=True, eq=False)
class Surface:
    """From lattice places (n, 2) to pixels: homography, ``lens`` (None: not known), powers."""

    H: Array
    lens: Lens | None
    middle: Array
    scale: float
    degree: int
    weights: Array

    def at(self, places: Array) -> Array:
        """Return the pixels (n, 2) of ``places`` (n, 2)."""
        seen = _distorted(mapped(self.H, places), self.lens)
        return np.asarray(seen + self._powers(places) @ self.weights)

    def steps(self, places: Array) -> Array:
        """Return how pixels change with the place: (n, 2, 2), a column for each direction."""
        h = JACOBIAN_STEP
        columns = [
            (self.at(places + move) - self.at(places - move)) / (2 * h)
            for move in np.array([[h, 0.0], [0.0, h]])
        ]
        return np.stack(columns, axis=2)

    def spare(self, count: int) -> int:
        """Return the degrees of freedom that ``count`` points leave; a homography has eight."""
        return 2 * count - max(8 + 2 * (self.degree == 0), self.weights.size)

    def _powers(self, places: Array) -> Array:
        return _powers((places - self.middle) / self.scale, self.degree)


def fitted(places: Array, pixels: Array, lens: Lens | None) -> Surface:
    """Return the surface through ``pixels`` (n, 2) seen at ``places`` (n, 2), n >= 4."""
    ideal = pixels if lens is None else undistort(pixels, lens)
    H = homography(places, ideal)
    left = pixels - _distorted(mapped(H, places), lens)
    middle = places.mean(axis=0)
    scale = float(np.abs(places - middle).max()) or 1.0
    degree = 0
    for candidate in range(HIGHEST_DEGREE, 1, -1):
        powers = _powers((places - middle) / scale, candidate)
        enough = len(places) >= POINTS_A_POWER * powers.shape[1]
        if enough and np.linalg.matrix_rank(powers) == powers.shape[1]:
            degree = candidate
            break
    powers = _powers((places - middle) / scale, degree)
    weights = np.asarray(np.linalg.lstsq(powers, left, rcond=None)[0], np.float64)
    return Surface(H, lens, middle, scale, degree, weights)


def _distorted(ideal: Array, lens: Lens | None) -> Array:
    if lens is None:
        return ideal
    return project(np.column_stack([ideal, np.ones(len(ideal))]), lens)


def _powers(xy: Array, degree: int) -> Array:
    x, y = xy.T
    return np.column_stack([x**i * y**j for i in range(degree + 1) for j in range(degree + 1 - i)])
