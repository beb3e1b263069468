"""A fit to start the diagnosis from, even where the poses as typed make no sense at all.

The estimator linearises the images again where its fit ends. Where poses and images have nothing to
do with each other it ends far from every image, and nothing more can be read off there. Then the
images are taken as they are, each linearised at its own best pose.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..camera.reprojection import linearised
from ..estimate.closed_form import transforms_from
from ..estimate.deletion import left_out, robust_fit
from ..estimate.fit import State
from ..estimate.gather import Gathered, Index
from ..estimate.model import related
from ..estimate.solver import Solution, flange_residuals
from ..frames import Array, apply
from ..sessions.cell import Mount

PIXEL_RATIO = 3.0  # [-] pixel noise of the fit over that of the images alone; a good fit gives 1
SCALE_RAD, SCALE_MM = 0.005, 1.0  # deviation of a good station from a closed form


def sane(found: Solution) -> Solution:
    """Return ``found``, or where it lost the images, a fit of the images taken as they are."""
    pose = own_views(found.gathered, found.turn)
    raw = linearised(found.views, pose, found.gathered.lens)
    noise = found.fit.noise.pixel_px
    redundancy = max(float(found.gathered.dof.sum()), 1.0)
    alone = float(np.sqrt(raw.rss.sum() / redundancy))
    if np.isfinite(found.fit.covariance).all() and noise <= PIXEL_RATIO * max(alone, 1e-3):
        return found
    stations = replace(found.stations, views=raw)
    camera, board = closed_start(stations.mount, stations.typed, pose, found.gathered)
    start = State(camera, board, np.zeros(len(stations.systematic_sd)))
    fit, used = robust_fit(stations, start, found.prior)
    return replace(
        found,
        stations=stations,
        fit=fit,
        used=used,
        error=flange_residuals(stations, fit),
        left_out=left_out(stations, fit, used.astype(float)),
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
