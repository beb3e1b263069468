"""Chessboard corners, measured on the full image: the place, its covariance, and whether it is one.

Image gradients point away from a corner nowhere: the corner is where the lines square to them meet
(Förstner & Gülch 1987). How pixel noise moves that place follows from the same gradients.
"""

from __future__ import annotations

import numpy as np

from ..arrays import Array, Grey
from .windows import SATURATED, Bools, Floats, Measured, Windows, grouped, sampled

REACH = 0.42  # [-] of the distance to the next corner: the window; its weight falls to 0 there
MOST_REACH_PX = 16.0  # px; larger windows cost time and gain nothing on a rendered board
LEAST_REACH_PX = 3.5  # px; a smaller window holds too few gradients
STEPS, SAME_PX = 6, 0.01  # steps at most, and the move [px] after which they end
QUADRANT = 0.24  # [-] from the corner into each square: where its grey is looked at
SPREAD = 0.07  # [-] around there
LEAST_CONTRAST = 5.0  # grey levels between the squares that meet
MOST_UNLIKE = 0.5  # [-] of the contrast between the two squares of one colour
MARGIN_ALIKE = 0.15  # [-] of the contrast: how close a margin's grey is to the light squares'
MOST_MISFIT = 2.5  # [-] of the board's median: gradients that miss the corner by more belong to
LEAST_MISFIT_PX = 0.35  # px  something else; below this they harm nothing


def measure_corners(
    image: Grey,
    places: Array,
    steps: Array,
    dark: Bools,
    noise: float,
    reach: float = REACH,
    *,
    margin_light: bool = True,
) -> Measured:
    """Measure the corners near ``places`` (n, 2) [px]; ``steps`` (n, 2, 2) lead to the neighbours.

    ``dark`` (n,) tells whether the square ahead of both steps is the dark one; ``noise`` [grey
    levels] is that of one pixel; ``reach`` [-] the window as a share of the steps. ``margin_light``
    tells the colour around the board.
    """
    pixels, covariance, misfit = refined(image, places, steps, noise, reach)
    good = _is_corner(_quadrants(image, pixels, steps, min(QUADRANT, 0.5 * reach)), dark, noise)
    if good.any():
        limit = max(MOST_MISFIT * float(np.median(misfit[good])), LEAST_MISFIT_PX)
        good &= misfit < limit
    at_place = _quadrants(image, places, steps, QUADRANT)
    lit = (at_place.max(axis=1) < SATURATED) | (not margin_light)
    if not margin_light:
        at_place, dark = 255.0 - at_place, ~dark
    empty = _is_border(at_place, dark, noise) & ~good & lit
    none = np.zeros(len(places))
    return Measured(pixels, covariance, good, empty, none, none, none)


def look_like_corners(
    image: Grey, places: Array, steps: Array, dark: Bools, noise: float
) -> Measured:
    """Tell which ``places`` look like corners, as `measure_corners` does; measure nothing."""
    good = _is_corner(_quadrants(image, places, steps, QUADRANT), dark, noise)
    none = np.zeros(len(places))
    unknown = np.tile(np.eye(2) * 1e6, (len(places), 1, 1))
    return Measured(places, unknown, good, np.zeros(len(places), bool), none, none, none)


def _quadrants(image: Grey, places: Array, steps: Array, into: float) -> Array:
    """Return the greys (n, 4) of the squares that meet, ahead of both steps first, u towards v."""
    around = SPREAD * min(1.0, into / QUADRANT) * np.array([-1.0, 0.0, 1.0])
    spots = np.stack(np.meshgrid(around, around), axis=-1).reshape(-1, 2)
    signs = np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]]) * into
    offsets = (signs[:, None] + spots).reshape(-1, 2)
    grey = sampled(image, places[:, None] + np.einsum("nij,kj->nki", steps, offsets))
    return np.asarray(grey.reshape(len(places), 4, -1).mean(axis=2))


def _is_corner(grey: Array, dark: Bools, noise: float) -> Bools:
    """Tell from the greys (n, 4) of four squares whether they are dark and light by turns."""
    ahead, beside = (grey[:, 0] + grey[:, 2]) / 2, (grey[:, 1] + grey[:, 3]) / 2
    step = np.where(dark, beside - ahead, ahead - beside)
    unlike = np.maximum(np.abs(grey[:, 0] - grey[:, 2]), np.abs(grey[:, 1] - grey[:, 3]))
    return np.asarray((step > max(LEAST_CONTRAST, noise)) & (unlike < MOST_UNLIKE * step))


def _is_border(grey: Array, dark: Bools, noise: float) -> Bools:
    """Tell whether only one of the squares that should be dark is, the others being one light."""
    should = np.where(dark[:, None], grey[:, [0, 2]], grey[:, [1, 3]])
    light = np.where(dark[:, None], grey[:, [1, 3]], grey[:, [0, 2]])
    level = light.mean(axis=1)
    contrast = level - should.min(axis=1)
    alike = np.abs(should.max(axis=1) - level) < MARGIN_ALIKE * contrast
    alike &= np.ptp(light, axis=1) < MARGIN_ALIKE * contrast
    return np.asarray(alike & (contrast > max(LEAST_CONTRAST, noise)))


def refined(
    image: Grey, places: Array, steps: Array, noise: float, reach: float = REACH
) -> tuple[Array, Array, Array]:
    """Return corners (n, 2) [px], covariances (n, 2, 2) [px²] and misfits (n,) [px].

    The misfit is by how much the lines square to the gradients miss the corner (RMS).
    """
    pixels, covariance = places.astype(float), np.tile(np.eye(2) * 1e6, (len(places), 1, 1))
    misfit = np.full(len(places), np.inf)
    longest = np.linalg.norm(steps, axis=1).max(axis=1)
    share = np.clip(reach * longest, LEAST_REACH_PX, MOST_REACH_PX) / longest
    for group, radius in grouped(np.ceil(share * np.linalg.norm(steps, axis=2).max(axis=1))):
        inverse = np.linalg.inv(steps[group]) / share[group, None, None]
        start, at = pixels[group], pixels[group]
        for _ in range(STEPS):
            fit = _Fit(Windows.around(image, at, radius), at, inverse)
            move = np.linalg.solve(fit.normal, fit.pull[..., None])[..., 0]
            length = np.maximum(np.linalg.norm(move, axis=1), 1e-9)
            move *= np.minimum(1.0, radius / 2 / length)[:, None]
            at = at + move
            if np.abs(move).max() < SAME_PX:
                break
        away = np.linalg.norm(np.einsum("nij,nj->ni", inverse, at - start), axis=1)
        pixels[group] = np.where((away < 1.0)[:, None], at, start)  # beyond: another thing
        covariance[group] = noise**2 * fit.spread()
        misfit[group] = np.where(away < 1.0, fit.misfit(), np.inf)
    return pixels, covariance, misfit


class _Fit:
    """One step: where the lines square to the gradients in windows meet, from ``at`` (n, 2) on.

    ``normal`` (n, 2, 2) and ``pull`` (n, 2) are of the weighted least squares; ``miss`` (n, h, w)
    is by how much each line misses ``at``, times the gradient.
    """

    def __init__(self, windows: Windows, at: Array, inverse: Array) -> None:
        self.windows = windows
        self.gx, self.gy = windows.gradients()
        self.du, self.dv = windows.away(at)
        m = inverse.astype(np.float32)[:, :, :, None, None]
        i = m[:, 0, 0] * self.du + m[:, 0, 1] * self.dv
        j = m[:, 1, 0] * self.du + m[:, 1, 1] * self.dv
        weight = np.maximum(1.0 - (i * i + j * j), 0.0)
        self.weight = weight * weight * windows.inside()
        self.miss = self.gx * self.du + self.gy * self.dv
        wx, wy = self.weight * self.gx, self.weight * self.gy
        self.pull = np.stack([_sum(wx, self.miss), _sum(wy, self.miss)], axis=1)
        normal = np.empty((len(at), 2, 2))
        normal[:, 0, 0], normal[:, 1, 1] = _sum(wx, self.gx), _sum(wy, self.gy)
        normal[:, 0, 1] = normal[:, 1, 0] = _sum(wx, self.gy)
        self.energy = np.trace(normal, axis1=1, axis2=2)
        self.normal = normal + np.eye(2) * (1e-6 * self.energy[:, None, None] + 1e-6)

    def misfit(self) -> Array:
        """Return by how much the lines miss the corner (n,) [px], RMS weighted by the gradients."""
        square = _sum(self.weight * self.miss, self.miss) / np.maximum(self.energy, 1e-9)
        return np.asarray(np.sqrt(square))

    def spread(self) -> Array:
        """Return the covariance (n, 2, 2) [px²] that white noise of one grey level causes.

        With gradients g and offsets d, the corner moves by G⁻¹ Σ w (δg (g · d) + g (δg · d)):
        linear in the noise of each pixel.
        """
        parts = []
        for k, g in enumerate((self.gx, self.gy)):
            own = self.weight * self.miss
            wg = self.weight * g
            by_x, by_y = wg * self.du, wg * self.dv
            by_x, by_y = (by_x + own, by_y) if k == 0 else (by_x, by_y + own)
            parts.append(self.windows.on_pixels(by_x, by_y).reshape(len(g), -1))
        a, b = parts
        seen = np.empty_like(self.normal)
        seen[:, 0, 0], seen[:, 1, 1] = (np.einsum("ni,ni->n", p, p) for p in (a, b))
        seen[:, 0, 1] = seen[:, 1, 0] = np.einsum("ni,ni->n", a, b)
        inverse = np.linalg.inv(self.normal)
        return np.asarray(inverse @ seen @ inverse)


def _sum(a: Floats, b: Floats) -> Array:
    return np.asarray(np.einsum("nhw,nhw->n", a, b), np.float64)
