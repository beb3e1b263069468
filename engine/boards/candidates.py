"""What was found of a board in an image, and what every search of it needs.

A search puts points into rows and columns: a lattice of whole numbers. It is right-handed in the
image: the turn from its first direction to its second is the turn from u to v.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from ..arrays import Array, Grey

Index = NDArray[np.int64]

BESIDE = 1.2  # [-] of the distance to the nearest point; the diagonal one is at 1.41
NEIGHBOURS = 12  # looked at around each point; the eight of a lattice and some clutter
LEAST_LATTICE = 6  # points; fewer are chance
LEAST_SPARE = 4  # degrees of freedom; fewer say nothing about scatter


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


def spacing_px(xy: Array, pixels: Array) -> float:
    """Return the median distance [px] between neighbours, seen at ``pixels`` (n, 2).

    Neighbours are nearest on the board, where the points lie at ``xy`` (n, 2): of those at a corner
    of a square, the one that is nearest in the image counts.
    """
    apart = np.linalg.norm(xy[:, None] - xy[None], axis=2)
    np.fill_diagonal(apart, np.inf)
    beside = apart < BESIDE * apart.min(axis=1, keepdims=True)
    away = np.linalg.norm(pixels[:, None] - pixels[None], axis=2)
    return float(np.median(np.where(beside, away, np.inf).min(axis=1)))


@dataclass(frozen=True, slots=True, eq=False)
class Detection:
    """The board's points found in one image.

    Attributes:
        ids: (n,) int64, ascending; (0,) when the board was not found.
        pixels: (n, 2) [px] where the points are.
        scatter_px: scatter [px, per coordinate] of the points about a smooth image of the board, or
            None where there are too few to tell.
        covariances: (n, 2, 2) [px²] of the points, from the image's own gradients and noise; None
            where they are not known.
        choices: (k, n) ids of the points, each way that they can be numbered; ``ids`` is then
            empty and `numbered` takes a pose. Of no rows where numbers are known.
        other_count: columns and rows that are there, where it is a board of another size, or a
            charuco board of the other layout.
    """

    ids: NDArray[np.int64]
    pixels: Array
    scatter_px: float | None = None
    covariances: Array | None = None
    choices: NDArray[np.int64] = field(default_factory=lambda: np.empty((0, 0), np.int64))
    other_count: tuple[int, int] | None = None

    @property
    def found(self) -> bool:
        """Whether any point was found."""
        return len(self.ids) > 0


def nothing() -> Detection:
    """Return the detection of an image without the board."""
    return Detection(np.empty(0, np.int64), np.empty((0, 2)))


def reduced(image: Grey, longest_px: int) -> Grey:
    """Return ``image`` no longer than ``longest_px`` on its long side."""
    scale = longest_px / max(image.shape)
    if scale >= 1.0:
        return image
    height, width = (max(1, round(side * scale)) for side in image.shape)
    return np.asarray(cv2.resize(image, (width, height), interpolation=cv2.INTER_AREA), np.uint8)


def full_size(points: Array, small: Grey, image: Grey) -> Array:
    """Return pixels (n, 2) of the reduced image as pixels of the full one."""
    ratio = np.array(image.shape[::-1]) / np.array(small.shape[::-1])
    return np.asarray((points + 0.5) * ratio - 0.5, float)


# ---- a lattice -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Lattice:
    """Points (n, 2) [px] at whole numbers ``ij`` (n, 2).

    ``size`` (n,) [px²] is the area of each blob, 0 where points have none. On chessboards the
    square beyond (0, 0) towards (1, 1) is dark.
    """

    ij: Index
    pixels: Array
    size: Array

    def take(self, which: NDArray[np.bool_]) -> Lattice:
        """Return the points at ``which`` (n,)."""
        return Lattice(self.ij[which], self.pixels[which], self.size[which])


def trimmed(lattice: Lattice, least_share: float, diagonal: bool) -> Lattice:
    """Return the lattice without outer rows and columns that hold few points.

    Few: less than ``least_share`` of the next inner line's. What they hold is found again once
    the board's place is known. ``diagonal``: the board's rows lie along the lattice's diagonals.
    """
    keep = np.ones(len(lattice.ij), bool)
    i, j = lattice.ij.T
    lines = (i + j, i - j) if diagonal else (i, j)
    again = True
    while again and keep.sum() > LEAST_LATTICE:
        again = False
        for line in lines:
            for outer, inner in ((line[keep].min(), 1), (line[keep].max(), -1)):
                few, more = (np.sum(keep & (line == at)) for at in (outer, outer + inner))
                if few < least_share * more:
                    keep &= line != outer
                    again = True
    return lattice.take(keep)


def without_loose_ends(lattice: Lattice) -> Lattice:
    """Return the lattice without points that have at most one neighbour in it, again and again."""
    while True:
        here = {(int(i), int(j)) for i, j in lattice.ij}
        beside = [
            sum((i + di, j + dj) in here for di, dj in ((1, 0), (0, 1), (-1, 0), (0, -1)))
            for i, j in lattice.ij.tolist()
        ]
        keep = np.array(beside) > 1
        if keep.all():
            return lattice
        lattice = lattice.take(keep)
