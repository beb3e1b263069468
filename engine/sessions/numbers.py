"""What the stations of a session say as numbers: points, poses, and the lens that they show."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..boards.circle_centres import centre_shift_px
from ..boards.points_file import NO_POINTS, Points, read_points
from ..camera.calibration import LEAST_VIEWS, Calibration, calibrated
from ..camera.model import Camera, vague_u
from ..camera.views import Views, typical_sd, weighing
from ..cell.session import Session, Station, seen_by
from ..cell.stations import Observation, joint_values, station_pose
from ..errors import FileError, StationbookError
from ..files import inside
from ..frames import from_position_quaternion
from .store import SESSION_FILE

LEAST_POINTS = 4  # of one view


def stored_points(session: Session, folder: Path, station: Station) -> Points | None:
    """Return a station's points, or None where it names none.

    Raises FileError naming station and file where it is missing, damaged, short or of another
    board.
    """
    if station.points is None:
        return None
    try:
        path = inside(folder, station.points)
        return read_points(path, session.cell.board, session.cell.camera)
    except FileError as error:
        problem = f"station {station.id}: {error.clause}"
        raise FileError(error.path, problem, error.remedy, line=error.line, key=error.key) from None


def observations(session: Session, folder: Path) -> tuple[Observation, ...]:
    """Return every station in use as numbers, in the order of the stops.

    Raises FileError naming station and file where points are missing, damaged or short, or where
    what was typed cannot be read.
    """
    return tuple(_observation(session, folder, s) for s in session.visited if s.use)


def _observation(session: Session, folder: Path, station: Station) -> Observation:
    try:
        pose = station_pose(session.cell, station)
        joints = joint_values(session.cell, station)
    except StationbookError as error:
        field = getattr(error, "field", None)
        about = f"{field}: " if field else ""
        problem = f"station {station.id}: {about}{error.problem}"
        raise FileError(folder / SESSION_FILE, problem, error.remedy) from None
    if pose is None:
        raise FileError(folder / SESSION_FILE, f"station {station.id}: nothing typed")
    points = stored_points(session, folder, station)
    ids, pixels, covariances, depths, places = points or NO_POINTS
    board = from_position_quaternion(station.board_pose) if station.board_pose else None
    return Observation(
        station.id,
        pose,
        ids,
        pixels,
        board,
        joints,
        covariances,
        depths,
        spatial=places is not None,
        closing=station.closing,
    )


# ---- the lens: what a cell without lens data works with -----------------------------------------


def with_own_lens(session: Session, folder: Path) -> Session:
    """Return the session with lens data from its own images where its cell gives none.

    A camera whose images cannot give them yet keeps its guess. Estimates take them as a start only:
    the uncertainties are vague on purpose, as the same images would count twice.
    """
    cell = session.cell.with_each_camera(lambda camera: _own(session, folder, camera))
    return replace(session, cell=cell)


def _own(session: Session, folder: Path, camera: Camera) -> Camera:
    if camera.lens_from in ("cell", "earlier"):
        return camera
    try:
        found = lens_of(seen_by(session, camera.name), folder, from_nothing=True).camera
    except StationbookError:
        return camera
    return replace(found, u=vague_u(camera), lens_from="images", images_u=found.u)


def lens_of(session: Session, folder: Path, *, from_nothing: bool) -> Calibration:
    """Return the lens that the points of the first camera show.

    Circles show their centres of gravity at first; the centres follow from the lens found so.
    Raises StationbookError for too few views or views too much alike, FileError for a points file
    that is missing or damaged.
    """
    board, camera = session.cell.board, session.cell.camera
    views, ids = board_views(session, folder)
    found = calibrated(views, camera, *board.u, from_nothing=from_nothing)
    if not board.has_circles:
        return found
    pixels = views.pixels.copy()
    for row, (names, pose) in enumerate(zip(ids, found.poses, strict=True)):
        pixels[row, : len(names)] -= centre_shift_px(pose, board, found.camera)[names]
    centres = replace(views, pixels=pixels)
    return calibrated(centres, camera, *board.u, from_nothing=from_nothing)


def board_views(session: Session, folder: Path) -> tuple[Views, list[NDArray[np.int64]]]:
    """Return the points of all stations in use as views, and their ids; covariances as weights.

    Points measured in space tell of no lens and are left out.
    Raises FileError for a points file that is missing or damaged, StationbookError for too few.
    """
    board = session.cell.board
    every = [stored_points(session, folder, s) for s in session.stations if s.use]
    by_lens = [points for points in every if points is not None and points.places is None]
    seen = [points for points in by_lens if len(points.ids) >= LEAST_POINTS]
    if len(seen) < LEAST_VIEWS:
        raise StationbookError(
            f"stations with points: {len(seen)}; a lens needs at least {LEAST_VIEWS}",
            "Record more stations, tilted in different directions.",
        )
    n, m = len(seen), max(len(points.ids) for points in seen)
    known = [points.covariances for points in seen if points.covariances is not None]
    typical = typical_sd(np.concatenate(known)) if known else 0.0
    ids, pixels, weight = np.zeros((n, m), int), np.zeros((n, m, 2)), np.zeros((n, m))
    whiten = np.tile(np.eye(2), (n, m, 1, 1))
    for row, points in enumerate(seen):
        k = len(points.ids)
        ids[row, :k], pixels[row, :k], weight[row, :k] = points.ids, points.pixels, 1.0
        if points.covariances is not None:
            whiten[row, :k] = weighing(points.covariances, typical)
    views = Views(board.points()[ids], pixels, weight, whiten if known else None)
    return views, [points.ids for points in seen]
