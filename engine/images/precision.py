"""What one image tells of the board's place, in mm at the work volume, and whether lens and board
are what the cell says.

The pose of the board comes from points whose covariances are known, so its own covariance is too.
What the points miss a flat board seen through the lens by, in a smooth pattern, shows what noise
does not: such a pattern is as likely in the directions that the pose takes up as in those that it
leaves, so the covariance grows by its mean square. A smear says that the board moved by so much
while the image was taken.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product
from typing import Literal

import numpy as np
import scipy

from ..arrays import Array
from ..boards.candidates import Detection
from ..boards.circle_centres import centre_shift_px
from ..boards.pattern import BOW_U_MM, SCALE_U, Board
from ..camera.lens import DEPTH_SCALE, OF_BOARD, Lens, lens, terms
from ..camera.model import Camera
from ..camera.views import Views, pixel_rows, poses_of_views, typical_sd, whitening
from ..frames import skew

FLOOR = 0.01**2 * np.eye(2)  # px²; what stays in clean images, measured on rendered ones
SMOOTH_DEGREE = 3  # of the patterns looked for: radial distortion is cubic, a bow quadratic
LEAST_SPARE = 12  # degrees of freedom beside the pose; fewer do not tell noise from a pattern
# A misfit is said where chance explains it once in 10,000 images, and it is worth saying.
MISFIT_CHANCE, MISFIT_LEAST_PX, MISFIT_LEAST_RATIO = 1e-4, 0.03, 2.0
VAGUE = 30.0  # [-] times what the cell states: a lens of another camera is within it
SURE = 0.5  # [-] of the other suspect's misfit: what leaves less than that is named alone
NEGLIGIBLE = 1e-6  # [-] of all patterns: what is left of one that the pose takes up
MOVED_SHARE = 0.5  # [-] of a smear: from the middle of the exposure to where the arm came to rest

Suspect = Literal["lens", "bow", "either"]


@dataclass(frozen=True, slots=True)
class Misfit:
    """The points miss a flat board by ``misfit_px``, where each is seen to ``scatter_px`` (RMS)."""

    misfit_px: float
    scatter_px: float
    suspect: Suspect


@dataclass(frozen=True, slots=True)
class Precision:
    """How well one image places the board: standard uncertainty [mm] at the work volume.

    It is of the points' noise, their misfit and motion. ``mm_per_px`` at the board. ``misfit``
    None: lens and board are what the cell says.
    """

    u_mm: float
    mm_per_px: float
    misfit: Misfit | None


def precision(
    detection: Detection,
    board: Board,
    camera: Camera,
    volume_mm: tuple[float, float, float],
    smear_px: float = 0.0,
) -> Precision | None:
    """Return how well the detection places the board, None where it gives no pose.

    The work volume of size ``volume_mm`` is taken around the board's middle, where it stands when
    it is shown in the volume; the largest u of its corners counts. None too without covariances.
    """
    if detection.covariances is None or not detection.found:
        return None
    data, points = lens(camera), board.points()[detection.ids]
    view = _view(detection, board, data, points)
    if view is None:
        return None
    views, pose = view
    stated = terms(camera, board.points(), *board.u)
    every = terms(replace(camera, u=None, depth=None), board.points(), SCALE_U, BOW_U_MM)
    J, residual, Q = (part[0] for part in pixel_rows(views, pose[None], data, every))
    G = np.linalg.inv(J.T @ J)
    smooth = _smooth(points, views.whiten, J)
    seen = smooth.T @ residual
    growth = max(1.0, float(seen @ seen) / max(len(seen), 1))
    middle = pose[:3, :3] @ points.mean(axis=0)
    lever = np.array(list(product((-0.5, 0.5), repeat=3))) * np.array(volume_mm) + middle
    rows = np.concatenate([-skew(lever), np.tile(np.eye(3), (8, 1, 1))], axis=2)
    worst = float(np.trace(rows @ G @ np.swapaxes(rows, 1, 2), axis1=1, axis2=2).max())
    depth = float(pose[2, 3] + middle[2])
    mm_per_px = depth / float(np.sqrt(data.K[0, 0] * data.K[1, 1]))
    points_mm = float(np.sqrt(growth * worst))
    smear_mm = MOVED_SHARE * smear_px * mm_per_px
    px = typical_sd(detection.covariances)
    off = _misfit(
        seen, smooth.T @ Q, px, len(residual) - 6, stated.sd_of_all[:DEPTH_SCALE], every.sd
    )
    return Precision(float(np.hypot(points_mm, smear_mm)), mm_per_px, off)


def _view(
    detection: Detection, board: Board, data: Lens, points: Array
) -> tuple[Views, Array] | None:
    """Return the points of one image, whitened to standard deviations, and the board's pose."""
    pixels, covariances = detection.pixels, detection.covariances
    whiten = None if covariances is None else whitening(covariances + FLOOR)[None]
    for _ in range(2 if board.has_circles else 1):
        views = Views(points[None], pixels[None], np.ones((1, len(points))), whiten)
        found = poses_of_views(views, data)[0]
        if not found:
            return None
        pixels = detection.pixels - centre_shift_px(found[0][0], board, data)[detection.ids]
    return views, found[0][0]


def _smooth(points: Array, whiten: Array | None, J: Array) -> Array:
    """Return an orthonormal basis (2n, k) of smooth whitened patterns that no pose takes up."""
    xy = points[:, :2] - points[:, :2].mean(axis=0)
    x, y = (xy / np.abs(xy).max()).T
    degree = SMOOTH_DEGREE
    while degree > 1 and 2 * len(points) - (degree + 1) * (degree + 2) < LEAST_SPARE:
        degree -= 1
    powers = [(i, j) for i in range(degree + 1) for j in range(degree + 1 - i)]
    shapes = np.column_stack([x**i * y**j for i, j in powers])
    rows = np.einsum("nk,ab->ankb", shapes, np.eye(2)).reshape(2, len(points), -1)
    if whiten is not None:
        rows = np.einsum("nab,bnk->ank", whiten[0], rows)
    rows = rows.reshape(2 * len(points), -1)
    taken, _ = np.linalg.qr(J / np.linalg.norm(J, axis=0))
    left, size, _ = np.linalg.svd(rows - taken @ (taken.T @ rows), full_matrices=False)
    return np.asarray(left[:, size > NEGLIGIBLE * np.linalg.norm(rows)])


def _misfit(
    seen: Array, shapes: Array, scatter: float, spare: int, stated: Array, assumed: Array
) -> Misfit | None:
    """Return the misfit where neither noise nor what lens and board may be off by explains it.

    ``seen`` (k,) is the pattern [standard deviations], ``shapes`` (k, 11) what each term makes of
    it; ``scatter`` [px] of a point; ``stated`` (11,) standard deviations of the terms.
    """
    off_px = scatter * float(np.sqrt(seen @ seen / spare))
    if off_px < max(MISFIT_LEAST_PX, MISFIT_LEAST_RATIO * scatter):
        return None
    V = np.eye(len(seen)) + (shapes * stated**2) @ shapes.T
    if scipy.special.chdtrc(len(seen), float(seen @ np.linalg.solve(V, seen))) > MISFIT_CHANCE:
        return None
    bow, of_lens = slice(1, OF_BOARD), slice(OF_BOARD, None)
    left = [_left(seen, shapes[:, part], VAGUE * assumed[part]) for part in (of_lens, bow)]
    if min(left) > SURE * max(left):
        return Misfit(off_px, scatter, "either")
    return Misfit(off_px, scatter, "lens" if left[0] < left[1] else "bow")


def _left(seen: Array, shapes: Array, sd: Array) -> float:
    """Return the squared pattern that terms with these ``shapes`` and ``sd`` do not explain."""
    fit = np.linalg.solve(shapes.T @ shapes + np.diag(sd**-2.0), shapes.T @ seen)
    return float(np.sum((seen - shapes @ fit) ** 2))
