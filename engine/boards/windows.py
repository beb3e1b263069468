"""Windows of the image around many points at once, and what is measured in them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ..arrays import Array, Grey

Bools = NDArray[np.bool_]
Floats = NDArray[np.float32]  # greys and slopes: single precision is plenty

# px; radii of windows, so that many points share one array, and values in it: what the processor
# keeps at hand
SIZES = (*range(4, 16), *range(16, 32, 2), *range(32, 56, 4))
MOST_VALUES = 2**16
SATURATED = 250.0  # grey levels; a reflection looks like paper, or like a margin
ROUNDING = 0.29  # grey levels; 1/√12, of whole numbers
NOISE_VALUES = 300_000  # looked at for the noise; more tell nothing new


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """Points (n, 2) [px] with covariances (n, 2, 2) [px²].

    ``good`` (n,) are points of the pattern, ``empty`` (n,) places where the board visibly has none;
    the others cannot be told. Of circles, ``size`` (n,) [-] is the area against the expected one,
    ``contrast`` (n,) [-] that with the background, as a share of ``level`` (n,) [grey levels]: the
    background's, of a light circle its own.
    """

    pixels: Array
    covariance: Array
    good: Bools
    empty: Bools
    size: Array
    contrast: Array
    level: Array

    def take(self, which: Bools | NDArray[np.int64]) -> Measured:
        """Return the points at ``which`` (n,)."""
        return Measured(*(getattr(self, name)[which] for name in self.__slots__))

    def and_(self, other: Measured) -> Measured:
        """Return these points and then the ``other``."""
        pairs = ((getattr(self, name), getattr(other, name)) for name in self.__slots__)
        return Measured(*(np.concatenate(pair) for pair in pairs))


@dataclass(frozen=True, slots=True, eq=False)
class Windows:
    """Square windows (n, h, h) of greys around the points of one image; ``u``, ``v`` [px]."""

    grey: NDArray[np.float32]
    u: Array
    v: Array
    shape: tuple[int, ...]

    @staticmethod
    def around(image: Grey, places: Array, radius: int) -> Windows:
        """Return windows of ``radius`` and one pixel more to each side around ``places`` (n, 2)."""
        height, width = image.shape
        reach = np.arange(-radius - 1, radius + 2)
        u = np.rint(places[:, :1]).astype(int) + reach
        v = np.rint(places[:, 1:]).astype(int) + reach
        rows, columns = np.clip(v, 0, height - 1), np.clip(u, 0, width - 1)
        if (rows == v).all() and (columns == u).all():
            side = len(reach)
            cut = np.lib.stride_tricks.sliding_window_view(image, (side, side))[v[:, 0], u[:, 0]]
        else:
            cut = image[rows[:, :, None], columns[:, None, :]]
        return Windows(cut.astype(np.float32), u.astype(float), v.astype(float), image.shape)

    def away(self, places: Array) -> tuple[Floats, Floats]:
        """Return by how much (n, 1, h − 2) [px] and (n, h − 2, 1) all pixels lie off ``places``.

        Only pixels that have a gradient: the outermost are left out.
        """
        du = self.u[:, None, 1:-1] - places[:, 0, None, None]
        dv = self.v[:, 1:-1, None] - places[:, 1, None, None]
        return du.astype(np.float32), dv.astype(np.float32)

    def inside(self) -> Bools:
        """Tell which of these pixels (n, h − 2, h − 2) lie in the image, its outermost left out."""
        height, width = self.shape
        u = (self.u[:, 1:-1] >= 1) & (self.u[:, 1:-1] <= width - 2)
        v = (self.v[:, 1:-1] >= 1) & (self.v[:, 1:-1] <= height - 2)
        return np.asarray(u[:, None] & v[:, :, None])

    def gradients(self) -> tuple[Floats, Floats]:
        """Return the grey's slopes (n, h − 2, h − 2) along u and v, smoothed across (Sobel)."""
        g = self.grey
        across: Floats = g[:, :-2] + 2 * g[:, 1:-1] + g[:, 2:]
        down: Floats = g[:, :, :-2] + 2 * g[:, :, 1:-1] + g[:, :, 2:]
        eighth = np.float32(1 / 8)
        return (
            (across[:, :, 2:] - across[:, :, :-2]) * eighth,
            (down[:, 2:] - down[:, :-2]) * eighth,
        )

    def on_pixels(self, by_x: Floats, by_y: Floats) -> Floats:
        """Return weights on the slopes (n, h − 2, h − 2) as weights on pixels (n, h, h)."""
        weights = np.zeros_like(self.grey)
        turned = np.swapaxes(weights, 1, 2)
        for target, given in ((weights, by_x), (turned, np.swapaxes(by_y, 1, 2))):
            slope = np.zeros((*given.shape[:2], given.shape[2] + 2), np.float32)
            slope[:, :, 2:] += given / 2
            slope[:, :, :-2] -= given / 2
            for k, share in enumerate((0.25, 0.5, 0.25)):
                target[:, k : k + given.shape[1]] += share * slope
        return weights


def grouped(radii: Array) -> Iterator[tuple[NDArray[np.int64], int]]:
    """Yield (indices, radius) for points (n,) that share a window's size."""
    sizes = np.array(SIZES)[np.minimum(np.searchsorted(SIZES, radii), len(SIZES) - 1)]
    for size in np.unique(sizes):
        which = np.flatnonzero(sizes == size)
        count = max(MOST_VALUES // (2 * int(size) + 3) ** 2, 1)
        for start in range(0, len(which), count):
            yield which[start : start + count], int(size)


def sampled(image: Grey, places: Array) -> Array:
    """Return greys (n, k) at ``places`` (n, k, 2) [px], linear between pixels."""
    u, v = (np.ascontiguousarray(places[..., k], np.float32) for k in (0, 1))
    grey = cv2.remap(image, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(grey, float)


def pixel_noise(image: Grey) -> float:
    """Return the noise of one pixel [grey levels], from what no smooth shade explains.

    Second differences both ways have 6 times the noise (Immerkær 1996); their median leaves edges
    out. Not less than rounding to whole numbers.
    """
    step = max(image.size // NOISE_VALUES, 3)
    rows = [image[k : k + 3].astype(np.int16) for k in range(0, image.shape[0] - 3, step)]
    block = np.stack(rows)
    down = block[:, 0] - 2 * block[:, 1] + block[:, 2]
    both = down[:, :-2] - 2 * down[:, 1:-1] + down[:, 2:]
    return max(float(np.median(np.abs(both))) / 0.6745 / 6, ROUNDING)
