"""Search for round blobs that stand out from their surroundings, dark or light."""

from __future__ import annotations

import cv2
import numpy as np
import scipy
from numpy.typing import NDArray

from ..arrays import Array, Grey

WINDOW_SHARES = (1 / 10, 1 / 30)  # [-] of the long side: what a pixel's grey is compared with
DARKER = 1 / 8  # [-] of the surroundings' grey: so much darker at least; noise is less
LIGHTER = 1 / 4  # [-] of it: so much lighter at least
LEAST_STEP = 3  # grey levels beside these shares
FINE = 64  # parts of a grey level: whole numbers of 16 bits are quicker than fractions
LEAST_AREA_PX = 9  # px²; smaller blobs are noise
LEAST_ROUND = 0.86  # [-] area by that of the ellipse with the same second moments; 1 for ellipses
LEAST_AXES = 0.05  # [-] squared ratio of the axes; 77° of tilt
MOST_BLOBS = 3000  # the roundest ones; a board has hundreds


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
