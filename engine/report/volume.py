"""The uncertainty over the work volume, and where the work volume lies."""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

from ..estimate.model import point_rows
from ..frames import apply, inverse, mean_rotation, transform
from ..sessions.cell import EYE_TO_HAND, Cell

Array = NDArray[np.float64]

LAYERS = (-0.5, 0.0, 0.5)  # [-] of the height: bottom, middle, top
ACROSS = 5  # places along each side of a layer


def places(cell: Cell) -> Array:
    """Return places (3, 5, 5, 3) [mm] in the work volume's own frame: layer, y, x."""
    steps = np.linspace(-0.5, 0.5, ACROSS)
    z, y, x = np.meshgrid(np.array(LAYERS), steps, steps, indexing="ij")
    unit = np.stack([x, y, z], axis=-1)
    return np.asarray(np.array(cell.work_volume.center_mm) + unit * cell.work_volume.size_mm)


def edges(cell: Cell) -> Array:
    """Return the twelve edges of the work volume (12, 2, 3) [mm] in its own frame."""
    corners = np.array(list(itertools.product((-0.5, 0.5), repeat=3)))
    pairs = [(a, b) for a, b in itertools.combinations(corners, 2) if np.count_nonzero(a != b) == 1]
    half = np.array(pairs) * cell.work_volume.size_mm
    return np.asarray(half + np.array(cell.work_volume.center_mm))


def volume_frame(cell: Cell, camera: Array, flange_poses: Array) -> Array:
    """Return the transform (4, 4) from the work volume's frame into the base.

    A volume in the frame of a camera on the flange stands where the mean of the flange poses
    (n, 4, 4) puts it.
    """
    if cell.work_volume.frame == "base":
        return np.eye(4)
    return camera if cell.mount == EYE_TO_HAND else mean_pose(flange_poses) @ camera


def mean_pose(poses: Array) -> Array:
    """Return the mean of poses (n, 4, 4)."""
    return transform(mean_rotation(poses[:, :3, :3]), poses[:, :3, 3].mean(axis=0))


def uncertainty(cell: Cell, camera: Array, covariance: Array, flange_poses: Array) -> Array:
    """Return u [mm] of a point that the camera's transform places, at `places` (3, 5, 5).

    Square root of the trace of its covariance; the robot's own error is not in it.
    """
    base_T_camera = camera
    if cell.mount != EYE_TO_HAND:
        base_T_camera = mean_pose(flange_poses) @ camera
    to_camera = inverse(base_T_camera) @ volume_frame(cell, camera, flange_poses)
    seen = apply(to_camera, places(cell).reshape(-1, 3))
    rows = point_rows(camera, seen)
    variance = np.einsum("nij,jk,nik->n", rows, covariance, rows)
    return np.asarray(np.sqrt(variance).reshape(len(LAYERS), ACROSS, ACROSS))
