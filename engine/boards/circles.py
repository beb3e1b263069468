"""Circles, measured on the full image: centre of gravity, covariance, and whether it is one.

Every pixel is weighted by how far its grey lies from the background towards the circle's, in shares
of the light there: blur, sampling and shading leave the centre of gravity unchanged. It is not the
image of the circle's centre: see `circle_centres`.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np

from ..arrays import Array, Grey
from .windows import SATURATED, Bools, Floats, Measured, Windows, grouped

HALF_WAY = 0.5  # [-] of the distance to the next circle: the mask reaches so far
RING_SHARE = 0.4  # [-] of the way from the rim to there: background from there
WEIGHT_SHARE = 0.6  # [-] of that way: where pixels are weighted; blur hardly reaches beyond
CORE_SHARE = 0.6  # [-] of the radius: blur of the rim hardly reaches in
LEAST_RING_PX = 8  # pixels of background; a plane has three parameters
LEAST_CONTRAST = 0.08  # [-] of the light; less is no circle
LEAST_STEP = 4.0  # grey levels, likewise
LEAST_SHARE = 0.3  # [-] of the expected weight; less cannot be divided by
ALIKE = (0.75, 1.3)  # [-] area against the expected one
# [-] of the contrast: how uneven middle and background may be (RMS). Blur reaches into small
# middles, while the edge of a shadow in the background pulls the centre.
EVEN_CORE, EVEN_RING = 0.22, 0.1
UNEVEN, EVEN_LEAST = 1.8, 0.04  # [-] of the board's median background, and of the contrast
# Something small may lie beyond where pixels are weighted, such as the mark beside point 0.
FOREIGN, FOREIGN_SHARE = 0.25, 0.15  # [-] of the contrast, and of the background's pixels
ODD_CONTRAST = 0.5  # [-] of the board's median: less is a shade, not a circle
STEPS, SAME_PX = 4, 0.01
BARE = 0.12  # [-] of the board's contrast: a place with no more than this is bare
LIT = (0.7, 1.4)  # [-] background against the circles' nearest one


def measure_circles(
    image: Grey,
    places: Array,
    steps: Array,
    radius: Array,
    noise: float,
    light: bool,
    usual: Measured | None = None,
) -> Measured:
    """Measure the circles near ``places`` (n, 2) [px].

    ``steps`` (n, 2, 2) lead to the neighbours, ``radius`` (n,) [-] is a share of them; ``noise``
    [grey levels] that of one pixel; ``light`` tells circles lighter than their background;
    ``usual`` are circles of this image that are known, None: those that are found now.
    """
    n = len(places)
    pixels, covariance = places.astype(float), np.tile(np.eye(2) * 1e6, (n, 1, 1))
    f = {name: np.full(n, np.nan) for name in _FIGURES}
    for group, window in grouped(np.ceil(HALF_WAY * np.linalg.norm(steps, axis=2).max(axis=1))):
        moving = np.arange(n)[group]
        for step in range(1, STEPS + 1):
            found = _Pass(image, pixels[moving], steps[moving], radius[moving], window, light)
            away = np.linalg.solve(steps[moving], found.move[..., None])[..., 0]
            near = np.linalg.norm(away, axis=1) < HALF_WAY / 2
            pixels[moving] += np.where(near[:, None], found.move, 0.0)
            still = np.abs(found.move).max(axis=1) < SAME_PX
            if step < STEPS and still.mean() < 0.5:
                continue
            covariance[moving] = noise**2 * found.spread()
            for name in _FIGURES:
                f[name][moving] = getattr(found, name)
            if still.all():
                break
            moving = moving[~still]
    good = _are_circles(f, noise)
    good &= np.linalg.norm(np.linalg.solve(steps, (pixels - places)[..., None]), axis=1)[:, 0] < (
        HALF_WAY / 2
    )
    result = Measured(pixels, covariance, good, ~good, f["size"], f["contrast"], f["light"])
    if usual is None and good.any():  # a reflection's rim is a slope that no plane follows
        ring = UNEVEN * float(np.median(f["ring_rms"][good]))
        good &= f["ring_rms"] < np.maximum(ring, EVEN_LEAST * f["contrast"])
        result = replace(result, good=good)
    usual = usual or result.take(good)
    if not len(usual.good):
        return replace(result, empty=np.zeros(n, bool))
    typical = float(np.median(usual.contrast))
    good &= f["contrast"] > ODD_CONTRAST * typical
    return replace(
        result, good=good, empty=~good & _are_bare(f, pixels, typical, usual, noise, light)
    )


# What a pass tells of each circle, beside its centre: contrast [-] of its middle, size [-] against
# the expected one, unevenness [-] of middle and background; background, the light that shares are
# of, and highest grey [grey levels]; and whether all of it lies in the image.
_FIGURES = ("contrast", "size", "core", "ring_rms", "level", "light", "highest", "whole", "enough")


def _are_circles(f: dict[str, Array], noise: float) -> Bools:
    good = (f["contrast"] > LEAST_CONTRAST) & (f["contrast"] * f["light"] > LEAST_STEP)
    good &= (f["enough"] > 0) & (f["whole"] > 0)
    rough = noise / np.maximum(f["light"], 1.0)
    for part, even in (("core", EVEN_CORE), ("ring_rms", EVEN_RING)):
        good &= f[part] < np.hypot(even * f["contrast"], 1.5 * rough)
    return np.asarray(good)


def _are_bare(
    f: dict[str, Array], places: Array, typical: float, usual: Measured, noise: float, light: bool
) -> Bools:
    """Tell which places show nothing but the board's own background."""
    away = np.linalg.norm(places[:, None] - usual.pixels[None], axis=2)
    near = np.argmin(away, axis=1)
    there = np.maximum(usual.level[near], 1.0)
    # Light circles are what their background is a share of: it has no light of its own.
    share = f["light"] / there if light else np.ones(len(near))
    background = there * (1.0 - usual.contrast[near]) if light else there
    bare = (np.abs(f["contrast"]) * share < BARE * typical) & (f["whole"] > 0)
    bare &= f["highest"] < SATURATED
    rough = share * noise / np.maximum(f["light"], 1.0)
    for part in ("core", "ring_rms"):
        bare &= f[part] * share < np.hypot(BARE * typical, 1.5 * rough)
    level, background = f["level"] + LEAST_STEP, background + LEAST_STEP
    return np.asarray(bare & (level > LIT[0] * background) & (level < LIT[1] * background))


class _Pass:
    """One pass over windows around ``at`` (n, 2): ``move`` (n, 2) [px] to the centres of gravity.

    The pixels of a window lie in one row (n, p). Sums over them, times powers of their places in
    the window, are products of matrices. Further attributes (n,): see `_FIGURES`.
    """

    def __init__(
        self, image: Grey, at: Array, steps: Array, radius: Array, window: int, light: bool
    ) -> None:
        windows = Windows.around(image, at, window)
        grey: Floats = windows.grey[:, 1:-1, 1:-1].reshape(len(at), -1)
        self.powers = _powers(window)
        self.off = np.rint(at) - at  # from the circle to its window's middle
        away = self._squared_distance(steps)
        r, gap = (part.astype(np.float32)[:, None] for part in (radius, HALF_WAY - radius))
        there, within = windows.inside().reshape(grey.shape), away <= np.float32(HALF_WAY**2)
        inside = ((away < (r + WEIGHT_SHARE * gap) ** 2) & there).astype(np.float32)
        ring = ((away >= (r + RING_SHARE * gap) ** 2) & within & there).astype(np.float32)
        reach = np.maximum((CORE_SHARE * r) ** 2, away.min(axis=1, keepdims=True))
        core = ((away <= reach) & there).astype(np.float32)
        ring = self._without_foreign(grey, inside, ring, core)
        background, self.normal = self._plane(grey, ring)
        lit: Floats = np.maximum(
            self._plane(grey, core)[0] if light else background, np.float32(1.0)
        )
        share: Floats = (grey - background if light else background - grey) / lit
        count, rings = (np.maximum(_total(part), 1.0) for part in (core, ring))
        self.contrast = _dot(share, core) / count
        sums = self._moments(share * inside)
        area = np.abs(np.linalg.det(steps)) * np.pi * radius**2
        least = LEAST_SHARE * area * np.maximum(self.contrast, LEAST_CONTRAST)
        self.enough = (sums[:, 0] > least) & (_total(ring) >= LEAST_RING_PX)
        self.total = np.where(self.enough, sums[:, 0], np.inf)
        self.move = (sums[:, 1:3] + self.off * sums[:, :1]) / self.total[:, None]
        self.size = sums[:, 0] / np.maximum(self.contrast, LEAST_CONTRAST) / area
        uneven: Floats = (share - self.contrast.astype(np.float32)[:, None]) * core
        self.core = np.sqrt(_dot(uneven, uneven) / count)
        share *= ring
        self.ring_rms = np.sqrt(_dot(share, share) / rings)
        self.level = _dot(background, ring) / rings
        self.light = _dot(lit, core) / count
        self.highest = (grey * within).max(axis=1)
        self.whole = (there | ~within).all(axis=1)
        self.ring: Floats = ring
        self.weight: Floats = inside / lit

    def _squared_distance(self, steps: Array) -> Floats:
        """Return the squared distance (n, p) [-] of pixels from the circles, in shares of steps."""
        m = np.linalg.inv(steps)
        (a, b), (_, c) = np.moveaxis(np.swapaxes(m, 1, 2) @ m, 0, -1)
        x, y = self.off.T
        terms = [a * x * x + 2 * b * x * y + c * y * y, 2 * (a * x + b * y), 2 * (b * x + c * y)]
        return np.stack([*terms, a, 2 * b, c], axis=1).astype(np.float32) @ self.powers.T

    def _moments(self, values: Floats) -> Array:
        """Return the sums (n, 6) of ``values`` (n, p) times 1, x, y, x², xy, y²."""
        return np.asarray(values @ self.powers, np.float64)

    def _without_foreign(self, grey: Floats, inside: Floats, ring: Floats, core: Floats) -> Floats:
        """Return the ring without what is no background, where it is small and far enough away."""
        off = grey - self._plane(grey, ring)[0]
        middle = _dot(off, core) / np.maximum(_total(core), 1.0)
        limit = (FOREIGN * np.abs(middle)).astype(np.float32)[:, None]
        foreign = ring * ((np.abs(off) > limit) & (inside == 0))
        few = _total(foreign) < FOREIGN_SHARE * _total(ring)
        left: Floats = ring - foreign * few[:, None].astype(np.float32)
        return left

    def _plane(self, grey: Floats, where: Floats) -> tuple[Floats, Array]:
        """Return the plane (n, p) through the greys ``where``, its normal matrix (n, 3, 3)."""
        normal = _square(self._moments(where))
        rest = self._moments(where * grey)[:, :3, None]
        c = np.linalg.solve(normal + np.eye(3) * 1e-3, rest)[:, :, 0]
        return c.astype(np.float32) @ self.powers[:, :3].T, normal

    def spread(self) -> Array:
        """Return the covariance (n, 2, 2) [px²] that white noise of one grey level causes.

        The centre moves with every pixel that is weighted, and with the background's plane.
        """
        d = np.zeros((len(self.move), 2, 3))  # by the powers 1, x, y: offsets from the centre
        d[:, :, 0] = self.off - self.move
        d[:, 0, 1] = d[:, 1, 2] = 1.0
        weight = self.weight
        own, shared, both = (
            _square(self._moments(part)) for part in (weight, weight * self.ring, weight * weight)
        )
        c = d @ own @ np.linalg.inv(self.normal + np.eye(3) * 1e-3)
        ct, dt = np.swapaxes(c, 1, 2), np.swapaxes(d, 1, 2)
        mixed = c @ shared @ dt
        result = c @ self.normal @ ct - mixed - np.swapaxes(mixed, 1, 2) + d @ both @ dt
        result /= self.total[:, None, None] ** 2
        result[~self.enough] = np.eye(2) * 1e6
        return np.asarray(result)


@lru_cache(maxsize=64)
def _powers(window: int) -> Floats:
    """Return 1, x, y, x², xy, y² (p, 6) of the places in a window, from its middle."""
    y, x = np.mgrid[-window : window + 1, -window : window + 1].reshape(2, -1).astype(np.float32)
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)


def _square(moments: Array) -> Array:
    """Return sums (n, 6) of the powers as symmetric matrices (n, 3, 3) of 1, x, y."""
    return moments[:, [[0, 1, 2], [1, 3, 4], [2, 4, 5]]]


def _dot(a: Floats, b: Floats) -> Array:
    return np.asarray(np.einsum("np,np->n", a, b), np.float64)


def _total(values: Floats) -> Array:
    return np.asarray(values.sum(axis=1), np.float64)
