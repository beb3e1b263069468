"""How far detected points scatter about a smooth image of the board, without lens data."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

HIGHEST_DEGREE = 3  # of the polynomial; radial distortion is odd, its first term is cubic
LEAST_SPARE = 4  # degrees of freedom; fewer say nothing about scatter


def scatter_px(xy: Array, pixels: Array) -> float | None:
    """Return the scatter [px, per coordinate] of ``pixels`` (n, 2) seen for ``xy`` (n, 2) [mm].

    The model is a homography plus polynomials in the board coordinates, of the highest degree up
    to the third that leaves degrees of freedom; these stand for the lens. The sum of squares is
    divided by the degrees of freedom, so few points do not look better than many. None: too few
    points to tell, or all on one line.
    """
    if len(xy) < 4 or on_one_line(xy):
        return None
    left = pixels - mapped(homography(xy, pixels), xy)
    basis, rank = _basis(xy)
    spare = 2 * (len(xy) - rank)
    if spare < LEAST_SPARE:
        return None
    smooth = basis @ np.linalg.lstsq(basis, left, rcond=None)[0]
    return float(np.sqrt(np.sum((left - smooth) ** 2) / spare))


def _basis(xy: Array) -> tuple[Array, int]:
    """Return the polynomial terms (n, k) and how many of them the points can tell apart.

    The homography has as many parameters as 4 terms a coordinate, nearly all of them within the
    second degree's span.
    """
    centred = xy - xy.mean(axis=0)
    x, y = (centred / np.abs(centred).max()).T
    for degree in range(HIGHEST_DEGREE, 0, -1):
        powers = [(i, j) for i in range(degree + 1) for j in range(degree + 1 - i)]
        basis = np.column_stack([x**i * y**j for i, j in powers])
        rank = max(int(np.linalg.matrix_rank(basis)), 4)
        if 2 * (len(xy) - rank) >= LEAST_SPARE:
            break
    return basis, rank


def homography(xy: Array, pixels: Array) -> Array:
    """Return the homography (3, 3) that maps ``xy`` (n, 2) onto ``pixels`` by least squares."""
    H, _ = cv2.findHomography(xy, pixels, 0)
    return np.eye(3) if H is None else np.asarray(H, np.float64)


def mapped(H: Array, xy: Array) -> Array:
    """Return ``xy`` (n, 2) mapped through the homography ``H`` (3, 3)."""
    return np.asarray(cv2.perspectiveTransform(xy[None].astype(float), H)[0], np.float64)


def on_one_line(xy: Array) -> bool:
    """Tell whether the points spread in one direction only (a thousandth of the larger one)."""
    centred = xy - xy.mean(axis=0)
    small, large = np.linalg.eigvalsh(centred.T @ centred)
    return bool(small <= 1e-6 * large)
