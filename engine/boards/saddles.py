"""Search for the corners of a chessboard: saddles of the grey levels, joined along their edges.

A corner is where the Hessian of the smoothed image has its most negative determinant and where a
ring around it is dark and light by turns, alike on opposite sides. Its two edges lead to its
neighbours, whose colours lie the other way round; what is joined both ways is a lattice.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import cv2
import numpy as np
import scipy
from numpy.typing import NDArray

from ..arrays import Array, Grey
from .candidates import LEAST_LATTICE, NEIGHBOURS, Index, Lattice
from .windows import pixel_noise

SMOOTH_PX = 1.2  # px in the searched image: takes noise, leaves squares of 6 px
SAME_CORNER_PX = 2  # px; the strongest of all saddles within it counts
MOST_SADDLES = 8000  # the strongest ones; a board has hundreds
RINGS_PX = (5.0, 3.0)  # px; the first that shows a corner gives the better directions
RING_SAMPLES = 32
LEAST_STEP = 4.0  # grey levels between dark and light on the ring; of a pixel's noise, as much
MOST_ODD_SHARE = 0.35  # [-] of that step: by how much opposite sides may differ (RMS)
MOST_MIDDLE_SHARE = 0.4  # [-] of it: how far the middle may be from mid-grey; lines are farther
LEAST_ANGLE = np.deg2rad(15.0)  # rad between the edges
ALONG = np.deg2rad(14.0)  # rad; how far a neighbour may lie off the edge's direction


@dataclass(frozen=True, slots=True, eq=False)
class _Saddles:
    """Corners at ``places`` (n, 2) [px]; edges leave at angles ``ways`` (n, 4), u towards v.

    Between the first and the second edge it is dark. ``steps`` (n,) [grey levels] lie between dark
    and light.
    """

    places: Array
    ways: Array
    steps: Array

    def strongest(self, count: int) -> _Saddles:
        """Return the ``count`` corners of most contrast."""
        best = np.argsort(-self.steps, kind="stable")[:count]
        return _Saddles(self.places[best], self.ways[best], self.steps[best])


def saddle_lattice(image: Grey, most: int) -> Lattice | None:
    """Return the largest lattice of chessboard corners in ``image`` (h, w), or None.

    One of more than ``most`` points is no board: a floor of tiles.
    """
    smooth = cv2.GaussianBlur(image, (0, 0), SMOOTH_PX).astype(np.float32)
    least = max(LEAST_STEP, pixel_noise(image))
    corners = _corners(smooth, _peaks(smooth, least), least)
    if len(corners.places) < LEAST_LATTICE:
        return None
    found = _largest(corners, *_links(corners), most)
    if len(corners.places) > most:  # the blocks of strong JPEG make false ones beside the true
        strong = corners.strongest(most)
        second = _largest(strong, *_links(strong), most)
        if second is not None and (found is None or len(second.ij) > len(found.ij)):
            return second
    return found


def _peaks(smooth: NDArray[np.float32], least_step: float) -> Array:
    """Return the strongest saddles (n, 2) [px] to a fraction of a pixel."""
    xx = cv2.Sobel(smooth, cv2.CV_32F, 2, 0, ksize=3)
    yy = cv2.Sobel(smooth, cv2.CV_32F, 0, 2, ksize=3)
    xy = cv2.Sobel(smooth, cv2.CV_32F, 1, 1, ksize=3) * 2  # the others weigh 4, this one 2
    saddle = xy * xy - xx * yy
    size = 2 * SAME_CORNER_PX + 1
    highest = cv2.dilate(saddle, np.ones((size, size), np.uint8))
    least = (2 * least_step) ** 2
    edge = int(max(RINGS_PX)) + 2
    inner = (slice(edge, -edge), slice(edge, -edge))
    v, u = np.nonzero((saddle[inner] == highest[inner]) & (saddle[inner] > least))
    v, u = v + edge, u + edge
    strength = saddle[v, u]
    if len(u) > MOST_SADDLES:
        best = np.argsort(-strength, kind="stable")[:MOST_SADDLES]
        v, u, strength = v[best], u[best], strength[best]
    offsets = []
    for dv, du in ((0, 1), (1, 0)):
        before, after = saddle[v - dv, u - du], saddle[v + dv, u + du]
        bend = before - 2 * strength + after
        offsets.append(np.clip((before - after) / np.where(bend < 0, 2 * bend, -1), -0.5, 0.5))
    return np.column_stack([u + offsets[0], v + offsets[1]]).astype(np.float64)


def _corners(smooth: NDArray[np.float32], places: Array, least_step: float) -> _Saddles:
    """Return those of ``places`` whose ring is that of a corner, with their edges."""
    ways, good = np.zeros((len(places), 4)), np.zeros(len(places), bool)
    steps = np.zeros(len(places))
    for radius in RINGS_PX:
        rest = np.flatnonzero(~good)
        if not len(rest):
            break
        found, which, step = _ring_edges(smooth, places[rest], radius, least_step)
        ways[rest[which]], steps[rest[which]] = found, step
        good[rest[which]] = True
    return _Saddles(places[good], ways[good], steps[good])


def _ring_edges(
    smooth: NDArray[np.float32], places: Array, radius: float, least_step: float
) -> tuple[Array, NDArray[np.bool_], Array]:
    """Return the edges' angles (m, 4) of the corners among ``places`` (n, 2), which, and steps."""
    half = RING_SAMPLES // 2
    angle = np.arange(RING_SAMPLES) * (2 * np.pi / RING_SAMPLES)
    u = places[:, :1] + radius * np.cos(angle)
    v = places[:, 1:] + radius * np.sin(angle)
    ring = cv2.remap(smooth, u.astype(np.float32), v.astype(np.float32), cv2.INTER_LINEAR)
    at = places.astype(np.float32)
    middle = cv2.remap(smooth, at[:, :1], at[:, 1:], cv2.INTER_LINEAR)[:, 0]
    even, odd = (ring[:, :half] + ring[:, half:]) / 2, (ring[:, :half] - ring[:, half:]) / 2
    low, high = even.min(axis=1), even.max(axis=1)
    step, mid = high - low, (high + low) / 2
    level = even - mid[:, None]
    following = np.roll(level, -1, axis=1)
    change = (level > 0) != (following > 0)
    good = (step > least_step) & (change.sum(axis=1) == 2)
    good &= np.sqrt((odd**2).mean(axis=1)) < MOST_ODD_SHARE * step
    good &= np.abs(middle - mid) < MOST_MIDDLE_SHARE * step
    row, at_step = np.nonzero(change[good])
    part = level[good][row, at_step] / (level[good][row, at_step] - following[good][row, at_step])
    crossing = ((at_step + part) * (np.pi / half)).reshape(-1, 2)
    apart = crossing[:, 1] - crossing[:, 0]
    wide = np.minimum(apart, np.pi - apart) > LEAST_ANGLE
    first = at_step.reshape(-1, 2)[:, 0]
    dark = following[good][np.arange(len(first)), first] <= 0  # between the two crossings
    a, b = crossing[:, 0], crossing[:, 1]
    ways = np.stack([a, b, a + np.pi, b + np.pi], axis=1)
    ways = np.where(dark[:, None], ways, np.roll(ways, -1, axis=1))
    good[good] = wide
    return ways[wide], good, step[good]


def _links(corners: _Saddles) -> tuple[Index, Index]:
    """Return for each corner's four edges the neighbour (n, 4), -1 for none, and its edge back."""
    places, ways = corners.places, corners.ways
    count = min(NEIGHBOURS + 1, len(places))
    away, near = (
        np.asarray(part)[:, 1:] for part in scipy.spatial.cKDTree(places).query(places, count)
    )
    step = places[near] - places[:, None]
    angle = np.arctan2(step[..., 1], step[..., 0])
    returning = np.abs(_wrapped(angle[..., None] + np.pi - ways[near]))  # (n, k, 4)
    rows = np.arange(len(places))
    link, back = np.full((len(places), 4), -1), np.zeros((len(places), 4), int)
    for k in range(4):
        others = returning[..., [(k + 1) % 2, (k + 1) % 2 + 2]]  # colours lie the other way round
        off = np.abs(_wrapped(angle - ways[:, k, None]))
        fits = (off < ALONG) & (others.min(axis=2) < ALONG)
        nearest = np.argmin(np.where(fits, away, np.inf), axis=1)
        link[:, k] = np.where(fits.any(axis=1), near[rows, nearest], -1)
        back[:, k] = (k + 1) % 2 + 2 * np.argmin(others[rows, nearest], axis=1)
    mutual = (link >= 0) & (link[link, back] == rows[:, None])
    return np.where(mutual, link, -1), back


def _wrapped(angle: Array) -> Array:
    return angle - 2 * np.pi * np.rint(angle * (0.5 / np.pi))


def _largest(corners: _Saddles, link: Index, back: Index, most: int) -> Lattice | None:
    """Return the largest set of linked corners with whole numbers, or None."""
    seen = np.zeros(len(link), bool)
    best: dict[tuple[int, int], int] = {}
    for seed in np.argsort(-(link >= 0).sum(axis=1), kind="stable"):
        if seen[seed] or (link[seed] < 0).all():
            continue
        found = _linked(int(seed), link, back, seen)
        if most >= len(found) > len(best):
            best = found
    if len(best) < LEAST_LATTICE:
        return None
    members = np.fromiter(best.values(), int)
    # The seed's first edge is the lattice's first direction: beyond it, it is dark.
    return Lattice(np.array(list(best)), corners.places[members], np.zeros(len(best)))


def _linked(
    seed: int, link: Index, back: Index, seen: NDArray[np.bool_]
) -> dict[tuple[int, int], int]:
    """Return corner numbers by (i, j) of all that are linked to ``seed``; marks them seen."""
    found = {(0, 0): seed}
    queue = deque([(0, 0, 0)])  # i, j, which edge lies along the first direction
    seen[seed] = True
    while queue:
        i, j, offset = queue.popleft()
        here = found[i, j]
        for m, (di, dj) in enumerate(((1, 0), (0, 1), (-1, 0), (0, -1))):
            k = (m + offset) % 4
            other = int(link[here, k])
            at = (i + di, j + dj)
            if other < 0 or seen[other] or at in found:
                continue
            found[at] = other
            seen[other] = True
            queue.append((*at, int(back[here, k] - m - 2) % 4))
    return found
