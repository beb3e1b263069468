"""An error of the lens or of the board.

The images alone may contradict the lens data, whatever was typed. Each image gives the board a pose
of its own. With the right lens nothing is left over but noise; with a wrong one, points miss by a
pattern that repeats over the view. Eight lens parameters (focal length, its ratio, principal point,
the four usual distortions) are fitted to all images at once, with broad priors, the poses
eliminated (Zhang 2000 states the problem; here it is only a test). A board of another shape leaves
a pattern that repeats on the board instead, and is tested alike.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..boards.pattern import Board
from ..camera.lens import (
    BOWS,
    CENTRES,
    SHAPES,
    Terms,
    lens,
    lens_rows,
    project,
    terms,
    undistort,
)
from ..camera.model import Camera
from ..camera.views import Views, linearised, pixel_rows, refined
from ..estimate.fit import fit
from ..estimate.problem import Problem, absurd
from ..estimate.solver import Solution, fitted
from ..findings import Finding, finding
from ..frames import apply
from ..tails import f_isf
from .causes import Cause, evidence, solved_weight, texts_of, weight_of, with_errors
from .scale import SCALE_SHARE
from .scene import Scene, Texts

IMAGES = 20  # images that test the lens, evenly spread; more change nothing
SIGNIFICANCE = 1e-4  # [-] chance that good lens data are called wrong
# A pattern that moves no camera: lens calibrations leave 0.02 to 0.05 px (common practice). In
# simulation 0.13 px (the principal point off by 30 px) moved the camera by 2 to 7 mm.
LEAST_PATTERN_PX = 0.08
STEPS = 8  # Gauss-Newton steps
HALVINGS = 4  # times a step is shortened
FOCAL = 0  # place of the focal length among the parameters
# Logarithms of focal length and of its ratio, principal point [px], k1 k2 p1 p2: prior standard
# deviations (broad: any lens of the trade).
PRIOR = np.array([0.3, 0.05, 100.0, 100.0, 0.5, 1.0, 0.02, 0.02])


@dataclass(frozen=True, slots=True, eq=False)
class Pattern:
    """What is left over: the pattern's RMS [px] and the camera that has none of it."""

    residual_px: float
    camera: Camera
    occam: float  # log share of the prior's lenses that fit about as well


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
    score, information, before = _normal(images)
    variance = before / _count(images)
    explained = _explained(score, information, variance, PRIOR)
    explained -= _explained(score, information, variance, _stated(images.camera))
    if not _tells(explained, before, len(PRIOR), images):
        return None
    if not _tells(explained - _by_shape(images, found.problem.board), before, len(PRIOR), images):
        return None
    every = np.ones(len(PRIOR), bool)
    fitted, longer = _fitted(images, every), _fitted(images, np.arange(len(PRIOR)) == FOCAL)
    after = _rest(fitted)
    if not _tells(_rest(longer) - after, _rest(longer), len(PRIOR) - 1, images):
        return None
    size = float(np.sqrt(max(before - after, 0.0) / _count(images)))
    return Pattern(size, fitted.camera, _occam(information, after / _count(images)))


def _by_shape(images: _Images, board: Board) -> float:
    """Return the squared residuals [px²] that a board as far off as the cell allows takes away."""
    score, information, before = _eliminated(*_shape_rows(images, board))
    return _explained(
        score, information, before / _count(images), _stated_shape(images.camera, board)
    )


def _occam(information: Array, variance: float) -> float:
    """Return the log of how much of the prior the images leave open."""
    told = np.eye(len(PRIOR)) + information * np.outer(PRIOR, PRIOR) / max(variance, 1e-12)
    return -0.5 * float(np.linalg.slogdet(told)[1])


def pattern_causes(found: Solution, texts: Texts) -> list[Cause]:
    """Return wrong lens data as a cause, put right by the lens that the images ask for."""
    seen = pattern(found)
    if seen is None:
        return []
    problem = replace(found.problem, camera=seen.camera)
    again, weight = solved_weight(problem)
    described = finding("lens", "shape", residual_px=seen.residual_px)
    weight += seen.occam + SCALE_SHARE
    return [Cause(weight, (described,), problem, texts, found=again)]


# mm at a corner; of a board that was badly printed or mounted, common practice, no source
SHAPE_MM, LEAST_SHAPE_MM = 1.0, 1e-3  # and what no board is better than


def shape_causes(found: Solution, texts: Texts) -> list[Cause]:
    """Return a board that is stretched, sheared, bowed or twisted as the cause of a pattern.

    That repeats on the board, as a lens' does over the view, and no focal length explains it. Put
    right by points that are measured.
    """
    images, board = _images(found), found.problem.board
    if images is None or _shape(images, board) is None:
        return []
    shape = _shape(_fitted(images, np.arange(len(PRIOR)) == FOCAL), board)
    if shape is None:
        return []
    moved, occam = shape
    new = enumerate(board.points() + moved)
    measured = tuple((i, float(x), float(y), float(z)) for i, (x, y, z) in new)
    problem = replace(found.problem, board=replace(board, measured=measured))
    again, weight = solved_weight(problem)
    if again is None:
        return []
    cause = Cause(weight + occam + SCALE_SHARE, (_shape_finding(moved),), problem, texts)
    return [replace(cause, found=again)]


def _shape_finding(moved: Array) -> Finding:
    off = np.linalg.norm(moved, axis=1).max()
    return finding("board-bowed", "shape", off_mm=f"{off:.2g}")


def _shape(images: _Images, board: Board) -> tuple[Array, float] | None:
    """Return how far the points of a board (n, 3) [mm] of another shape lie from the cell's.

    And the log share of the prior's shapes that fit about as well. None: nothing tells of one, or
    none beyond what the cell says.
    """
    J, off, Q = _shape_rows(images, board)
    score, information, before = _eliminated(J, off, Q)
    wide = _shapes(images.camera, board, 2.0 * SHAPE_MM / board.length_mm, SHAPE_MM)
    explained = _explained(score, information, before / _count(images), wide.sd)
    variance = (before - explained) / _count(images)
    told = information / variance + np.diag(wide.sd**-2)
    size = np.asarray(np.linalg.solve(told, score / variance))
    tells = _tells(explained, before, len(score), images)
    stated = _stated_shape(images.camera, board)
    if not tells or (np.abs(size) < LEAST_DEVIATES * stated).all():
        return None
    occam = -0.5 * float(np.linalg.slogdet(told * np.outer(wide.sd, wide.sd))[1])
    return wide.moved(board.points(), size), occam


def _shapes(camera: Camera, board: Board, ratio: float, bow_mm: float) -> Terms:
    """Return the board's shape as the only unknown terms, as far off as that."""
    return terms(camera, board.points(), ratio, bow_mm).only(SHAPES)


def _stated_shape(camera: Camera, board: Board) -> Array:
    """Return the standard deviations (5,) of `SHAPES` that the cell states."""
    ratio = board.u.scale + 2.0 * LEAST_SHAPE_MM / board.length_mm
    return _shapes(camera, board, ratio, board.u.bow_mm + LEAST_SHAPE_MM).sd


def _shape_rows(images: _Images, board: Board) -> tuple[Array, Array, Array]:
    """Return how pixels move by pose and by `SHAPES`, (n, 2m, 6) and (n, 2m, 5), and residuals."""
    shapes = _shapes(images.camera, board, 1.0, 1.0)
    return pixel_rows(images.views, images.pose, lens(images.camera), shapes)


def _images(found: Solution) -> _Images | None:
    """Return the images that tell of lens and board: a station left out may show another thing."""
    rows = np.flatnonzero((found.gathered.dof > 0) & found.used)
    if not len(rows):
        return None
    rows = rows[
        np.unique(np.linspace(0, len(rows) - 1, min(len(rows), IMAGES)).round().astype(int))
    ]
    pose = found.gathered.own_views(found.turn)[rows]
    views = replace(found.views.take(rows), whiten=None, depths=None, planes=None)
    return _Images(views, pose, found.problem.camera)


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
    return bool(ratio > f_isf(SIGNIFICANCE, parameters, degrees))


def _normal(images: _Images) -> tuple[Array, Array, float]:
    """Return the gradient (8,) and information (8, 8) [px²] of the lens, poses eliminated.

    And the squared residuals [px²] with every pose at its best.
    """
    J, off, _ = pixel_rows(images.views, images.pose, lens(images.camera))
    return _eliminated(J, off, _lens_rows(images))


def _lens_rows(images: _Images) -> Array:
    """Return how pixels move by the lens parameters (n, 2m, 8)."""
    seen = np.swapaxes(apply(images.pose, images.views.points), 1, 2)
    Q = lens_rows(seen, lens(images.camera)) * images.views.weight[:, None, None]
    return np.swapaxes(Q.reshape(len(images.pose), len(PRIOR), -1), 1, 2)


def _eliminated(J: Array, off: Array, Q: Array) -> tuple[Array, Array, float]:
    """Return gradient (q,), information (q, q) and squared residuals, all poses at their best.

    Of rows Q (n, 2m, q), beside the poses' J (n, 2m, 6) and the residuals ``off`` (n, 2m). What the
    poses can take over, J (JᵀJ)⁻¹ Jᵀ, is projected out (variable projection; Golub & Pereyra 1973).
    """
    J_t, rows = np.swapaxes(J, 1, 2), np.concatenate([Q, off[..., None]], axis=2)
    free = rows - J @ np.linalg.solve(J_t @ J, J_t @ rows)
    told = free.reshape(-1, rows.shape[2])
    told = told.T @ told
    return told[:-1, -1], told[:-1, :-1], float(told[-1, -1])


def _explained(score: Array, information: Array, variance: float, sd: Array) -> float:
    """Return the squared residuals [px²] that parameters with prior ``sd`` (q,) take away."""
    step = np.linalg.solve(information + np.diag(variance / sd**2), score)
    return float(2.0 * step @ score - step @ information @ step)


def _stated(camera: Camera) -> Array:
    """Return the standard deviations (8,) of the lens parameters that the cell states."""
    u, K = camera.known_u, np.asarray(camera.matrix)
    far = np.maximum(K[:2, 2], np.asarray(camera.image_size_px) - K[:2, 2])
    corner = float(np.linalg.norm(far / K[[0, 1], [0, 1]]))
    edge = u.edge_px / K[0, 0] / np.array([corner**3, corner**5, 3 * corner**2, 3 * corner**2])
    sd = np.array([u.focal, 0.0, u.center_px, u.center_px, *edge])
    return np.asarray(np.maximum(sd, 1e-9 * PRIOR))


def _fitted(images: _Images, free: NDArray[np.bool_]) -> _Images:
    """Return the images with the lens that fits best, where only ``free`` parameters change.

    Gauss-Newton; a step that makes it worse is shortened.
    """
    total, best, variance = np.zeros(len(PRIOR)), _rest(images), 0.0
    start = images.camera
    for _ in range(STEPS):
        score, information, _ = _normal(images)
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


WIDER = 20.0  # [-] times the cell's own uncertainty: where centre or flatness may then be
LEAST_DEVIATES = 3.0  # [-] standard uncertainties of the cell that an error must exceed


def term_causes(now: Scene) -> list[Cause]:
    """Return another shape of the board and a wrong image centre: the cell holds them too tight.

    Each is fitted with a prior wider by `WIDER`, and stays so when a second cause is sought. Images
    that are not those of the lens data are causes beside them.
    """
    board, camera = now.found.problem.board, now.found.problem.camera
    u = camera.known_u
    bowed = replace(board, bow_u_mm=WIDER * board.u.bow_mm)
    shaped = replace(bowed, scale_u=WIDER * board.u.scale)
    moved = replace(camera, u=replace(u, center_px=WIDER * u.center_px))
    wider = (
        (BOWS, replace(now.found.problem, board=bowed), _bow_finding),
        (SHAPES, replace(now.found.problem, board=shaped), _off_shape),
        (CENTRES, replace(now.found.problem, camera=moved), _centre_finding),
    )
    causes = [cause for one in wider for cause in wider_causes(now, *one)]
    return [*_other_images(now.found, texts_of(now)), *causes]


def wider_causes(
    now: Scene,
    names: Sequence[str],
    problem: Problem,
    tell: Callable[[Problem, Terms, Array], Finding],
    alone: Sequence[Sequence[str]] = (),
) -> list[Cause]:
    """Return the terms ``names`` as a cause, whose priors are wider in ``problem``.

    ``tell`` makes its finding of that, of these terms, and of what they are off (k,). None where
    the stations put them within what the cell says. ``alone``: which of them may be wrong without
    the others; none given: each.
    """
    found = fitted(problem, agreeing=True)
    if found is None or absurd(found.fit.noise, found.prior):
        return []
    known, stated = found.gathered.terms, now.found.gathered.terms.sd
    watched = np.isin(known.names, names)
    off = found.fit.state.errors[len(found.systematic.sd) :][watched]
    if np.linalg.norm(off / stated[watched]) <= LEAST_DEVIATES:
        return []
    groups = [np.isin(known.names, group) for group in alone or [[name] for name in names]]
    weight = weight_of(found) + SCALE_SHARE + _some_alone(found, stated, groups)
    said = tell(problem, known.only(np.array(known.names)[watched].tolist()), off)
    return [Cause(weight, (said,), problem, texts_of(now), found=found)]


BINNED = 0.5, 2.0  # [-] times the size at which cameras and grabbers also deliver images


def _other_images(found: Solution, texts: Texts) -> list[Cause]:
    """Return as causes images that are not those of the lens data: rectified, or of another size.

    They have half or twice the size, or the distortion that the cell gives was taken out before.
    """
    camera = found.problem.camera
    readings = [
        (_resized(camera, factor), finding("lens", "resized", factor=factor)) for factor in BINNED
    ]
    off_px = _distortion_px(camera)
    if off_px > LEAST_DEVIATES * camera.known_u.edge_px:
        plain = camera.without_distortion()
        readings.append((plain, finding("lens", "rectified", off_px=off_px)))
    causes = []
    for other, said in readings:
        problem = replace(found.problem, camera=other)
        again, weight = solved_weight(problem)
        if again is not None:
            causes.append(Cause(weight + SCALE_SHARE, (said,), problem, texts, found=again))
    return causes


def _resized(camera: Camera, factor: float) -> Camera:
    """Return the camera of images ``factor`` times as large; pixel (0, 0) is a pixel's centre."""
    (fx, skew, cx), (zero, fy, cy), last = camera.matrix
    x, y = (factor * (c + 0.5) - 0.5 for c in (cx, cy))
    return replace(camera, matrix=((factor * fx, factor * skew, x), (zero, factor * fy, y), last))


def _distortion_px(camera: Camera) -> float:
    """Return how far distortion shifts the image's farthest corner [px]."""
    w, h = (float(size - 1) for size in camera.image_size_px)
    corners = np.array([[0.0, 0.0], [w, 0.0], [0.0, h], [w, h]])
    plain = undistort(corners, camera.without_distortion())
    ahead = np.column_stack([plain, np.ones(4)])
    return float(np.linalg.norm(project(ahead, camera) - corners, axis=1).max())


def _some_alone(found: Solution, stated: Array, groups: Sequence[NDArray[np.bool_]]) -> float:
    """Return by how much more likely it is that one of the ``groups`` (q,) is wrong than all terms.

    Log odds, never below 0. ``stated`` (q,) are the standard deviations of the terms by the cell,
    wider in ``found``: one that is wrong by itself need not pay for the freedom of the others.
    """
    wide = found.gathered.terms.sd
    first = len(found.fit.covariance) - len(wide)
    told = np.linalg.inv(found.fit.covariance[first:, first:])
    score = told @ found.fit.state.errors[first - 12 :]
    information = np.asarray(told - np.diag(wide**-2), float)
    each = [_log_evidence(score, information, np.where(group, wide, stated)) for group in groups]
    alone = max(each) - float(np.log(len(each)))
    return max(0.0, alone - _log_evidence(score, information, wide))


def _log_evidence(score: Array, information: Array, sd: Array) -> float:
    """Return how likely data are that tell ``score`` (k,) and ``information`` (k, k) of terms.

    Their logarithm, but for what no prior changes; ``sd`` (k,) of the terms beforehand.
    """
    told = information + np.diag(sd**-2)
    open_ = float(np.linalg.slogdet(told * np.outer(sd, sd))[1])
    return 0.5 * (float(score @ np.linalg.solve(told, score)) - open_)


def _bow_finding(problem: Problem, known: Terms, bow: Array) -> Finding:
    return finding("board-bowed", sag_mm=f"{float(np.linalg.norm(bow)):.2g}")


def _off_shape(problem: Problem, known: Terms, off: Array) -> Finding:
    return _shape_finding(known.moved(problem.board.points(), off))


def _centre_finding(problem: Problem, known: Terms, off: Array) -> Finding:
    matrix = problem.camera.matrix
    return finding(
        "lens",
        "centre",
        field="matrix",
        typed=f"{matrix[0][2]:.1f}, {matrix[1][2]:.1f}",
        suggested=f"{matrix[0][2] + off[0]:.1f}, {matrix[1][2] + off[1]:.1f}",
    )


LEFT_OUT = slice(6, 8)  # of the lens parameters, p1 and p2: the estimate has no terms for them


def allowed_causes(now: Scene) -> list[Cause]:
    """Return a lens as far off as the cell allows, where that explains the stations.

    By what the estimate has no terms for. That is nothing to tell the operator, so it is a cause
    without a finding.
    """
    found, camera = now.found, now.found.problem.camera
    if not (found.gathered.dof > 0).all():
        return []
    images = _Images(replace(found.views, whiten=None, depths=None, planes=None), now.views, camera)
    J = pixel_rows(images.views, images.pose, lens(camera))[0]
    J_t = np.swapaxes(J, 1, 2)
    by_view = np.linalg.solve(J_t @ J, J_t @ _lens_rows(images)[..., LEFT_OUT])
    columns = np.linalg.solve(now.system.by_flange, by_view)
    stations = with_errors(found.stations, columns, _stated(camera)[LEFT_OUT])
    before, p, k = found.fit.state, len(found.systematic.sd), columns.shape[2]
    start = replace(before, errors=np.insert(before.errors, p, np.zeros(k)))
    ended = fit(stations, start, found.prior, noise=found.fit.noise)
    if absurd(ended.noise, found.prior):
        return []
    values = np.zeros(len(PRIOR))
    values[LEFT_OUT] = ended.state.errors[p : p + k]
    problem = replace(found.problem, camera=changed(camera, values))
    weight = evidence(stations, np.ones(len(now.ids), bool), ended, found.prior)
    return [Cause(weight, (), problem, texts_of(now))]
