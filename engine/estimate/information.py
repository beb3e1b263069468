"""What an image or a further station would tell about what the fit does not know."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..arrays import Array
from ..camera.lens import Lens, Terms, lens
from ..camera.views import Gaussian, Views, linearised
from ..cell.stations import Observation
from ..depth.plane import Weighed
from ..errors import SolveError
from ..frames import displaced, displacement
from .fit import State, but_the_arm
from .gather import Gathered, gather
from .problem import (
    Noise,
    Problem,
    constraint_rows,
    derivatives,
    implied_flange,
    predicted_view,
    terms_of,
)
from .result import Result, as_solved
from .solver import Solution
from .systematic import flange_errors, systematic, typed_joints, usual_posture
from .ties import constraints

BLOCK = 512  # candidates per block: keeps the points of one block under 10 MB


def station_information(
    problem: Problem, result: Result, base_T_flange: Array, noise: Noise | None = None
) -> Array:
    """Return the information (n, 12, 12) that stations at ``base_T_flange`` (n, 4, 4) would add.

    About [camera, board] of ``result``, in the order of its covariances, for an image of the whole
    board and one typed pose: the stop's own robot error is eliminated, all errors that stations
    share are held at their estimate. ``noise`` defaults to the result's.
    """
    held = np.zeros((len(base_T_flange), 6, 0))
    return _of_result(problem, result, base_T_flange, held, noise)


def choosing_information(problem: Problem, result: Result, base_T_flange: Array) -> Array:
    """Return what stations add about [camera, board, lens and board errors], (n, 12+q, 12+q).

    As `station_information`, but only the arm's errors are held. Made for choosing among thousands;
    what a person is told comes from `whole_information`. To add it to what is known, use
    `known_for_choosing`.
    """
    held = np.zeros((len(base_T_flange), 6, 0))
    terms = _terms(problem, result)
    return _of_result(problem, result, base_T_flange, held, terms=terms)


def known_for_choosing(result: Result) -> Array:
    """Return the information (12 + q, 12 + q) behind ``result``, the arm's errors held."""
    free = but_the_arm(len(result.full_covariance), result.systematic.arm)
    return np.asarray(np.linalg.inv(result.full_covariance)[np.ix_(free, free)])


def whole_information(problem: Problem, result: Result, base_T_flange: Array) -> Array:
    """Return what stations add about [camera, board, systematic errors], (n, 12+p+q, 12+p+q).

    As `station_information`, nothing held. The arm stands in the configuration of the stations
    recorded. To add it to what is known, use `known_whole`; `uncertainty_after` says what is left.
    """
    problem = as_solved(problem, result)
    model = systematic(problem.robot)
    near = None
    if model.arm is not None:
        typed = np.array([seen.base_T_flange for seen in problem.observations])
        near = usual_posture(model.arm, typed, typed_joints(problem.observations))
    errors = flange_errors(model, base_T_flange, near=near)
    return _of_result(problem, result, base_T_flange, errors, terms=_terms(problem, result))


def _terms(problem: Problem, result: Result) -> Terms:
    """Return what board and lens may be off by, as far as ``result`` holds it as unknown."""
    return terms_of(problem).only(result.systematic.names)


def known_whole(result: Result) -> Array:
    """Return the information (12 + p + q, 12 + p + q) behind ``result``, priors included."""
    return np.asarray(np.linalg.inv(result.full_covariance))


def known_beforehand(problem: Problem, result: Result) -> Array:
    """Return the part of `known_whole` that no station told, (12 + p + q, 12 + p + q).

    The prior of the systematic errors, and measured numbers such as a height or a touched point.
    """
    found = result.systematic
    prior = np.diag(np.concatenate([np.zeros(12), found.prior_sd**-2.0]))
    told = but_the_arm(len(prior), found.arm)
    ties, terms = constraints(problem), found.value[found.arm :]
    for _, rows in constraint_rows(ties, result.geometric, result.board, terms):
        prior[np.ix_(told, told)] += rows.T @ rows
    return prior


def uncertainty_after(information: Array, result: Result) -> tuple[float, float]:
    """Return standard (work_volume_mm, pick_mm) that ``information`` (k, k) of all unknowns leaves.

    The same quantities as in ``result.uncertainty``: of the delivered transform at the worst corner
    of the work volume, with what the arm's systematic errors leave open in it, and of a pick.
    Raises ValueError for an unsolved result.
    """
    if result.pick is None:
        raise ValueError("the result is not solved")
    covariance = np.asarray(np.linalg.inv(information))
    volume = result.pick.work_volume_mm(result.pick.delivered_covariance(covariance))
    errors = result.systematic.value
    pick, now = (result.pick.pick_mm(C, errors) for C in (covariance, result.full_covariance))
    wider = 1.0 if result.budget is None else result.budget.wider_after((now / pick) ** 2)
    return wider * volume, wider * pick


def flange_information(found: Solution, base_T_flange: Array) -> Array:
    """Return `station_information` for a fit that is not yet a result."""
    state = found.fit.state
    return _information(
        found.problem,
        found.gathered.lens,
        state,
        base_T_flange,
        np.zeros((len(base_T_flange), 6, 0)),
        found.fit.noise,
        found.gathered.depth,
    )


def _of_result(
    problem: Problem,
    result: Result,
    flange: Array,
    errors: Array,
    noise: Noise | None = None,
    terms: Terms | None = None,
) -> Array:
    levels = noise or result.noise
    if levels is None:
        raise ValueError("the result has no noise levels: it is not solved")
    state = State(result.geometric, result.board, result.systematic.value)
    data = lens(problem.camera)
    return _information(problem, data, state, flange, errors, levels, result.depth, terms)


def _information(
    problem: Problem,
    data: Lens,
    state: State,
    flange: Array,
    errors: Array,
    noise: Noise,
    depth: Weighed | None,
    terms: Terms | None = None,
) -> Array:
    """Return the information; ``errors`` (n, 6, p) of the flange per systematic error.

    ``depth``: how that of the stations so far joined, and so will that of further ones. ``terms``:
    what board and lens may be off by; None: held at the estimate.
    """
    p = errors.shape[2]
    size = 12 + p + (terms.count if terms is not None else 0)
    found = np.empty((len(flange), size, size))
    for start in range(0, len(flange), BLOCK):
        part = slice(start, start + BLOCK)
        view = predicted_view(problem.mount, state.camera, flange[part], state.board)
        views = _whole_board(problem, view, depth, noise.pixel_px)
        seen = linearised(views, view, data, terms)
        *fixed, by_flange = derivatives(problem.mount, state.camera, flange[part], state.board)
        rows = np.concatenate([*fixed, by_flange @ errors[part], seen.by_terms], axis=2)
        robot = by_flange @ noise.robot_covariance() @ np.swapaxes(by_flange, 1, 2)
        V = noise.pixel_px**2 * np.linalg.inv(seen.information) + robot
        found[part] = np.swapaxes(rows, 1, 2) @ np.linalg.solve(V, rows)
        found[part, 12 + p :, 12 + p :] += seen.rest_information / noise.pixel_px**2
    return found


def _whole_board(problem: Problem, view: Array, depth: Weighed | None, px: float) -> Views:
    points = problem.board.points()
    shape = (len(view), len(points))
    views = Views(np.broadcast_to(points, (*shape, 3)), np.zeros((*shape, 2)), np.ones(shape))
    if depth is None or not depth.used.any():
        return views
    planes, depths = depth.expected(points, view, px)
    return replace(views, planes=planes, depths=depths)


def predict_flange(
    result: Result, problem: Problem, observation: Observation
) -> tuple[Array, Array]:
    """Return (base_T_flange (4, 4) as it should be typed, its covariance (6, 6), base axes).

    The covariance holds the image's noise, the result's own uncertainty and one stop's robot noise:
    a typed pose differs from the prediction by no more than it says. Of several poses that explain
    the image (flat board, symmetric board) the one nearest the typed pose is taken. Raises
    SolveError where the result is not solved or the image gives no pose.
    """
    if not result.solved or result.noise is None:
        raise SolveError("no result to predict from", "Record at least three stations.")
    gathered = gather(replace(problem, observations=(observation,)), problem.observations)
    if not len(gathered.index):
        raise SolveError(f"station {observation.id}: the image gives no pose of the board")
    gathered = replace(gathered, terms=_terms(problem, result))
    known, mount, p = result.systematic, problem.mount, result.systematic.arm
    candidates = gathered.candidates
    plain = np.flatnonzero(candidates.valid[0])
    seen = [_image(gathered, int(column)) for column in plain]
    views = np.array([image.measured(known.value[p:])[0] for image in seen])
    implied = implied_flange(mount, result.geometric, views, result.board)
    choice = _nearest(implied, observation.base_T_flange, result)
    flange, image = implied[choice], seen[choice]
    *fixed, by_flange = derivatives(mount, result.geometric, flange[None], result.board)
    J = flange_errors(systematic(problem.robot), flange[None], typed_joints((observation,)))[0]
    rows = np.concatenate([*fixed, by_flange @ J, image.by_terms], axis=2)[0]
    pixels = result.noise.pixel_px**2 * np.linalg.inv(image.information[0])
    back = np.linalg.inv(by_flange[0])
    spread = back @ (pixels + rows @ result.full_covariance @ rows.T) @ back.T
    return displaced(flange, -J @ known.value[:p]), spread + result.noise.robot_covariance()


def _nearest(implied: Array, typed: Array, result: Result) -> int:
    """Return which implied flange is nearest to the typed one, in units of the robot's noise."""
    if result.noise is None:
        return 0
    off = displacement(implied, typed) / np.sqrt(np.diag(result.noise.robot_covariance()))
    return int((off**2).sum(axis=1).argmin())


def _image(gathered: Gathered, column: int) -> Gaussian:
    """Return the one view at a candidate."""
    pose, turn = gathered.chosen(np.array([column]))
    found = gathered.linearised(gathered.renumbered(turn), pose)
    return replace(found, step=np.zeros((1, 6)))
