"""Whether the images alone contradict the lens data, whatever was typed.

Each image gives the board a pose of its own. With the right lens nothing is left over but noise;
with a wrong one, points miss by a pattern that repeats over the view. Eight lens parameters (focal
length, its ratio, principal point, the four usual distortions) are fitted to all images at once,
with broad priors, the poses eliminated (Zhang 2000 states the problem; here it is only a test).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.stats import f as f_distribution

from ..arrays import Array
from ..camera.lens import lens, project_with_jacobian
from ..camera.model import ASSUMED_LENS_U, Camera
from ..camera.views import Views, linearised, refined, residuals
from ..errors import StationbookError
from ..estimate.problem import point_rows
from ..estimate.solver import Solution
from ..findings import finding
from ..frames import apply
from .causes import Cause, solved_weight
from .scene import Texts

IMAGES = 20  # images that test the lens, evenly spread; more change nothing
SIGNIFICANCE = 1e-4  # [-] chance that good lens data are called wrong
# A pattern that moves no camera: lens calibrations leave 0.02 to 0.05 px (common practice). In
# simulation 0.13 px (the principal point off by 30 px) moved the camera by 2 to 7 mm.
LEAST_PATTERN_PX = 0.08
STEPS = 8  # Gauss-Newton steps
HALVINGS = 4  # times a step is shortened
FOCAL = 0  # place of the focal length among the parameters
# Logarithms of focal length and of its ratio, principal point [px], k1 k2 p1 p2: prior standard
# deviations (broad: any lens of the trade) and steps of numerical derivatives.
PRIOR = np.array([0.3, 0.05, 100.0, 100.0, 0.5, 1.0, 0.02, 0.02])
STEP = 1e-4 * np.array([1.0, 1.0, 500.0, 500.0, 1.0, 1.0, 1.0, 1.0])


@dataclass(frozen=True, slots=True, eq=False)
class Pattern:
    """What is left over: the pattern's RMS [px] and the camera that has none of it."""

    residual_px: float
    camera: Camera


@dataclass(frozen=True, slots=True, eq=False)
class _Images:
    """Images to fit a lens to: ``pose`` (n, 4, 4) and the camera so far."""

    views: Views
    pose: Array
    camera: Camera


def pattern(found: Solution) -> Pattern | None:
    """Return the pattern that the lens data leave in the images, or None.

    What the cell itself says of how well its lens data are known is none. A focal length that is
    merely too long or short is left to the stations, which know more of it.
    """
    images = _images(found)
    if images is None:
        return None
    score, information = _normal(images)
    before = _rest(images)
    variance = before / _count(images)
    explained = _explained(score, information, variance, PRIOR)
    explained -= _explained(score, information, variance, _stated(images.camera))
    if not _tells(explained, before, len(PRIOR), images):
        return None
    every = np.ones(len(PRIOR), bool)
    fitted, longer = _fitted(images, every), _fitted(images, np.arange(len(PRIOR)) == FOCAL)
    after = _rest(fitted)
    if not _tells(_rest(longer) - after, _rest(longer), len(PRIOR) - 1, images):
        return None
    size = float(np.sqrt(max(before - after, 0.0) / _count(images)))
    return Pattern(size, fitted.camera)


def pattern_causes(found: Solution, texts: Texts) -> list[Cause]:
    """Return wrong lens data as a cause, put right by the lens that the images ask for."""
    try:
        seen = pattern(found)
    except (StationbookError, np.linalg.LinAlgError):  # images of which no lens makes sense
        return []
    if seen is None:
        return []
    problem = replace(found.problem, camera=seen.camera)
    again, weight = solved_weight(problem)
    described = finding("lens", "shape", residual_px=seen.residual_px)
    return [Cause(weight, (described,), problem, texts, found=again)]


def _images(found: Solution) -> _Images | None:
    rows = np.flatnonzero(found.gathered.dof > 0)
    if not len(rows):
        return None
    rows = rows[
        np.unique(np.linspace(0, len(rows) - 1, min(len(rows), IMAGES)).round().astype(int))
    ]
    pose = found.gathered.own_views(found.turn)[rows]
    return _Images(replace(found.views.take(rows), whiten=None), pose, found.problem.camera)


def _count(images: _Images) -> float:
    """Return the number of pixel coordinates."""
    return 2.0 * float(images.views.counts.sum())


def _rest(images: _Images) -> float:
    """Return the squared residuals [px²] with every pose at its best."""
    return float(linearised(images.views, images.pose, lens(images.camera)).rss.sum())


def _tells(explained: float, before: float, parameters: int, images: _Images) -> bool:
    """Tell whether so much less rest is significant, and large enough to matter."""
    degrees = _count(images) - 6.0 * len(images.pose) - len(PRIOR)
    if degrees < len(PRIOR) or explained < _count(images) * LEAST_PATTERN_PX**2:
        return False
    ratio = explained / parameters / (max(before - explained, 1e-12) / degrees)
    return bool(ratio > f_distribution.isf(SIGNIFICANCE, parameters, degrees))


def _normal(images: _Images) -> tuple[Array, Array]:
    """Return the gradient (8,) and information (8, 8) [px²] of the lens, poses eliminated.

    What the poses can take over, J (JᵀJ)⁻¹ Jᵀ, is projected out of the derivatives (variable
    projection; Golub & Pereyra 1973).
    """
    off = residuals(images.views, images.pose, lens(images.camera))
    Q = np.stack([_derivative(images, k) for k in range(len(PRIOR))], axis=-1)
    n = len(images.pose)
    Q, J = Q.reshape(n, -1, len(PRIOR)), _pose_rows(images)
    taken = np.linalg.solve(np.swapaxes(J, 1, 2) @ J, np.swapaxes(J, 1, 2) @ Q)
    free = Q - J @ taken
    score = np.einsum("nik,ni->k", free, off.reshape(n, -1))
    return score, np.asarray(np.einsum("nik,nil->kl", free, free))


def _explained(score: Array, information: Array, variance: float, sd: Array) -> float:
    """Return the squared residuals [px²] that lens parameters with prior ``sd`` (8,) take away."""
    step = np.linalg.solve(information + np.diag(variance / sd**2), score)
    return float(2.0 * step @ score - step @ information @ step)


def _stated(camera: Camera) -> Array:
    """Return the standard deviations (8,) of the lens parameters that the cell states."""
    u, K = camera.u or ASSUMED_LENS_U, np.asarray(camera.matrix)
    far = np.maximum(K[:2, 2], np.asarray(camera.image_size_px) - K[:2, 2])
    corner = float(np.linalg.norm(far / K[[0, 1], [0, 1]]))
    edge = u.edge_px / K[0, 0] / np.array([corner**3, corner**5, 3 * corner**2, 3 * corner**2])
    sd = np.array([u.focal, 0.0, u.center_px, u.center_px, *edge])
    return np.asarray(np.maximum(sd, 1e-9 * PRIOR))


def _derivative(images: _Images, k: int) -> Array:
    """Return the pixels' derivative (n, m, 2) by lens parameter k."""
    there = [
        residuals(
            images.views, images.pose, lens(changed(images.camera, sign * STEP[k] * _unit(k)))
        )
        for sign in (1.0, -1.0)
    ]
    return np.asarray((there[1] - there[0]) / (2.0 * STEP[k]))


def _pose_rows(images: _Images) -> Array:
    """Return the pixels' derivative (n, 2m, 6) by each pose's displacement."""
    views, n = images.views, len(images.pose)
    _, by_point = project_with_jacobian(apply(images.pose, views.points), lens(images.camera))
    rows = np.array([point_rows(T, p) for T, p in zip(images.pose, views.points, strict=True)])
    J = by_point @ rows * views.weight[..., None, None]
    return np.asarray(J.reshape(n, -1, 6))


def _unit(k: int) -> Array:
    return np.asarray(np.eye(len(PRIOR))[k])


def _fitted(images: _Images, free: NDArray[np.bool_]) -> _Images:
    """Return the images with the lens that fits best, where only ``free`` parameters change.

    Gauss-Newton; a step that makes it worse is shortened.
    """
    total, best, variance = np.zeros(len(PRIOR)), _rest(images), 0.0
    start = images.camera
    for _ in range(STEPS):
        score, information = _normal(images)
        variance = max(best / _count(images), 1e-12)
        A = information / variance + np.diag(PRIOR**-2)
        b = score / variance - total / PRIOR**2
        step = np.zeros(len(PRIOR))
        step[free] = np.linalg.solve(A[np.ix_(free, free)], b[free])
        for _ in range(HALVINGS):
            trial = _with_lens(images, changed(start, total + step))
            if (rest := _rest(trial)) < best:
                images, best, total = trial, rest, total + step
                break
            step = step / 4.0
        else:
            break
    return images


def _with_lens(images: _Images, camera: Camera) -> _Images:
    """Return the images with another lens, every pose at its best again."""
    pose, _ = refined(images.views, images.pose, lens(camera))
    return _Images(images.views, pose, camera)


def changed(camera: Camera, values: Array) -> Camera:
    """Return the camera with its lens changed by ``values`` (8,), in the order of `PRIOR`."""
    (fx, skew, cx), (zero, fy, cy), last = camera.matrix
    scale, ratio = np.exp(values[0]), np.exp(values[1])
    matrix = (
        (fx * scale, skew * scale, cx + values[2]),
        (zero, fy * scale * ratio, cy + values[3]),
        last,
    )
    known = list(camera.distortion) + [0.0] * max(0, 4 - len(camera.distortion))
    for k in range(4):
        known[k] += float(values[4 + k])
    return replace(camera, matrix=matrix, distortion=tuple(known))
