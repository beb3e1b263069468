"""From a problem to its result."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..camera.reprojection import Views, linearised, residuals
from ..frames import Array, displaced, displacement
from .constraints import Tie
from .deletion import LeftOut, left_out, robust_fit
from .fit import Fit, State, Stations, fit, linear_system
from .gather import Gathered, gather
from .model import predicted_view
from .noise import NoisePrior, noise_prior
from .problem import Problem
from .start import begin
from .systematic import Systematic, flange_errors, systematic, typed_joints
from .touched import height, touched_points

LEAST_STATIONS = 3  # Tsai & Lenz 1989: three stations whose axes are not parallel
RELINEARISE = 4  # times the points are linearised again; 2 suffice unless the board is tiny
SETTLED = 1e-3  # [-] move of the transforms in standard uncertainties that no longer matters


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """A fit with everything it came from; `assembled` makes the result of it.

    ``used`` (n,) over the gathered stations; ``turn`` (n,) the board turn undone at each;
    ``error`` (n, 6) the flange error the fit gives to each stop, base axes.
    """

    problem: Problem
    gathered: Gathered
    prior: NoisePrior
    systematic: Systematic
    stations: Stations
    views: Views
    fit: Fit
    used: NDArray[np.bool_]
    turn: NDArray[np.int64]
    error: Array
    left_out: LeftOut
    relinearised: int

    def pixel_rms(self) -> Array:
        """Return the RMS per coordinate [px] of each station's pixels (n,) after the fit."""
        off = residuals(self.views, self.poses(), self.gathered.lens)
        return np.asarray(np.sqrt((off**2).sum(axis=(1, 2)) / (2 * self.views.counts)))

    def poses(self) -> Array:
        """Return camera_T_board (n, 4, 4) of each station after the fit."""
        return fitted_views(self.stations, self.fit.state, self.error)


def solution(problem: Problem) -> Solution | None:
    """Return the fit of ``problem``; None where fewer than three stations can be used."""
    gathered = gather(problem)
    if len(gathered.index) < LEAST_STATIONS:
        return None
    model = systematic(problem.robot)
    prior = noise_prior(problem.robot, problem.pendant)
    beginning = begin(problem.mount, gathered)
    rows = np.arange(len(gathered.index))
    turn = gathered.candidates.turn[rows, beginning.choice]
    views = gathered.renumbered(turn)
    joints = typed_joints(tuple(problem.observations[i] for i in gathered.index))
    stations = Stations(
        mount=problem.mount,
        typed=gathered.typed,
        views=linearised(views, gathered.candidates.pose[rows, beginning.choice], gathered.lens),
        dof=gathered.dof,
        systematic=flange_errors(model, gathered.typed, joints),
        systematic_sd=model.sd,
        constraints=constraints(problem),
    )
    start = State(beginning.camera, beginning.board, np.zeros(len(model.sd)))
    found, used = robust_fit(stations, start, prior)
    stations, found, error, times = relinearised(stations, views, gathered, found, used, prior)
    test = left_out(stations, found, used.astype(float))
    return Solution(
        problem, gathered, prior, model, stations, views, found, used, turn, error, test, times
    )


def constraints(problem: Problem) -> tuple[Tie, ...]:
    """Return the measured numbers of ``problem`` that tie its transforms."""
    if problem.board_prior is not None:
        return (problem.board_prior, *touched_points(problem))
    return (*height(problem), *touched_points(problem))


def fitted_views(stations: Stations, state: State, error: Array) -> Array:
    """Return camera_T_board (n, 4, 4) with systematic and random errors (n, 6) applied."""
    flange = displaced(stations.typed, stations.systematic @ state.errors + error)
    return predicted_view(stations.mount, state.camera, flange, state.board)


def flange_residuals(stations: Stations, found: Fit) -> Array:
    """Return the most likely flange error (n, 6) of each stop, base axes: D Aᵀ V⁻¹ r."""
    system = linear_system(stations, found.state)
    V = system.covariance(found.noise)
    half = np.linalg.solve(V, system.residual[..., None])
    A = np.swapaxes(system.by_flange, 1, 2)
    return np.asarray((found.noise.robot_covariance() @ A @ half)[..., 0])


def relinearised(
    stations: Stations,
    views: Views,
    gathered: Gathered,
    found: Fit,
    used: NDArray[np.bool_],
    prior: NoisePrior,
    *,
    known: bool = False,
) -> tuple[Stations, Fit, Array, int]:
    """Repeat the fit with the points linearised where it ended: the exact joint likelihood.

    Returns stations, fit, flange errors (n, 6) and how often. ``known``: the noise stays as it is.
    """
    error, times = flange_residuals(stations, found), 0
    moved = np.inf
    while times < RELINEARISE and moved >= SETTLED:
        times += 1
        poses = np.where(
            used[:, None, None], fitted_views(stations, found.state, error), stations.views.pose
        )
        stations = replace(stations, views=linearised(views, poses, gathered.lens))
        before = found
        found = fit(stations.take(used), before.state, prior, noise=before.noise, known=known)
        error = flange_residuals(stations, found)
        moved = _moved(before, found)
    return stations, found, error, times


def _moved(before: Fit, after: Fit) -> float:
    """Return the largest move of a transform's component in standard uncertainties."""
    sd = np.sqrt(np.diag(after.covariance))[:12]
    move = np.concatenate(
        [
            displacement(after.state.camera, before.state.camera),
            displacement(after.state.board, before.state.board),
        ]
    )
    return float(np.abs(move / sd).max())
