"""Depth of a board's points as a measurement of its plane, and that plane against the image.

On a flat board depth is linear in the points' own coordinates, so all that it says of the pose are
three numbers: depth of the middle, and its rise along both sides. Their noise is what the points
scatter about a smooth surface, averaged; what that surface is bent, as a camera that bends a flat
board by so much may shift and tilt it by as much; and a floor that no camera stays below.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..camera.lens import BOWS, DEPTH_LEANINGS, NAMES, Lens, Terms
from ..camera.views import Views, linearised, plane_rows
from ..tails import chi2_isf, f_isf

# [-] of the distance: by so much the best 3-D cameras shift and tilt a plane without a sign of it
# in its scatter (0.07 mm at 0.7 m). Common practice, no source.
SYSTEMATIC = 1e-4
# [-] of the distance: bow of a flat board from its middle to its corners, beyond its own flatness.
# Cameras for picking are flat to 0.02 to 0.05 %. Common practice, no source.
BOW_LIMIT = 0.001
LEAST_POINTS = 10  # of one board with depth: a bent surface has 6 unknowns, and noise is left
ROUNDS = 5  # of reweighting; 3 settle
BIWEIGHT = 4.685  # [-] standard deviations; 95 % efficient where all is well (Tukey)
MAD = 1.4826  # [-] standard deviation of a normal over its median absolute deviation
MAD_TELLS = 0.37  # [-] of the values: as many tell a deviation as well by squares (from memory)
CHANCE = 1e-3  # [-] that depth which is as good as it says is questioned
COVERAGE = float(np.sqrt(chi2_isf(CHANCE, 1)))  # [-] standard uncertainties that go with it
MEDIAN_SIZE = chi2_isf(0.5, 3)  # [-] of three numbers, squared
LARGEST_SIZE = chi2_isf(0.01, 3)  # [-] beyond it a single board weighs less
LEANING_DEG = 4.0  # depth that leans by more is none of this image; CP, no source
ALIGNED_DEG = 1e-4  # depth that leans by no more does not lean
LEAST_OPEN = 6  # boards that tell depth that leans from depth that scatters
AGREES = 1.2  # [-] times the variance that depth states, once it may lean: then that explains it
MOST_INFLATED = 9.0  # [-] times the variance that depth states of itself: three times the noise


@dataclass(frozen=True, slots=True, eq=False)
class Plane:
    """What depth of one board says.

    ``rows`` (3, n) · depths (n,) [mm] are the three numbers, ``covariance`` (3, 3) [mm²] theirs.
    ``noise_mm`` of one point, ``bow_mm`` RMS of what bends the plane, ``bent`` (n,) [mm] that bend
    at each point with depth, ``half`` (2,) [mm] how far these reach from their middle.
    ``bent_by_noise_mm``: by so much noise alone bends corners from the middle, by `CHANCE`.
    """

    rows: Array
    covariance: Array
    noise_mm: float
    bow_mm: float
    bent: Array
    half: Array
    bent_by_noise_mm: float

    @property
    def bow_peak_mm(self) -> float:
        """How far the corners are bent from the middle [mm]."""
        return float(np.ptp(self.bent))


def bow_limit_mm(distance_mm: float, bow_u_mm: float, by_noise_mm: float) -> float:
    """Return how far corners may be bent from the middle of a board known to ``bow_u_mm``.

    ``by_noise_mm``: by noise alone.
    """
    return float(np.hypot(BOW_LIMIT * distance_mm + COVERAGE * bow_u_mm, by_noise_mm))


def plane_of(depths: Array, xy: Array) -> Plane | None:
    """Return the plane of points at ``xy`` (n, 2) [mm] on the board with ``depths`` (n,) [mm].

    NaN: not measured. None: too few points or all on one line. Robust: Tukey's biweight.
    """
    there = np.isfinite(depths)
    if there.sum() < LEAST_POINTS:
        return None
    B, half = _basis(xy, xy[there])
    x, y = B[:, 1:].T
    bends = np.column_stack([x * x, x * y, y * y])
    z = np.where(there, depths, 0.0)
    surface, noise, weight = _smooth(np.hstack([B, bends]), z, there)
    kept = weight > 0.0
    moments = B[kept].T @ B[kept]
    if np.linalg.matrix_rank(moments, tol=1e-6 * len(x)) < 3:
        return None
    back = np.linalg.inv(moments)
    bent = bends @ surface[3:]
    bent = bent - B @ (back @ (B[kept].T @ bent[kept]))
    bow = float(np.sqrt((bent[kept] ** 2).mean()))
    hidden = SYSTEMATIC * abs(float(surface[0]))
    covariance = noise**2 * back + (bow**2 + hidden**2) * np.eye(3)
    rows, by_noise = back @ (B * kept[:, None]).T, noise * _bent_by_noise(B[there], bends[there])
    return Plane(rows, covariance, noise, bow, bent[there], half, by_noise)


def _bent_by_noise(basis: Array, bends: Array) -> float:
    """Return how far noise of 1 in each value bends corners from the middle, by `CHANCE`."""
    R = bends - basis @ np.linalg.lstsq(basis, bends, rcond=None)[0]
    root = np.linalg.pinv(np.linalg.qr(R)[1])
    seen = R @ root
    far = np.linalg.norm(seen - seen[np.linalg.norm(seen, axis=1).argmax()], axis=1).max()
    spare = max(len(R) - basis.shape[1] - bends.shape[1], 1)
    return float(far * np.sqrt(3.0 * f_isf(CHANCE, 3, MAD_TELLS * spare)))


def _basis(xy: Array, seen: Array) -> tuple[Array, Array]:
    """Return the terms 1, x, y of a plane at ``xy`` (n, 2) as columns (n, 3), and their scale.

    x and y run from −1 to 1 over the points ``seen`` (m, 2); the scale (2,) is half their extent.
    """
    low, high = seen.min(axis=0), seen.max(axis=0)
    half = np.maximum((high - low) / 2, 1e-9)
    return np.column_stack([np.ones(len(xy)), (xy - (low + high) / 2) / half]), half


def _smooth(basis: Array, z: Array, there: NDArray[np.bool_]) -> tuple[Array, float, Array]:
    """Return coefficients (k,), the noise of one value, and the weights (n,) of a robust fit."""
    weight = there.astype(float)
    for _ in range(ROUNDS):
        root = np.sqrt(weight)
        found = np.linalg.lstsq(basis * root[:, None], z * root, rcond=None)[0]
        off = z - basis @ found
        spare = max(int(there.sum()) - basis.shape[1], 1)
        noise = MAD * float(np.median(np.abs(off[there]))) * np.sqrt(there.sum() / spare)
        scaled = off / max(BIWEIGHT * noise, 1e-9)
        weight = np.where(there & (np.abs(scaled) < 1.0), (1.0 - scaled**2) ** 2, 0.0)
    return found, float(noise), weight


@dataclass(frozen=True, slots=True, eq=False)
class Compared:
    """Planes by depth less planes by the pixels: ``off`` (n, 3) [mm] and ``covariance`` (n, 3, 3).

    ``by_terms`` (n, 3, q): what lens, board and depth add per unit; ``by_scale`` (n, 3) [mm] what
    all of depth does, relative; ``distance`` (n,) [mm].
    """

    off: Array
    covariance: Array
    by_terms: Array
    by_scale: Array
    distance: Array

    def whole_covariance(self, sd: Array) -> Array:
        """Return the covariance (n, 3, 3) where the terms are known to ``sd`` (q,)."""
        by = self.by_terms * sd
        return np.asarray(self.covariance + by @ np.swapaxes(by, 1, 2))

    def common_scale(self, sd: Array) -> tuple[float, float]:
        """Return what depth of all boards is off alike, relative, and its u, by least squares.

        Beside what the terms, known to ``sd`` (q,), are off.
        """
        rows = np.concatenate([self.by_scale[..., None], self.by_terms * sd], axis=2)
        W = np.linalg.solve(self.covariance, rows)
        M = np.einsum("nij,nik->jk", rows, W)
        M[1:, 1:] += np.eye(len(sd))
        spread = np.linalg.inv(M)
        scale = float((spread @ np.einsum("nij,ni->j", W, self.off))[0])
        return scale, float(np.sqrt(spread[0, 0]))


def compared(
    views: Views, covariances: Array, poses: Array, lens: Lens, terms: Terms, noise_px: float
) -> Compared:
    """Return the planes of ``views`` by depth against those by pixels of ``noise_px``.

    ``covariances`` (n, 3, 3) [mm²] are those of the planes; ``poses`` (n, 4, 4) of the pixels.
    """
    if views.planes is None or views.depths is None:
        raise ValueError("these views hold no depth")
    flat = linearised(replace(views, depths=None, planes=None), poses, lens, terms)
    J, residual, Q = plane_rows(views, poses, terms)
    off = residual - (J @ flat.step[..., None])[..., 0]
    pixels = noise_px**2 * J @ np.linalg.solve(flat.information, np.swapaxes(J, 1, 2))
    middle = np.einsum("nij,nj->ni", poses[:, :3, :3], views.points.mean(axis=1)) + poses[:, :3, 3]
    by_scale = (views.planes @ views.depths[..., None])[..., 0] - residual
    return Compared(off, covariances + pixels, Q - J @ flat.by_terms, by_scale, middle[:, 2])


@dataclass(frozen=True, slots=True, eq=False)
class Weighed:
    """Depth as it joins an estimate.

    ``used`` (n,) which views it joins; ``bent`` (n, 2) [mm] bow and limit of those that are bent
    too far, else zeros; ``scale`` what all of it is off, relative, and ``scale_u``;
    ``inflated`` how much larger its variance is taken than it states. ``left_out``: it contradicts
    the images and joins none. ``noise`` of one point and what a plane is off as a whole (``bend``)
    are typical ones, [-] of the distance.
    """

    used: NDArray[np.bool_]
    bent: Array
    scale: float
    scale_u: float
    inflated: float
    left_out: bool
    noise: float = 0.0
    bend: float = 0.0

    def expected(self, points: Array, poses: Array, px: float) -> tuple[Array, Array]:
        """Return planes (n, 3, m) and depths (n, m) of boards with ``points`` (m, 3) at ``poses``.

        As `weighed` makes them, of boards that are wholly seen; the depths are zeros, as only what
        they would tell counts.
        """
        B, _ = _basis(points[:, :2], points[:, :2])
        back = np.linalg.inv(B.T @ B)
        C = self.inflated * (self.noise**2 * back + self.bend**2 * np.eye(3))
        share = px * np.linalg.solve(np.linalg.cholesky(C), back @ B.T)
        distance = (poses[:, :3, :3] @ points.mean(axis=0) + poses[:, :3, 3])[:, 2]
        return share / distance[:, None, None], np.zeros((len(poses), len(points)))


def weighed(
    views: Views, depths: Sequence[Array | None], poses: Array, lens: Lens, terms: Terms, px: float
) -> tuple[Views, Weighed | None]:
    """Return ``views`` with the planes that ``depths`` (one array for each view, or None) measure.

    ``poses`` (n, 4, 4) by the pixels alone, ``px`` the pixel noise of these. Where planes scatter
    against the pixels more than both explain, they weigh less: all of them by the median, one
    that is far off by its own; a bent one does not count. That depth leans leaves none out.
    None: no view holds depth.
    """
    n, m = views.weight.shape
    bow_u_mm = float(terms.sd_of_all[NAMES.index(BOWS[0])])
    z, rows, C = np.zeros((n, m)), np.zeros((n, 3, m)), np.tile(np.eye(3), (n, 1, 1))
    bent, nothing, shares = np.zeros((n, 2)), np.zeros(n, bool), np.zeros((n, 2))
    for k, own in enumerate(depths):
        plane = None if own is None else plane_of(own, views.points[k, : len(own), :2])
        if own is None or plane is None:
            continue
        limit = bow_limit_mm(float(np.nanmedian(own)), bow_u_mm, plane.bent_by_noise_mm)
        if plane.bow_peak_mm > limit:  # bent so far, it is off elsewhere too, at every stop alike
            bent[k] = plane.bow_peak_mm, limit
            continue
        z[k, : len(own)] = np.nan_to_num(own)
        rows[k, :, : len(own)], C[k] = plane.rows, plane.covariance
        distance = float(np.nanmedian(own))
        shares[k] = plane.noise_mm / distance, np.hypot(plane.bow_mm / distance, SYSTEMATIC)
    used = np.asarray(rows.any(axis=(1, 2)), bool)
    if not used.any():
        told = Weighed(nothing, bent, 0.0, np.inf, 1.0, left_out=False)
        return views, told if bent.any() else None
    with_depth = replace(views, depths=z, planes=rows)
    found = compared(with_depth.take(used), C[used], poses[used], lens, terms, px)
    wide = np.maximum(_leaning(terms, LEANING_DEG), terms.sd)
    open_ = wide if used.sum() >= LEAST_OPEN else terms.sd
    scale, scale_u = found.common_scale(open_)
    leans = used.sum() >= LEAST_OPEN and np.median(_inflation(found, open_)) < AGREES
    times = _inflation(found, terms.sd if leans else _leaning(terms, ALIGNED_DEG))
    typical = float(np.median(_inflation(found, open_) if leans else times))
    far = abs(scale) > COVERAGE * scale_u
    if far or typical > MOST_INFLATED:
        return views, Weighed(nothing, bent, scale, scale_u, typical, left_out=True)
    C[used] *= times[:, None, None]
    whole = replace(views, depths=z, planes=px * np.linalg.solve(np.linalg.cholesky(C), rows))
    noise, bend = (float(part) for part in np.median(shares[used], axis=0))
    return whole, Weighed(used, bent, scale, scale_u, typical, False, noise, bend)


def _leaning(terms: Terms, degrees: float) -> Array:
    """Return the standard deviations (q,) of the terms, those of how depth leans ``degrees``."""
    leaning = np.isin(terms.names, DEPTH_LEANINGS)
    return np.where(leaning, degrees, terms.sd)


def _inflation(found: Compared, sd: Array) -> Array:
    """Return how many times (n,) each plane's variance is larger than stated, at least 1."""
    times = np.ones(len(found.off))
    for _ in range(ROUNDS):
        P = found.covariance * times[:, None, None]
        W = np.linalg.solve(P, found.by_terms)
        M = np.einsum("nij,nik->jk", found.by_terms, W) + np.diag(sd**-2.0)
        e = np.linalg.solve(M, np.einsum("nij,ni->j", W, found.off))
        left = found.off - found.by_terms @ e
        size = np.einsum(
            "ni,ni->n", left, np.linalg.solve(found.covariance, left[..., None])[..., 0]
        )
        times = np.maximum(1.0, np.maximum(np.median(size) / MEDIAN_SIZE, size / LARGEST_SIZE))
    return times
