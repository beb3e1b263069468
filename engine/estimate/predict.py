"""The flange pose that an image implies once a result exists."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..camera.reprojection import linearised
from ..errors import SolveError
from ..frames import Array, displaced, displacement
from ..sessions.observations import Observation
from .gather import Gathered, gather
from .model import derivatives, implied_flange
from .problem import Problem
from .result import Result
from .systematic import flange_errors, systematic, typed_joints


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
    gathered = gather(replace(problem, observations=(observation,)))
    if not len(gathered.index):
        raise SolveError(f"station {observation.id}: the image gives no pose of the board")
    views = gathered.candidates.pose[0][gathered.candidates.valid[0]]
    implied = implied_flange(problem.mount, result.geometric, views, result.board)
    choice = _nearest(implied, observation.base_T_flange, result)
    flange = implied[choice]
    by_camera, by_board, by_flange = derivatives(
        problem.mount, result.geometric, flange[None], result.board
    )
    J = flange_errors(systematic(problem.robot), flange[None], typed_joints((observation,)))[0]
    rows = np.concatenate([by_camera[0], by_board[0], by_flange[0] @ J], axis=1)
    image = result.noise.pixel_px**2 * np.linalg.inv(_information(gathered, choice))
    back = np.linalg.inv(by_flange[0])
    spread = back @ (image + rows @ result.full_covariance @ rows.T) @ back.T
    return displaced(flange, -J @ result.systematic.value), spread + result.noise.robot_covariance()


def _nearest(implied: Array, typed: Array, result: Result) -> int:
    """Return which implied flange is nearest to the typed one, in units of the robot's noise."""
    if result.noise is None:
        return 0
    off = displacement(implied, typed) / np.sqrt(np.diag(result.noise.robot_covariance()))
    return int((off**2).sum(axis=1).argmin())


def _information(gathered: Gathered, choice: int) -> Array:
    """Return the information (6, 6) of the one view at its chosen candidate, for unit noise."""
    candidates = gathered.candidates
    column = np.flatnonzero(candidates.valid[0])[choice]
    views = gathered.renumbered(candidates.turn[:1, column])
    information: Array = linearised(views, candidates.pose[:1, column], gathered.lens).information[
        0
    ]
    return information
