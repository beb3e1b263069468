"""Circles, measured on the full image: centre of gravity, covariance, and whether it is one.

Every pixel is weighted by how far its grey lies from the background towards the circle's, in shares
of the light there: blur, sampling and shading leave the centre of gravity unchanged. It is not the
image of the circle's centre: see `circle_centres`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..arrays import Array, Grey
from .windows import Bools, Floats, Measured, Windows, grouped

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
SATURATED = 250.0  # grey levels; a reflection looks like paper


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
    result = Measured(pixels, covariance, good, ~good, f["size"], f["contrast"], f["level"])
    if usual is None and good.any():  # a reflection's rim is a slope that no plane follows
        ring = UNEVEN * float(np.median(f["ring_rms"][good]))
        good &= f["ring_rms"] < np.maximum(ring, EVEN_LEAST * f["contrast"])
        result = replace(result, good=good)
    usual = usual or result.take(good)
    if not len(usual.good):
        return replace(result, empty=np.zeros(n, bool))
    typical = float(np.median(usual.contrast))
    good &= f["contrast"] > ODD_CONTRAST * typical
    return replace(result, good=good, empty=~good & _are_bare(f, pixels, typical, usual, noise))


# What a pass tells of each circle, beside its centre: contrast [-] of its middle, size [-] against
# the expected one, unevenness [-] of middle and background, background and highest grey [grey
# levels], and whether all of it lies in the image.
_FIGURES = ("contrast", "size", "core", "ring_rms", "level", "highest", "whole", "enough")


def _are_circles(f: dict[str, Array], noise: float) -> Bools:
    good = (f["contrast"] > LEAST_CONTRAST) & (f["contrast"] * f["level"] > LEAST_STEP)
    good &= (f["enough"] > 0) & (f["whole"] > 0)
    rough = noise / np.maximum(f["level"], 1.0)
    for part, even in (("core", EVEN_CORE), ("ring_rms", EVEN_RING)):
        good &= f[part] < np.hypot(even * f["contrast"], 1.5 * rough)
    return np.asarray(good)


def _are_bare(
    f: dict[str, Array], places: Array, typical: float, usual: Measured, noise: float
) -> Bools:
    """Tell which places show nothing but the board's own background."""
    bare = (np.abs(f["contrast"]) < BARE * typical) & (f["whole"] > 0)
    bare &= f["highest"] < SATURATED
    rough = noise / np.maximum(f["level"], 1.0)
    for part in ("core", "ring_rms"):
        bare &= f[part] < np.hypot(BARE * typical, 1.5 * rough)
    away = np.linalg.norm(places[:, None] - usual.pixels[None], axis=2)
    nearest = usual.level[np.argmin(away, axis=1)]
    return np.asarray(bare & (f["level"] > LIT[0] * nearest) & (f["level"] < LIT[1] * nearest))


class _Pass:
    """One pass over windows around ``at`` (n, 2): ``move`` (n, 2) [px] to the centres of gravity.

    Further attributes (n,): see `_FIGURES`.
    """

    def __init__(
        self, image: Grey, at: Array, steps: Array, radius: Array, window: int, light: bool
    ) -> None:
        windows = Windows.around(image, at, window)
        self.du, self.dv = windows.away(at)
        grey = windows.grey[:, 1:-1, 1:-1]
        m = np.linalg.inv(steps).astype(np.float32)[:, :, :, None, None]
        i = m[:, 0, 0] * self.du + m[:, 0, 1] * self.dv
        j = m[:, 1, 0] * self.du + m[:, 1, 1] * self.dv
        away = np.sqrt(i * i + j * j)
        r, gap = (part.astype(np.float32)[:, None, None] for part in (radius, HALF_WAY - radius))
        there = windows.inside()
        self.inside = ((away < r + WEIGHT_SHARE * gap) & there).astype(np.float32)
        self.ring = ((away >= r + RING_SHARE * gap) & (away <= HALF_WAY) & there).astype(np.float32)
        reach = np.maximum(CORE_SHARE * r, away.min(axis=(1, 2), keepdims=True))
        core = ((away <= reach) & there).astype(np.float32)
        self._leave_out_foreign(grey, core)
        background, self.normal = self._plane(grey, self.ring)
        self.lit = np.maximum(self._plane(grey, core)[0] if light else background, 1.0)
        share = (grey - background if light else background - grey) / self.lit
        count, rings = (np.maximum(_total(part), 1.0) for part in (core, self.ring))
        self.contrast = _total(share * core) / count
        weight = share * self.inside
        total = _total(weight)
        area = np.abs(np.linalg.det(steps)) * np.pi * radius**2
        least = LEAST_SHARE * area * np.maximum(self.contrast, LEAST_CONTRAST)
        self.enough = (total > least) & (_total(self.ring) >= LEAST_RING_PX)
        self.total = np.where(self.enough, total, np.inf)
        sums = [_total(weight * self.du), _total(weight * self.dv)]
        self.move = np.stack(sums, axis=1) / self.total[:, None]
        self.size = total / np.maximum(self.contrast, LEAST_CONTRAST) / area
        uneven = share - self.contrast.astype(np.float32)[:, None, None]
        self.core = np.sqrt(_total(uneven * uneven * core) / count)
        self.ring_rms = np.sqrt(_total(share * share * self.ring) / rings)
        self.level = _total(background * self.ring) / rings
        self.highest = (grey * (away <= HALF_WAY)).max(axis=(1, 2))
        self.whole = (there | (away > HALF_WAY)).all(axis=(1, 2))

    def _leave_out_foreign(self, grey: Floats, core: Floats) -> None:
        """Take what is no background out of the ring, where it is small and far enough away."""
        off = grey - self._plane(grey, self.ring)[0]
        middle = _total(off * core) / np.maximum(_total(core), 1.0)
        limit = (FOREIGN * np.abs(middle)).astype(np.float32)[:, None, None]
        foreign = self.ring * (self.inside == 0) * (np.abs(off) > limit)
        few = _total(foreign) < FOREIGN_SHARE * _total(self.ring)
        self.ring = self.ring - foreign * few[:, None, None].astype(np.float32)

    def _plane(self, grey: Floats, where: Floats) -> tuple[Floats, Array]:
        """Return the plane (n, h, w) through the greys ``where``, its normal matrix (n, 3, 3)."""
        terms = (np.ones_like(self.du), self.du, self.dv)
        normal, rest = np.zeros((len(grey), 3, 3)), np.zeros((len(grey), 3, 1))
        for k, a in enumerate(terms):
            masked = where * a
            rest[:, k, 0] = _total(masked * grey)
            for n in range(k, 3):
                normal[:, k, n] = normal[:, n, k] = _total(masked * terms[n])
        normal += np.eye(3) * 1e-3
        c = np.linalg.solve(normal, rest).astype(np.float32)[:, :, :, None]
        return c[:, 0] + c[:, 1] * self.du + c[:, 2] * self.dv, normal

    def spread(self) -> Array:
        """Return the covariance (n, 2, 2) [px²] that white noise of one grey level causes.

        The centre moves with every pixel that is weighted, and with the background's plane.
        """
        moved = self.move.astype(np.float32)[:, :, None, None]
        inverse, parts = np.linalg.inv(self.normal), []
        for d in (self.du - moved[:, 0], self.dv - moved[:, 1]):
            own = d * (self.inside / self.lit)
            through = [_total(own), _total(own * self.du), _total(own * self.dv)]
            c = np.einsum("nk,nkl->nl", np.stack(through, axis=1), inverse).astype(np.float32)
            c = c[:, :, None, None]
            parts.append((c[:, 0] + c[:, 1] * self.du + c[:, 2] * self.dv) * self.ring - own)
        result = np.empty((len(moved), 2, 2))
        for k, n in ((0, 0), (0, 1), (1, 1)):
            result[:, k, n] = result[:, n, k] = _total(parts[k] * parts[n]) / self.total**2
        result[~self.enough] = np.eye(2) * 1e6
        return result


def _total(values: Floats) -> Array:
    return np.asarray(values.sum(axis=(1, 2)), np.float64)
