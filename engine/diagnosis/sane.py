"""A fit to start the diagnosis from, even where the poses as typed make no sense at all.

The estimator linearises the images again where its fit ends. Where poses and images have nothing to
do with each other it ends far from every image, and nothing more can be read off there. Then the
images are taken as they are, each linearised at its own best pose.
"""

from __future__ import annotations

import warnings

import numpy as np

from ..arrays import Array
from ..camera.views import linearised
from ..cell.cell import Mount
from ..estimate.fit import State, Stations
from ..estimate.gather import Gathered, Index, gather
from ..estimate.model import related
from ..estimate.noise import noise_prior
from ..estimate.problem import Problem
from ..estimate.solver import (
    Solution,
    constraints,
    flange_residuals,
    left_out,
    robust_fit,
    solution,
)
from ..estimate.start import transforms_from
from ..estimate.systematic import flange_errors, systematic, typed_joints
from ..frames import apply

PIXEL_RATIO = 3.0  # [-] pixel noise of the fit over that of the images alone; a good fit gives 1
LEAST_PIXEL_PX = 1e-3  # px; images without any noise are simulated ones
SCALE_RAD, SCALE_MM = 0.005, 1.0  # deviation of a good station from a closed form


def sane_solution(problem: Problem) -> Solution | None:
    """Return the fit of ``problem``, or where it lost the images, one that takes them as they are.

    None where fewer than three stations can be used.
    """
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore", RuntimeWarning)  # numbers that overflow are dealt with here
        try:
            found = solution(problem)
        except np.linalg.LinAlgError:
            return _images_as_they_are(problem)
        if found is None or _follows_images(found):
            return found
        return _images_as_they_are(problem)


def _follows_images(found: Solution) -> bool:
    raw = linearised(found.views, own_views(found.gathered, found.turn), found.gathered.lens)
    redundancy = max(float(found.gathered.dof.sum()), 1.0)
    alone = float(np.sqrt(raw.rss.sum() / redundancy))
    if not np.isfinite(found.fit.covariance).all():
        return False
    return found.fit.noise.pixel_px <= PIXEL_RATIO * max(alone, LEAST_PIXEL_PX)


def _images_as_they_are(problem: Problem) -> Solution:
    gathered = gather(problem)
    turn = np.zeros(len(gathered.index), int)
    pose = own_views(gathered, turn)
    camera, board = closed_start(problem.mount, gathered.typed, pose, gathered)
    model, prior = systematic(problem.robot), noise_prior(problem.robot, problem.pendant)
    joints = typed_joints(tuple(problem.observations[i] for i in gathered.index))
    stations = Stations(
        mount=problem.mount,
        typed=gathered.typed,
        views=linearised(gathered.views, pose, gathered.lens),
        dof=gathered.dof,
        systematic=flange_errors(model, gathered.typed, joints),
        systematic_sd=model.sd,
        constraints=constraints(problem),
    )
    fit, used = robust_fit(stations, State(camera, board, np.zeros(len(model.sd))), prior)
    return Solution(
        problem=problem,
        gathered=gathered,
        prior=prior,
        systematic=model,
        stations=stations,
        views=gathered.views,
        fit=fit,
        used=used,
        turn=turn,
        error=flange_residuals(stations, fit),
        left_out=left_out(stations, fit, used.astype(float)),
        relinearised=0,
    )


def own_views(gathered: Gathered, turn: Index) -> Array:
    """Return camera_T_board (n, 4, 4) of each image by itself, its points turned by ``turn``."""
    candidates = gathered.candidates
    fits = candidates.valid & (candidates.turn == turn[:, None])
    first = np.where(fits, candidates.cost, np.inf).argmin(axis=1)
    return np.asarray(candidates.pose[np.arange(len(first)), first])


def closed_start(
    mount: Mount, typed: Array, view: Array, gathered: Gathered
) -> tuple[Array, Array]:
    """Return camera and board (4, 4) of the closed form that most stations agree with."""
    cameras, boards = transforms_from(related(mount, typed)[None], view[None])
    centre = gathered.board.points().mean(axis=0)
    score = [
        deviations(mount, typed, view, c, b, centre).sum()
        for c, b in zip(cameras, boards, strict=True)
    ]
    best = int(np.argmin(score))
    return cameras[best], boards[best]


def deviations(
    mount: Mount, typed: Array, view: Array, camera: Array, board: Array, centre: Array
) -> Array:
    """Return log(1 + squared deviation) of each station (n,) from two transforms."""
    left, right = camera @ view, related(mount, typed) @ board
    turn = ((left[:, :3, :3] - right[:, :3, :3]) ** 2).sum(axis=(1, 2)) / 2
    gap = apply(left, centre[None])[:, 0] - apply(right, centre[None])[:, 0]
    return np.asarray(np.log1p(turn / SCALE_RAD**2 + (gap**2).sum(axis=1) / SCALE_MM**2))
