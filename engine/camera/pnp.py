"""The board's pose from its points in one image: the one place that knows OpenCV's conventions.

A flat board has two poses that explain its image almost equally well where it is small or far
(Schweighofer & Pinz 2006; Collins & Bartoli 2014). Both are returned, with their errors.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import ArrayLike

from ..errors import StationbookError
from ..frames import Array, rotation_exp, transform
from .lens import Lens, lens, undistort
from .model import Camera
from .reprojection import Views, refined

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
    seen = undistort(views.pixels, data)
    starts = [_closed_forms(views, seen, index) for index in range(len(views.weight))]
    owner = np.repeat(np.arange(len(starts)), [len(found) for found in starts])
    if not len(owner):
        return [[] for _ in starts]
    poses, view = refined(views.take(owner), np.concatenate(starts), data)
    quadratic = np.einsum("ni,nij,nj->n", view.step, view.information, view.step)
    rms = np.sqrt((view.rss + quadratic) / (2 * views.counts[owner]))
    result: list[list[tuple[Array, float]]] = [[] for _ in starts]
    for index in np.argsort(rms, kind="stable"):
        pose, known = poses[index], result[owner[index]]
        if pose[2, 3] > 0 and not any(np.abs(pose - p).max() < SAME_POSE for p, _ in known):
            known.append((pose, float(rms[index])))
    return result


def _closed_forms(views: Views, seen: Array, index: int) -> Array:
    """Return the plane-based starts (0 to 2, 4, 4) of one view from normalised coordinates."""
    present = views.weight[index] > 0
    flat, rays = views.points[index][present] * (1.0, 1.0, 0.0), seen[index][present]
    if len(flat) < LEAST_POINTS or _on_one_line(flat) or _on_one_line(rays):
        return np.empty((0, 4, 4))
    found, rvecs, tvecs, errors = cv2.solvePnPGeneric(
        flat, np.ascontiguousarray(rays), np.eye(3), None, flags=cv2.SOLVEPNP_IPPE
    )
    if not found:
        return np.empty((0, 4, 4))
    poses = transform(rotation_exp(np.array(rvecs)[..., 0]), np.array(tvecs)[..., 0])
    finite = np.isfinite(poses).all(axis=(1, 2))
    rival = np.ravel(errors) <= RIVAL * np.nanmin(errors) + SAME_ERROR
    chosen: Array = poses[finite & rival]
    return chosen


def _on_one_line(points: Array) -> bool:
    """Tell whether the points spread in one direction only (a thousandth of the larger one)."""
    centred = points[:, :2] - points[:, :2].mean(axis=0)
    small, large = np.linalg.eigvalsh(centred.T @ centred)
    return bool(small <= 1e-6 * large)
