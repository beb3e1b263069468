"""Small pictures of a session for a screen of letters: an image, where the board has been, where
the stations lie. Grids of numbers only; how they look is the screen's business.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..arrays import Array
from ..boards.pattern import Board
from ..camera.lens import project
from ..camera.model import Camera
from ..cell.cell import Cell
from ..cell.mount import EYE_TO_HAND
from ..cell.session import PlannedStation, Session, Station
from ..cell.stations import station_pose, typed_station
from ..depth.board import DepthReport
from ..errors import FileError, PoseError
from ..estimate.problem import predicted_view
from ..estimate.result import Result
from ..frames import apply, inverse
from ..images.load import decode_image
from ..pendant.conventions import active_places
from ..plans.blind import rough_places
from ..plans.way import read_legs
from ..sessions.numbers import stored_points

Grid = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Thumbnail:
    """An image made small: ``grey`` (rows, columns) uint8, and ``points`` (n, 2) column and row.

    ``wanted`` (rows, columns): where the board's outline is wanted, see `outline`.
    """

    grey: NDArray[np.uint8]
    points: Grid
    wanted: Grid


def thumbnail(
    image: bytes,
    pixels: ArrayLike | None,
    columns: int,
    rows: int,
    corners: Array | None = None,
) -> Thumbnail:
    """Return an image file's content averaged to fit ``columns`` × ``rows``, in its proportions.

    ``pixels`` (n, 2) [px] are points to show over it, or None; ``corners`` (n, 2) [px] the wanted
    outline. Raises FileError for no image.
    """
    grey = decode_image(image, "the image")
    height, width = grey.shape
    scale = min(max(columns, 1) / width, max(rows, 1) / height, 1.0)
    size = max(round(width * scale), 1), max(round(height * scale), 1)
    small = np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA), np.uint8)
    wanted = outline(corners, (width, height), size)
    return Thumbnail(small, cells(pixels, (width, height), size), wanted)


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


def wanted_corners(session: Session, result: Result, planned: PlannedStation) -> Array | None:
    """Return (n, 2) [px]: the outline of the board as it is wanted in the view, point 0 first.

    For a planned station, from the stations as solved. None where that pose is not known, or leads
    behind the camera.
    """
    goal = _goal(session, planned)
    if goal is None:
        return None
    board = session.cell.board
    T = predicted_view(session.cell.mount, result.geometric, goal, result.board)
    points = apply(T, board.points())
    if points[:, 2].min() <= 0:
        return None
    pixels = project(points, session.cell.camera)
    hull = cv2.convexHull(pixels.astype(np.float32))[:, 0]
    first = int(np.argmin(np.linalg.norm(hull - pixels[0], axis=1)))
    return np.asarray(np.roll(hull, -first, axis=0), float)


def outline(corners: Array | None, size_px: Sequence[int], grid: Sequence[int]) -> Grid:
    """Return (rows, columns) of a ``grid`` (columns, rows): 1 on the outline, 2 at its start.

    ``corners`` (n, 2) [px] in an image of ``size_px``, or None for no outline. What lies outside
    is cut off.
    """
    columns, rows = (max(int(n), 1) for n in grid)
    found = np.zeros((rows, columns), np.uint8)
    if corners is not None:
        at = np.floor((corners + 0.5) / np.asarray(size_px, float) * (columns, rows))
        at = np.clip(at, -FAR_CELLS, FAR_CELLS).astype(np.int32)
        cv2.polylines(found, [at], True, 1)
        if 0 <= at[0, 0] < columns and 0 <= at[0, 1] < rows:
            found[at[0, 1], at[0, 0]] = 2
    return found.astype(np.int64)


FAR_CELLS = 20_000  # cells; farther out than any screen, and less than what can be drawn


def painted(
    image: bytes, pixels: ArrayLike | None, corners: Array | None, size: Sequence[int]
) -> NDArray[np.uint8]:
    """Return an image (height, width, 3) RGB of at most ``size`` (width, height) [px], to be shown.

    Points (n, 2) and the wanted outline (n, 2) [px] are drawn over it, a ring at the first corner.
    Raises FileError for no image.
    """
    grey = decode_image(image, "the image")
    scale = min(size[0] / grey.shape[1], size[1] / grey.shape[0], 1.0)
    width, height = (max(round(n * scale), 1) for n in grey.shape[::-1])
    small = cv2.resize(grey, (width, height), interpolation=cv2.INTER_AREA)
    drawn = np.ascontiguousarray(np.repeat(np.asarray(small, np.uint8)[..., None], 3, axis=2))
    for x, y in cells(pixels, grey.shape[::-1], (width, height)).tolist():
        cv2.circle(drawn, (x, y), 1, POINT_RGB, -1)
    if corners is not None:
        at = np.clip(np.round(corners * scale), -FAR_CELLS, FAR_CELLS).astype(np.int32)
        cv2.polylines(drawn, [at], True, OUTLINE_RGB, max(width // 200, 1), cv2.LINE_AA)
        cv2.circle(drawn, at[0].tolist(), max(width // 50, 3), OUTLINE_RGB, 1, cv2.LINE_AA)
    return np.asarray(drawn, np.uint8)


POINT_RGB, OUTLINE_RGB = (255, 215, 95), (135, 255, 135)


# ---- the cell from above and from the side ------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """Where things are in the base frame [mm]. What is not known is None, or empty.

    ``stations``: id and flange (3,) of those in use; ``goal`` (3,) of the next one. ``way`` (n, 3):
    the flange along the told jog, leg by leg. ``volume`` (8, 3) corners; ``keep_out`` (2, 3) least
    and greatest corner of each box; ``camera`` (3,); ``board`` (4, 3) its corners, where it is now.
    """

    stations: tuple[tuple[int, Array], ...] = ()
    goal: Array | None = None
    way: Array | None = None
    volume: Array | None = None
    keep_out: tuple[Array, ...] = ()
    camera: Array | None = None
    board: Array | None = None


def scene(session: Session, result: Result | None, planned: PlannedStation | None) -> Scene:
    """Return what stands in the cell, as far as the stations and the cell's description tell.

    ``result``: the stations as solved, or None: then the cell's rough transforms tell, if any.
    ``planned``: the next station.
    """
    cell = session.cell
    poses = [(s.id, pose) for s in session.stations if (pose := _pose(session, s)) is not None]
    here = _pose(session, replace(session.visited[-1], use=True)) if session.stations else None
    camera, board = _transforms(cell, result)
    if cell.mount != EYE_TO_HAND and camera is not None:
        camera = None if here is None else here @ camera
    elif board is not None:
        board = None if here is None else here @ board
    volume: Array | None = cell.work_volume.corners()
    if cell.work_volume.frame == "camera":
        volume = None if camera is None or volume is None else apply(camera, volume)
    way = None if here is None or planned is None else _way(cell, here, planned)
    goal = None if planned is None else _goal(session, planned)
    end = way[-1] if goal is None and way is not None else None
    return Scene(
        tuple((number, pose[:3, 3]) for number, pose in poses),
        end if goal is None else goal[:3, 3],
        way,
        volume,
        tuple(np.array([box.min_mm, box.max_mm], float) for box in cell.keep_out),
        None if camera is None else camera[:3, 3],
        None if board is None else apply(board, _edge(cell.board)),
    )


def _transforms(cell: Cell, result: Result | None) -> tuple[Array | None, Array | None]:
    """Return the transforms (4, 4) of camera and board, as solved or as told roughly."""
    if result is not None and result.solved:
        return result.geometric, result.board
    return (None, None) if cell.rough is None else rough_places(cell.rough)


def _edge(board: Board) -> Array:
    """Return the outermost points of a board (4, 3), one after the other around it."""
    points = board.points()
    (x0, y0), (x1, y1) = points[:, :2].min(axis=0), points[:, :2].max(axis=0)
    return np.array([(x0, y0, 0), (x1, y0, 0), (x1, y1, 0), (x0, y1, 0)], float)


def _way(cell: Cell, here: Array, planned: PlannedStation) -> Array | None:
    """Return the flange's places (n, 3) along the jog of a planned station, told from ``here``."""
    tool = active_places(cell.pendant)[1]
    at, found = here @ tool, [here[None, :3, 3]]
    for leg in read_legs(planned.jog or ""):
        poses = leg.poses(at, float(np.linalg.norm(tool[:3, 3])))
        found.append((poses @ inverse(tool))[:, :3, 3])
        at = poses[-1]
    return np.concatenate(found) if len(found) > 1 else None


def _goal(session: Session, planned: PlannedStation) -> Array | None:
    if planned.pose is None:
        return None
    return _pose(session, typed_station(session.cell.pendant, planned.pose))


def _pose(session: Session, station: Station) -> Array | None:
    """Return base_T_flange (4, 4) of a station in use, or None where it cannot be told."""
    with suppress(PoseError):
        return station_pose(session.cell, station) if station.use else None
    return None
