"""What a further station would tell about both transforms, for thousands of candidates at once."""

from __future__ import annotations

import numpy as np

from ..camera.lens import Lens, lens
from ..camera.reprojection import Views, linearised
from ..frames import Array
from .model import derivatives, predicted_view
from .noise import Noise
from .pick import PickModel
from .problem import Problem
from .result import Result
from .solver import Solution

BLOCK = 512  # candidates per block: keeps the points of one block under 10 MB


def station_information(
    problem: Problem, result: Result, base_T_flange: Array, noise: Noise | None = None
) -> Array:
    """Return the information (n, 12, 12) that stations at ``base_T_flange`` (n, 4, 4) would add.

    About [camera, board] of ``result``, in the order of its covariances, for an image of the whole
    board and one typed pose: the stop's own robot error is eliminated, the systematic robot errors
    are held at their estimate, because no station on the same arm takes them away from a pick. To
    add it to what is known, use `known_information`. ``noise`` defaults to the result's.
    """
    levels = noise or result.noise
    if levels is None:
        raise ValueError("the result has no noise levels: it is not solved")
    return _information(
        problem, lens(problem.camera), result.geometric, result.board, base_T_flange, levels
    )


def known_information(result: Result) -> Array:
    """Return the information (12, 12) about [camera, board], systematic errors held."""
    return np.asarray(np.linalg.inv(result.full_covariance)[:12, :12])


def flange_information(found: Solution, base_T_flange: Array) -> Array:
    """Return `station_information` for a fit that is not yet a result."""
    state = found.fit.state
    return _information(
        found.problem,
        found.gathered.lens,
        state.camera,
        state.board,
        base_T_flange,
        found.fit.noise,
    )


def uncertainty_at(covariance: Array, pick: PickModel, result: Result) -> tuple[float, float]:
    """Return (work_volume_mm, pick_mm), standard, for ``covariance`` (12, 12) of [camera, board].

    ``covariance`` is what `known_information` plus further stations leave, systematic errors held;
    what those do to a pick is taken from ``result`` and never falls with the number of stations.
    """
    held = np.linalg.inv(np.linalg.inv(result.full_covariance)[:12, :12])
    now = pick.work_volume_mm(held[:6, :6])
    there = result.uncertainty.pick_mm
    floor = 0.0 if there is None else max(there**2 - now**2, 0.0)
    expected = pick.work_volume_mm(covariance[:6, :6])
    return expected, float(np.sqrt(expected**2 + floor))


def _information(
    problem: Problem, data: Lens, camera: Array, board: Array, flange: Array, noise: Noise
) -> Array:
    points = problem.board.points()
    blocks = [
        _block(problem, data, camera, board, flange[start : start + BLOCK], points, noise)
        for start in range(0, len(flange), BLOCK)
    ]
    return np.concatenate(blocks) if blocks else np.empty((0, 12, 12))


def _block(
    problem: Problem,
    data: Lens,
    camera: Array,
    board: Array,
    flange: Array,
    points: Array,
    noise: Noise,
) -> Array:
    view = predicted_view(problem.mount, camera, flange, board)
    shape = (len(flange), len(points))
    views = Views(np.broadcast_to(points, (*shape, 3)), np.zeros((*shape, 2)), np.ones(shape))
    seen = linearised(views, view, data).information
    by_camera, by_board, by_flange = derivatives(problem.mount, camera, flange, board)
    rows = np.concatenate([by_camera, by_board], axis=2)
    robot = by_flange @ noise.robot_covariance() @ np.swapaxes(by_flange, 1, 2)
    V = noise.pixel_px**2 * np.linalg.inv(seen) + robot
    return np.asarray(np.swapaxes(rows, 1, 2) @ np.linalg.solve(V, rows))
