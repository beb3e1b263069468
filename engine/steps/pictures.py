"""Small pictures of a session for a screen of letters: an image, where the board has been, where
the stations lie. Grids of numbers only; how they look is the screen's business.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..camera.lens import project
from ..camera.model import Camera
from ..cell.session import PlannedStation, Session
from ..cell.stations import station_pose, typed_station
from ..depth.board import DepthReport
from ..errors import FileError, PoseError
from ..estimate.problem import predicted_view
from ..estimate.result import Result
from ..frames import apply
from ..images.load import decode_image
from ..sessions.folder import stored_points

Grid = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Thumbnail:
    """An image made small: ``grey`` (rows, columns) uint8, and ``points`` (n, 2) column and row."""

    grey: NDArray[np.uint8]
    points: Grid


def thumbnail(image: bytes, pixels: ArrayLike | None, columns: int, rows: int) -> Thumbnail:
    """Return an image file's content averaged to fit ``columns`` × ``rows``, in its proportions.

    ``pixels`` (n, 2) [px] are points to show over it, or None. Raises FileError for no image.
    """
    grey = decode_image(image, "the image")
    height, width = grey.shape
    scale = min(max(columns, 1) / width, max(rows, 1) / height, 1.0)
    size = max(round(width * scale), 1), max(round(height * scale), 1)
    small = np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA), np.uint8)
    return Thumbnail(small, cells(pixels, (width, height), size))


FLAT_SHARE = 0.0003  # [-] of the distance; below it, depth counts as flat: as good cameras are
HOLE, OUTSIDE = 2, 3  # in a picture of depth, beside -1, 0 and 1


def depth_picture(report: DepthReport, columns: int, rows: int) -> Grid | None:
    """Return (rows, columns) of depth on the board against its plane; None: there was none.

    -1 nearer, 0 flat, 1 farther, `HOLE` where most values are missing, `OUTSIDE` beside the board.
    """
    off, inside = report.residual, report.inside
    if off is None or inside is None or report.distance_mm is None or report.noise_mm is None:
        return None
    size = columns, rows
    there = np.isfinite(off)
    own, whole, total = (
        cv2.resize(part.astype(np.float32), size, interpolation=cv2.INTER_AREA)
        for part in (there, inside, np.where(there, off, 0.0))
    )
    mean = total / np.maximum(own, 1e-6)
    limit = max(report.noise_mm / 3.0, FLAT_SHARE * report.distance_mm)
    signs = np.where(mean > limit, 1, np.where(mean < -limit, -1, 0))
    signs = np.where(own < 0.5 * whole, HOLE, signs)
    return np.asarray(np.where(whole < 0.5, OUTSIDE, signs), np.int64)


def cells(pixels: ArrayLike | None, size_px: Sequence[int], grid: Sequence[int]) -> Grid:
    """Return column and row (n, 2) in a ``grid`` (columns, rows) over an image of ``size_px``.

    Pixel (0, 0) is the centre of the first pixel; points outside the image are left out.
    """
    if pixels is None:
        return np.empty((0, 2), np.int64)
    share = (np.asarray(pixels, float).reshape(-1, 2) + 0.5) / np.asarray(size_px, float)
    inside = ((share >= 0) & (share < 1)).all(axis=1)
    return np.asarray(np.floor(share[inside] * np.asarray(grid)), np.int64)


def coverage(session: Session, folder: Path, columns: int, rows: int) -> Grid:
    """Return (rows, columns): how many stations in use show board points in each part of the view.

    A station whose points cannot be read counts nowhere; `check` says what is wrong with it.
    """
    columns, rows = max(columns, 1), max(rows, 1)  # a screen may have no room at all
    counts = np.zeros((rows, columns), np.int64)
    for station in session.stations:
        with suppress(FileError):
            points = stored_points(session, folder, station) if station.use else None
            if points is not None:
                counts += seen(points.pixels, session.cell.camera, columns, rows)
    return counts


def seen(pixels: ArrayLike, camera: Camera, columns: int, rows: int) -> Grid:
    """Return (rows, columns): 1 inside the outline of the points, as `coverage` counts it."""
    columns, rows = max(columns, 1), max(rows, 1)
    found = np.zeros((rows, columns), np.uint8)
    at = cells(pixels, camera.image_size_px, (columns, rows))
    if len(at):
        cv2.fillConvexPoly(found, cv2.convexHull(at.astype(np.int32)), 1)
    return found.astype(np.int64)


def wanted_outline(
    session: Session, result: Result, planned: PlannedStation, columns: int, rows: int
) -> Grid:
    """Return (rows, columns): 1 where the outline of the board is wanted in the view, else 0.

    For a planned station, from the stations as solved; nothing where the pose is not known.
    """
    columns, rows = max(columns, 1), max(rows, 1)
    found = np.zeros((rows, columns), np.uint8)
    if planned.pose is None:
        return found.astype(np.int64)
    goal = station_pose(session.cell, typed_station(session.cell.pendant, planned.pose))
    if goal is None:
        return found.astype(np.int64)
    camera, board = session.cell.camera, session.cell.board
    T = predicted_view(session.cell.mount, result.geometric, goal, result.board)
    points = apply(T, board.points())
    if points[:, 2].min() > 0:
        at = cells(project(points, camera), camera.image_size_px, (columns, rows))
        if len(at):
            cv2.polylines(found, [cv2.convexHull(at.astype(np.int32))], True, 1)
    return found.astype(np.int64)


def places(session: Session) -> list[tuple[int, float, float, float]]:
    """Return id and flange position x, y, z [mm, base] of every station in use."""
    found = []
    for station in session.stations:
        with suppress(PoseError):
            pose = station_pose(session.cell, station) if station.use else None
            if pose is not None:
                x, y, z = pose[:3, 3]
                found.append((station.id, float(x), float(y), float(z)))
    return found
