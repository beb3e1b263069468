"""Search for round blobs that stand out from their surroundings, dark or light, in rows.

A lattice of them is grown point by point, each predicted by the last step. Nothing here knows the
board.
"""

from __future__ import annotations

from collections import deque
from math import hypot

import cv2
import numpy as np
import scipy
from numpy.typing import NDArray

from ..arrays import Array, Grey
from .candidates import LEAST_LATTICE, NEIGHBOURS, Index, Lattice

WINDOW_SHARES = (1 / 10, 1 / 30)  # [-] of the long side: what a pixel's grey is compared with
DARKER = 1 / 8  # [-] of the surroundings' grey: so much darker at least; noise is less
LIGHTER = 1 / 4  # [-] of it: so much lighter at least
LEAST_STEP = 3  # grey levels beside these shares
FINE = 64  # parts of a grey level: whole numbers of 16 bits are quicker than fractions
LEAST_AREA_PX = 9  # px²; smaller blobs are noise
LEAST_ROUND = 0.86  # [-] area by that of the ellipse with the same second moments; 1 for ellipses
LEAST_AXES = 0.05  # [-] squared ratio of the axes; 77° of tilt
MOST_BLOBS = 3000  # the roundest ones; a board has hundreds
OFF_SHARE = 0.25  # [-] of the step: how far a neighbour may lie off its prediction
OPPOSITE_SHARE = 0.25  # [-] of the step: how far opposite neighbours may be off being opposite
LEAST_SINE = 0.3  # [-] between the two directions; 60° of tilt leave 0.5 at worst
MOST_SIZE_RATIO = 2.5  # [-] between the areas of neighbours; larger circles have up to 2.3
MOST_SEEDS = 40  # lattices begun before the search is given up


def blobs(image: Grey, light: bool) -> tuple[Array, Array]:
    """Return the middles (n, 2) [px] and areas (n,) [px²] of round blobs in ``image`` (h, w)."""
    smooth = cv2.GaussianBlur(image, (0, 0), 1.0).astype(np.uint16) * np.uint16(FINE)
    parts = [_round_parts(_standing_out(smooth, share, light)) for share in WINDOW_SHARES]
    middle, area, roundness = (np.concatenate(part) for part in zip(*parts, strict=True))
    order = np.argsort(-roundness, kind="stable")[:MOST_BLOBS]
    middle, area = middle[order], area[order]
    if not len(middle):
        return middle, area
    # Both windows find most blobs: the rounder one of each pair comes first and stays.
    if len(middle) > 1:
        away, near = (
            np.asarray(part)[:, 1] for part in scipy.spatial.cKDTree(middle).query(middle, 2)
        )
        twin = (away < 0.3 * np.sqrt(area)) & (near < np.arange(len(middle)))
        middle, area = middle[~twin], area[~twin]
    return middle, area


def _standing_out(smooth: NDArray[np.uint16], share: float, light: bool) -> Grey:
    side = max(int(max(smooth.shape) * share) | 1, 9)
    around = np.asarray(cv2.blur(smooth, (side, side), borderType=cv2.BORDER_REPLICATE), np.uint16)
    step = np.uint16(LEAST_STEP * FINE)
    if light:
        out = smooth > around + around // int(1 / LIGHTER) + step
    else:
        out = smooth + step < around - around // int(1 / DARKER)
    return out.view(np.uint8)


def _round_parts(mask: Grey) -> tuple[Array, Array, Array]:
    """Return middles (n, 2), areas (n,) and roundness (n,) of the mask's parts that could be round.

    Roundness is the area by that of the ellipse with the same second moments.
    """
    count, labels, stats, middles = cv2.connectedComponentsWithStats(mask, connectivity=4)
    area = stats[:, cv2.CC_STAT_AREA].astype(float)
    box = stats[:, cv2.CC_STAT_WIDTH] * stats[:, cv2.CC_STAT_HEIGHT].astype(float)
    likely = (area >= LEAST_AREA_PX) & (area > 0.3 * box) & (area < mask.size / 20)
    likely[0] = False
    height, width = mask.shape
    left, top = stats[:, cv2.CC_STAT_LEFT], stats[:, cv2.CC_STAT_TOP]
    likely &= (left > 0) & (left + stats[:, cv2.CC_STAT_WIDTH] < width)
    likely &= (top > 0) & (top + stats[:, cv2.CC_STAT_HEIGHT] < height)
    inside = np.flatnonzero(mask.view(np.bool_))
    number = labels.ravel()[inside]
    inside, number = (part[likely[number]] for part in (inside, number))
    v, u = np.divmod(inside, width)
    du, dv = u - middles[number, 0], v - middles[number, 1]
    uu, uv, vv = (np.bincount(number, p, count) for p in (du * du, du * dv, dv * dv))
    with np.errstate(all="ignore"):
        uu, uv, vv = uu / area + 1 / 12, uv / area, vv / area + 1 / 12  # a pixel's own spread
        det, half = uu * vv - uv * uv, (uu + vv) / 2
        roundness = area / (4 * np.pi * np.sqrt(det))
        spread = np.sqrt(np.maximum(half**2 - det, 0))
        axes = (half - spread) / (half + spread)
    good = likely & (roundness > LEAST_ROUND) & (axes > LEAST_AXES)
    return middles[good], area[good], roundness[good]


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
