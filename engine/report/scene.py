"""Figures of the cell: stations, camera and work volume, and the uncertainty over it."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np

from ..arrays import Array
from ..cell.cell import EYE_TO_HAND, Cell
from ..estimate.model import point_rows
from ..frames import apply, inverse, mean_rotation, transform
from .figures import ACCENT, INK, PALE, Picture, canvas, drawn
from .stations import Placement, StationView

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
    corners = cell.work_volume.corners()
    pairs = [(a, b) for a, b in itertools.combinations(corners, 2) if np.count_nonzero(a != b) == 1]
    return np.array(pairs)


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


PLANES = (("from above", 0, 1), ("from the side", 0, 2))
MOST_NUMBERS = 40  # stations; more numbers would cover each other
RAY_MM = 60.0  # length of the line that shows where a camera on the flange looks


def scene_picture(views: list[StationView], cell: Cell, placed: Placement) -> Picture | None:
    """Return the boards (eye-in-hand: cameras) of all stations in the base frame, two views."""
    posed = [view for view in views if view.base_T_flange is not None]
    if placed.camera is None or placed.board is None or not posed:
        return None
    flange = np.array([view.base_T_flange for view in posed])
    fixed = cell.mount == EYE_TO_HAND
    middle = cell.board.points().mean(axis=0)[None]
    cameras = placed.camera[None] if fixed else flange @ placed.camera
    boards = flange @ placed.board if fixed else placed.board[None]
    centres = apply(boards, middle)[:, 0]
    stops = centres if fixed else cameras[:, :3, 3]
    box = apply(volume_frame(cell, placed.camera, flange), edges(cell).reshape(-1, 3))
    figure, axes = canvas(7.0, 3.5, columns=2)
    for ax, (title, across, up) in zip(axes[0], PLANES, strict=True):
        pick = [across, up]
        for edge in box.reshape(-1, 2, 3)[:, :, pick]:
            ax.plot(*edge.T, "--", color=PALE, linewidth=0.9)
        _stops(ax, stops[:, pick], posed)
        if fixed:
            _camera(ax, cell, placed.camera, pick, float(np.linalg.norm(
                centres.mean(axis=0) - placed.camera[:3, 3])))  # fmt: skip
        else:
            for camera in cameras:
                ray = np.array([camera[:3, 3], camera[:3, 3] + RAY_MM * camera[:3, 2]])[:, pick]
                ax.plot(*ray.T, "-", color=ACCENT, linewidth=0.7)
            ax.plot(*centres[0, pick], "D", color=INK, markersize=6)
            ax.annotate("board", centres[0, pick], (5, 5), textcoords="offset points", fontsize=8)
        ax.plot(0, 0, "+", color=INK, markersize=9)
        ax.annotate("base", (0, 0), (5, 5), textcoords="offset points", fontsize=8)
        ax.set_aspect("equal", adjustable="datalim")
        ax.set_title(title, fontsize=9)
        ax.set_xlabel("x [mm]")
        ax.set_ylabel("yz"[up - 1] + " [mm]")
    return Picture("Stations, camera and work volume", drawn(figure), _words(stops, cell, placed))


def _stops(ax: Any, places: Array, views: list[StationView]) -> None:
    used = np.array([view.used for view in views])
    ax.plot(*places[used].T, "o", color=ACCENT, markersize=4)
    ax.plot(*places[~used].T, "x", color=INK, markersize=5)
    if len(views) <= MOST_NUMBERS:
        for view, place in zip(views, places, strict=True):
            ax.annotate(str(view.station.id), place, (3, 3), textcoords="offset points", fontsize=7)


def _camera(ax: Any, cell: Cell, camera: Array, pick: list[int], distance: float) -> None:
    """Draw the camera and the four edges of its view as far as the stations."""
    width, height = cell.camera.image_size_px
    corners = np.array([(0, 0, 1), (width, 0, 1), (width, height, 1), (0, height, 1)], float)
    rays = corners @ np.linalg.inv(np.array(cell.camera.matrix)).T * distance
    ends = apply(camera, rays)
    for end in ends:
        ray = np.array([camera[:3, 3], end])[:, pick]
        ax.plot(*ray.T, "-", color=PALE, linewidth=0.8)
    ax.plot(*camera[:3, 3][pick], "^", color=INK, markersize=8)
    ax.annotate(
        "camera", camera[:3, 3][pick], (0, 8), textcoords="offset points", fontsize=8, ha="center"
    )


def _words(stops: Array, cell: Cell, placed: Placement) -> str:
    what = "Board centres" if cell.mount == EYE_TO_HAND else "Camera positions"
    low, high = stops.min(axis=0), stops.max(axis=0)
    spans = ", ".join(
        f"{axis} {a:.0f} to {b:.0f}" for axis, a, b in zip("xyz", low, high, strict=True)
    )
    text = f"{what} of {len(stops)} stations in the base frame: {spans} mm (crosses: not used)."
    if cell.mount == EYE_TO_HAND and placed.camera is not None:
        x, y, z = placed.camera[:3, 3]
        distance = np.linalg.norm(apply(inverse(placed.camera), stops), axis=1)
        text += (
            f" The camera stands at x {x:.0f}, y {y:.0f}, z {z:.0f} mm, {distance.min():.0f} to "
            f"{distance.max():.0f} mm from the boards."
        )
    return text + " Broken lines: the work volume."
