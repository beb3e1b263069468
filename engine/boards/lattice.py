"""Points of a search put into rows and columns: a lattice of whole numbers, grown point by point.

Nothing here knows the board. A lattice is right-handed in the image: the turn from its first
direction to its second is the turn from u to v.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from math import hypot

import numpy as np
import scipy
from numpy.typing import NDArray

from ..arrays import Array

Index = NDArray[np.int64]

NEIGHBOURS = 12  # looked at around each point; the eight of a lattice and some clutter
OFF_SHARE = 0.25  # [-] of the step: how far a neighbour may lie off its prediction
OPPOSITE_SHARE = 0.25  # [-] of the step: how far opposite neighbours may be off being opposite
LEAST_SINE = 0.3  # [-] between the two directions; 60° of tilt leave 0.5 at worst
MOST_SIZE_RATIO = 2.5  # [-] between the areas of neighbours; larger circles have up to 2.3
MOST_SEEDS = 40  # lattices begun before the search is given up
LEAST_LATTICE = 6  # points; fewer are chance


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


def grown(places: Array, sizes: Array, enough: int, most: int) -> Lattice:
    """Return the largest lattice among blobs at ``places`` (n, 2) [px] of ``sizes`` (n,) [px²].

    Lattices are grown from the most regular points in turn until one has ``enough`` points. Those
    of more than ``most`` points are no board: tiles, or a perforated sheet.
    """
    best = Lattice(np.empty((0, 2), np.int64), np.empty((0, 2)), np.empty(0))
    if len(places) < LEAST_LATTICE:
        return best
    tree = scipy.spatial.cKDTree(places)
    seeds, steps = _seeds(places, sizes, tree)
    used = np.zeros(len(places), bool)
    begun = 0
    for seed, step in zip(seeds, steps, strict=True):
        if used[seed]:
            continue
        found = _from_seed(int(seed), step, places, sizes, tree, most)
        members = np.fromiter(found.values(), int)
        used[members] = True
        if most >= len(members) > len(best.ij):
            best = Lattice(np.array(list(found)), places[members], sizes[members])
        begun += 1
        if begun == MOST_SEEDS or len(best.ij) >= enough or used.sum() > 2 * most:
            break
    return best


def _seeds(places: Array, sizes: Array, tree: scipy.spatial.cKDTree) -> tuple[Index, Array]:
    """Return points with opposite neighbours in two directions, regular ones first, and the steps.

    The steps (n, 2, 2) [px] are the shortest two that lead to opposite neighbours.
    """
    count = min(NEIGHBOURS + 1, len(places))
    away, near = (np.asarray(part)[:, 1:] for part in tree.query(places, count))
    away = np.maximum(away, 1e-6)
    step = places[near] - places[:, None]
    gap = np.linalg.norm(step[:, :, None] + step[:, None], axis=3) / away[:, :, None]
    ratio = sizes[near] / sizes[:, None]
    unlike = (ratio > MOST_SIZE_RATIO) | (ratio < 1 / MOST_SIZE_RATIO)
    opposite = np.where(unlike, np.inf, (gap + 9 * unlike[:, None]).min(axis=2))
    symmetric = opposite < OPPOSITE_SHARE
    first = np.argmax(symmetric, axis=1)  # neighbours are sorted by distance
    rows = np.arange(len(places))
    a = step[rows, first]
    sine = np.abs(a[:, None, 0] * step[..., 1] - a[:, None, 1] * step[..., 0])
    sine /= np.maximum(np.linalg.norm(a, axis=1)[:, None], 1e-6) * away
    other = symmetric & (sine > LEAST_SINE)
    second = np.argmax(other, axis=1)
    b = step[rows, second]
    cross = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    b = np.where(cross[:, None] < 0, -b, b)
    good = symmetric.any(axis=1) & other.any(axis=1)
    regular = opposite[rows, first] + opposite[rows, second]
    order = np.argsort(np.where(good, regular, np.inf), kind="stable")[: int(good.sum())]
    return order, np.stack([a, b], axis=1)[order]


def _from_seed(
    seed: int, step: Array, places: Array, sizes: Array, tree: scipy.spatial.cKDTree, most: int
) -> dict[tuple[int, int], int]:
    """Return point numbers by (i, j): neighbours of neighbours, each predicted by the last step."""
    found = {(0, 0): seed}
    taken = {seed}
    points, areas = places.tolist(), sizes.tolist()  # plain numbers: quicker one by one
    queue = deque([((0, 0), step.tolist())])
    while queue and len(found) <= most:
        (i, j), (a, b) = queue.popleft()
        here = found[i, j]
        u, v = points[here]
        moves = [(1, 0, *a), (0, 1, *b), (-1, 0, -a[0], -a[1]), (0, -1, -b[0], -b[1])]
        moves = [move for move in moves if (i + move[0], j + move[1]) not in found]
        if not moves:
            continue
        query = tree.query(np.array([(u + du, v + dv) for _, _, du, dv in moves]))
        away, near = (np.asarray(part).tolist() for part in query)
        for (di, dj, du, dv), off, other in zip(moves, away, near, strict=True):
            alike = 1 / MOST_SIZE_RATIO < areas[other] / areas[here] < MOST_SIZE_RATIO
            if other in taken or off > OFF_SHARE * hypot(du, dv) or not alike:
                continue
            at = (i + di, j + dj)
            found[at] = other
            taken.add(other)
            new = [(points[other][0] - u) * (di + dj), (points[other][1] - v) * (di + dj)]
            queue.append((at, [new, b] if di else [a, new]))
    return found


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
