"""What the image of a board says about its pose: closed forms, then a Gaussian for all stations.

A flat board has two poses that explain its image almost equally well where it is small or far
(Schweighofer & Pinz 2006; Collins & Bartoli 2014). Both are returned, with their errors.

The points of one view, linearised at a pose, say as much as one pose measurement: a displacement
``step`` (6,) of the pose with the information ``information`` (6, 6) for pixels of unit noise, and
a rest ``rss`` that no displacement removes. Displacements are [r, t] in [rad, mm] on camera axes.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..arrays import Array
from ..errors import StationbookError
from ..frames import apply, displaced, rotation_exp, transform
from .lens import Lens, Terms, lens, project_rows, undistort
from .model import Camera

LEAST_POINTS = 4  # a flat board's pose has 6 unknowns; 4 points give 8 equations
SAME_POSE = 1e-4  # [rad, mm] two refined solutions closer than this are one
SAME_ERROR = 1e-7  # [-] of focal length: both solutions of a perfect image may be the true one
RIVAL = 5.0  # [-] a second solution with so many times the error of the first is no rival


def board_pose(
    points: ArrayLike, pixels: ArrayLike, camera: Camera | Lens
) -> list[tuple[Array, float]]:
    """Return the poses [(camera_T_board (4, 4) [mm], rms_px)] that explain one view, best first.

    ``points`` (n, 3) [mm] in the board frame and ``pixels`` (n, 2). One or two poses (a
    second with `RIVAL` times the error of the first is left out); ``rms_px`` is per coordinate.
    Infinitesimal plane-based pose estimation (Collins & Bartoli 2014), then least
    squares on the pixels. Raises StationbookError for fewer than 4 points or points on one line.
    """
    points, pixels = np.asarray(points, float), np.asarray(pixels, float)
    if points.shape[:1] != pixels.shape[:1] or len(points) < LEAST_POINTS:
        raise StationbookError(
            f"a board's pose needs at least {LEAST_POINTS} points, got {len(pixels)}"
        )
    views = Views(points[None], pixels[None], np.ones((1, len(points))))
    return poses_of_views(views, camera)[0]


def poses_of_views(views: Views, camera: Camera | Lens) -> list[list[tuple[Array, float]]]:
    """Return `board_pose` of every view, all refined at once; [] where a view gives no pose."""
    data = camera if isinstance(camera, Lens) else lens(camera)
    starts, owner = _closed_forms(views, undistort(views.pixels, data))
    result: list[list[tuple[Array, float]]] = [[] for _ in views.weight]
    if not len(owner):
        return result
    seen = views.take(owner)
    poses, view = refined(seen, starts, data)
    rms = np.sqrt(_total(view) / (2 * seen.counts))
    ahead = in_front(seen, poses)
    for index in np.argsort(rms, kind="stable"):
        pose, known = poses[index], result[owner[index]]
        if ahead[index] and not any(np.abs(pose - p).max() < SAME_POSE for p, _ in known):
            known.append((pose, float(rms[index])))
    return result


def _closed_forms(views: Views, seen: Array) -> tuple[Array, NDArray[np.int64]]:
    """Return the plane-based starts (k, 4, 4) from normalised coordinates (n, m, 2).

    And the view of each (k,): none, one or two of a view.
    """
    present = views.weight > 0
    flat = views.points * (1.0, 1.0, 0.0)
    poor = (present.sum(axis=1) < LEAST_POINTS) | _on_one_line(flat, present)
    found: tuple[list[Array], ...] = ([], [], [])
    owner, K = list[int](), np.eye(3)
    for index in np.flatnonzero(~(poor | _on_one_line(seen, present))):
        points, rays = flat[index][present[index]], seen[index][present[index]]
        count, *ways = cv2.solvePnPGeneric(points, rays, K, None, flags=cv2.SOLVEPNP_IPPE)
        if count:
            owner += [int(index)] * count
            for known, new in zip(found, ways, strict=True):
                known += list(new)
    turn, place = (np.reshape(part, (-1, 3)) for part in found[:2])
    error, of = np.reshape(found[2], -1), np.array(owner, int)
    least = np.full(len(present), np.inf)
    np.fmin.at(least, of, error)
    good = (error <= RIVAL * least[of] + SAME_ERROR) & np.isfinite(turn + place).all(axis=1)
    return transform(rotation_exp(turn[good]), place[good]), of[good]


def _on_one_line(points: Array, present: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Tell which points (n, m, ..) spread in one direction only (a thousandth of the larger one).

    Those that are ``present`` (n, m) count.
    """
    flat = np.where(present[..., None], points[..., :2], 0.0)
    mean = flat.sum(axis=1) / np.maximum(present.sum(axis=1), 1)[:, None]
    centred = np.where(present[..., None], flat - mean[:, None], 0.0)
    small, large = np.linalg.eigvalsh(np.swapaxes(centred, 1, 2) @ centred).T
    return np.asarray(small <= 1e-6 * large)


Selection = NDArray[np.bool_] | NDArray[np.integer[Any]]

BLOCK_POINTS = 4096  # points per block: what is worked on stays in the cache, 0.4 MB
RIDGE = 1e-12  # [-] relative; keeps views of fewer than three points from stopping the arithmetic
REFINE_STEPS = 15  # Gauss-Newton steps; 4 or 5 suffice from a closed form
REFINE_TOLERANCE_PX = 1e-5  # px; a thousandth of the best corner detectors
BEHIND = 1e-3  # [mm] a point at or behind the lens is held just before it, and tells nothing
# [-] of the farthest point's distance: least depth of any of the board's points. No lens sees a
# board whole that reaches nearer: it would fill 84° on either side of the axis.
NEAREST_SHARE = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Views:
    """Board points and their pixels, padded to the longest view.

    ``points`` (n, m, 3) [mm] in the board frame, ``pixels`` (n, m, 2), ``weight`` (n, m) 1 for a
    point and 0 for padding. ``whiten`` (n, m, 2, 2) makes residuals alike where some points are
    known better than others: see `weighing`; None: all are alike. ``depths`` (n, m) [mm] along the
    camera's axis, and ``planes`` (n, 3, m), which makes of them three residuals with the noise of a
    pixel, zeros in views without; None: depth was not measured.
    """

    points: Array
    pixels: Array
    weight: Array
    whiten: Array | None = None
    depths: Array | None = None
    planes: Array | None = None

    @property
    def counts(self) -> Array:
        """Number of points in each view, (n,)."""
        return np.asarray(self.weight.sum(axis=1))

    def take(self, index: Selection | slice) -> Views:
        """Return the views at ``index`` (indices, a mask or a slice)."""
        known = {name: part for name in self.__slots__ if (part := getattr(self, name)) is not None}
        return Views(**{name: part[index] for name, part in known.items()})


def whitening(covariances: Array) -> Array:
    """Return W (..., 2, 2) for ``covariances`` (..., 2, 2): W · residual varies by 1."""
    return np.asarray(np.linalg.inv(np.linalg.cholesky(covariances)))


def weighing(covariances: Array, typical_px: float) -> Array:
    """Return W (..., 2, 2): W · residual varies alike for all points of ``covariances`` [px²].

    Residuals of a typical point, which varies by ``typical_px``, stay as they are. What lens and
    board do to all points alike no covariance knows; so much again is added to each, and none
    weighs more than twice as much as a typical one.
    """
    shared = typical_px**2 * np.eye(2)
    return np.asarray(np.sqrt(2.0) * typical_px * whitening(covariances + shared))


def typical_sd(covariances: Array) -> float:
    """Return the median standard deviation [px] of a coordinate over points (n, 2, 2) [px²]."""
    return float(np.sqrt(np.median(np.trace(covariances, axis1=1, axis2=2) / 2.0)))


@dataclass(frozen=True, eq=False)
class Gaussian:
    """The views as pose measurements around ``pose`` (n, 4, 4): see the module's text.

    What lens and board may be off by, ``e`` (q,), shifts the measured displacement to
    ``step − by_terms e`` and the rest to ``rss − 2 e·rest_gradient + e·rest_information e``.
    """

    pose: Array
    step: Array
    information: Array
    rss: Array
    by_terms: Array  # (n, 6, q)
    rest_gradient: Array  # (n, q)
    rest_information: Array  # (n, q, q)

    def take(self, index: Selection) -> Gaussian:
        """Return the views at ``index``."""
        return Gaussian(*(getattr(self, part.name)[index] for part in fields(self)))

    @cached_property
    def factor(self) -> Array:
        """E (n, 6, 6) with E Eᵀ = information⁻¹: a measured pose for pixels of unit noise."""
        scale = 1.0 / np.sqrt(np.maximum(np.einsum("nii->ni", self.information), 1e-300))
        scaled = self.information * scale[:, :, None] * scale[:, None, :]
        value, vectors = np.linalg.eigh(scaled)
        return np.asarray(scale[..., None] * vectors / np.sqrt(np.maximum(value, RIDGE))[:, None])

    def measured(self, errors: Array) -> Array:
        """Return the measured poses (n, 4, 4) where lens and board are off by ``errors`` (q,)."""
        return displaced(self.pose, self.step - self.by_terms @ errors)

    def rest(self, errors: Array) -> float:
        """Return the sum of all rests where lens and board are off by ``errors`` (q,)."""
        rss, gradient, information = self.rests
        return float(rss - 2.0 * errors @ gradient + errors @ information @ errors)

    @cached_property
    def rests(self) -> tuple[float, Array, Array]:
        """The sums of ``rss``, ``rest_gradient`` (q,) and ``rest_information`` (q, q)."""
        parts = self.rss, self.rest_gradient, self.rest_information
        rss, gradient, information = (part.sum(axis=0) for part in parts)
        return float(rss), gradient, information

    def without_terms(self, mask: NDArray[np.bool_]) -> Gaussian:
        """Return the views without the terms in ``mask`` (n, q), which had no part in them."""
        keep = np.where(mask, 0.0, 1.0)
        return replace(
            self,
            by_terms=self.by_terms * keep[:, None, :],
            rest_gradient=self.rest_gradient * keep,
            rest_information=self.rest_information * keep[:, :, None] * keep[:, None, :],
        )

    def poses_alone(self, mask: NDArray[np.bool_]) -> Gaussian:
        """Return the views, those in ``mask`` (n,) telling of terms by their pose alone."""
        keep = np.where(mask, 0.0, 1.0)
        return replace(
            self,
            rest_gradient=self.rest_gradient * keep[:, None],
            rest_information=self.rest_information * keep[:, None, None],
        )


def linearised(views: Views, poses: Array, lens: Lens, terms: Terms | None = None) -> Gaussian:
    """Return what ``views`` say, linearised at ``poses`` (n, 4, 4), camera_T_board [mm].

    ``terms``: what lens and board may be off by; None: nothing.
    """
    n, m = views.weight.shape
    q = terms.count if terms is not None else 0
    information, rss = np.empty((n, 6, 6)), np.empty(n)
    moved, free = np.empty((n, 6, q + 1)), np.empty((n, q, q + 1))
    block = max(1, BLOCK_POINTS // max(m, 1))
    for start in range(0, n, block):
        part = slice(start, start + block)
        rows = _all_rows(views.take(part), poses[part], lens, terms)
        J, others, residual = rows[:, :6], rows[:, 6:], rows[:, -1:]
        A = J @ np.swapaxes(J, 1, 2)
        information[part] = A + (RIDGE * A + 1e-300) * np.eye(6)
        right = J @ np.swapaxes(others, 1, 2)
        moved[part] = _solved(information[part], right)
        rest = (residual @ np.swapaxes(residual, 1, 2))[:, 0, 0]
        taken = (right[:, None, :, -1] @ moved[part, :, -1:])[:, 0, 0]
        rss[part] = np.maximum(rest - taken, 0.0)
        if q:
            Q = rows[:, 6:-1] - np.swapaxes(moved[part, :, :-1], 1, 2) @ J
            free[part, :, :-1] = Q @ np.swapaxes(Q, 1, 2)
            free[part, :, -1:] = Q @ np.swapaxes(residual, 1, 2)
    return Gaussian(
        poses, moved[..., -1], information, rss, moved[..., :-1], free[..., -1], free[..., :-1]
    )


def in_front(views: Views, poses: Array) -> NDArray[np.bool_]:
    """Tell which poses (n, 4, 4) put the whole of their view's board before the camera."""
    places, present = apply(poses, views.points), views.weight > 0
    least = np.where(present, places[..., 2], np.inf).min(axis=1, initial=np.inf)
    farthest = np.where(present, np.linalg.norm(places, axis=2), 0.0).max(axis=1, initial=0.0)
    return np.asarray((least > 0.0) & (least >= NEAREST_SHARE * farthest))


def residuals(
    views: Views, poses: Array, lens: Lens, terms: Terms | None = None, errors: Array | None = None
) -> Array:
    """Return measured − predicted pixels (n, m, 2), zero where padded; not whitened.

    ``errors`` (q,): what lens and board are off by, in the order of ``terms``.
    """
    n, m = views.weight.shape
    out = np.empty((n, 2 * m))
    block = max(1, BLOCK_POINTS // max(m, 1))
    for start in range(0, n, block):
        part = slice(start, start + block)
        rows = _rows(views.take(part), poses[part], lens, terms)
        out[part] = rows[:, -1]
        if errors is not None:
            out[part] -= errors @ rows[:, 6:-1]
    return np.swapaxes(out.reshape(n, 2, m), 1, 2)


def refined(views: Views, poses: Array, lens: Lens) -> tuple[Array, Gaussian]:
    """Return poses (n, 4, 4) of least squared reprojection error, and the views at them.

    Gauss-Newton from ``poses`` with halved steps where the error would grow (loss: sum of squared
    pixel residuals of each view).
    """
    best = linearised(views, poses, lens)
    total = _total(best)
    scale = np.ones(len(poses))
    for _ in range(REFINE_STEPS):
        move = np.sqrt(np.einsum("ni,nij,nj->n", best.step, best.information, best.step))
        if (move * scale < REFINE_TOLERANCE_PX * np.sqrt(np.maximum(views.counts, 1))).all():
            break
        trial_pose = displaced(best.pose, scale[:, None] * best.step)
        trial = linearised(views, trial_pose, lens)
        better = _total(trial) <= total
        best = _chosen(better, trial, best)
        total = np.where(better, _total(trial), total)
        scale = np.where(better, 1.0, scale * 0.25)
    return best.pose, best


def _total(view: Gaussian) -> Array:
    quadratic = np.einsum("ni,nij,nj->n", view.step, view.information, view.step)
    return np.asarray(view.rss + quadratic)


def _chosen(first: NDArray[np.bool_], a: Gaussian, b: Gaussian) -> Gaussian:
    def pick(x: Array, y: Array) -> Array:
        return np.where(first.reshape(-1, *(1,) * (x.ndim - 1)), x, y)

    return Gaussian(*(pick(getattr(a, part.name), getattr(b, part.name)) for part in fields(a)))


def pixel_rows(
    views: Views, poses: Array, lens: Lens, terms: Terms | None = None
) -> tuple[Array, Array, Array]:
    """Return the Jacobian (n, 2m, 6) by the pose's displacement and the residuals (n, 2m).

    And the derivative (n, 2m, q) by what lens and board may be off by; ``terms`` None: of nothing.
    First all u, then all v.
    """
    rows = np.swapaxes(_rows(views, poses, lens, terms, whitened=True), 1, 2)
    return rows[..., :6], rows[..., -1], rows[..., 6:-1]


def _all_rows(views: Views, poses: Array, lens: Lens, terms: Terms | None) -> Array:
    """Return the `_rows` of pixels, and those of depth beside them where there is any."""
    pixels = _rows(views, poses, lens, terms, whitened=True)
    if views.planes is None:
        return pixels
    J, residual, Q = plane_rows(views, poses, terms)
    depth = np.concatenate([J, Q, residual[..., None]], axis=2)
    return np.concatenate([pixels, np.swapaxes(depth, 1, 2)], axis=2)


def plane_rows(views: Views, poses: Array, terms: Terms | None) -> tuple[Array, Array, Array]:
    """Return the Jacobian (n, 3, 6) of depth, its residuals (n, 3) and their derivative (n, 3, q).

    By the pose's displacement, and by what lens and board are off. Raises ValueError for views
    without depth.
    """
    if views.planes is None or views.depths is None:
        raise ValueError("these views hold no depth")
    turned = views.points @ np.swapaxes(poses[:, :3, :3], 1, 2)
    places = turned + poses[:, None, :3, 3]
    z = places[..., 2]
    J = np.zeros((*z.shape, 6))
    J[..., 0], J[..., 1], J[..., 5] = turned[..., 1], -turned[..., 0], 1.0
    Q = np.empty((*z.shape, 0))
    if terms is not None:
        Q = np.swapaxes(terms.depth_rows(views.points, poses[:, :3, :3], places), 1, 2)
    residual = (views.planes @ (views.depths - z)[..., None])[..., 0]
    return views.planes @ J, residual, views.planes @ Q


def _rows(
    views: Views, poses: Array, lens: Lens, terms: Terms | None, *, whitened: bool = False
) -> Array:
    """Return the pixels' derivatives and residuals (n, 6 + q + 1, 2m): first all u, then all v.

    By the pose's displacement, and by what lens and board are off; the residuals come last.
    """
    n, m = views.weight.shape
    R = poses[:, :3, :3]
    turned = R @ np.swapaxes(views.points, 1, 2)
    seen = turned + poses[:, :3, 3:]
    ahead = seen[:, 2] > BEHIND
    seen[:, 2] = np.maximum(seen[:, 2], BEHIND)
    pixels, by_point = project_rows(seen, lens)
    rows = np.empty((n, 7 + (terms.count if terms is not None else 0), 2, m))
    for axis in range(3):  # dp = r × turned: column k of −[turned]× is e_k × turned
        a, b = (axis + 1) % 3, (axis + 2) % 3
        rows[:, axis] = (
            by_point[:, :, b] * turned[:, a, None] - by_point[:, :, a] * turned[:, b, None]
        )
    rows[:, 3:6] = np.swapaxes(by_point, 1, 2)
    if terms is not None:
        terms.write_rows(rows[:, 6:-1], views.points, R, by_point, pixels)
    rows[:, -1] = np.swapaxes(views.pixels, 1, 2) - pixels
    if not (views.weight.all() and ahead.all()):  # padded, or of no use
        rows[:, :-1] *= (views.weight * ahead)[:, None, None]
        rows[:, -1] *= views.weight[:, None]
    if whitened and views.whiten is not None:
        by_u, by_v = (np.moveaxis(views.whiten[..., k], 1, 2)[:, None] for k in range(2))
        rows = by_u * rows[:, :, :1] + by_v * rows[:, :, 1:]
    return rows.reshape(n, -1, 2 * m)


def _solved(A: Array, b: Array) -> Array:
    """Solve A x = b (n, 6, 6), (n, 6, k) after scaling the columns to one length."""
    scale = 1.0 / np.sqrt(np.einsum("nii->ni", A))[..., None]
    scaled = A * scale * np.swapaxes(scale, 1, 2)
    return np.asarray(np.linalg.solve(scaled, b * scale) * scale)
