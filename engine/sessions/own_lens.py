"""The lens that a session's own points show: what a cell without lens data works with."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..boards.circle_centres import centre_shift_px
from ..camera.calibration import LEAST_VIEWS, Calibration, calibrated
from ..camera.model import Camera, vague_u
from ..camera.views import Views, typical_sd, weighing
from ..cell.session import Session, seen_by
from ..errors import StationbookError
from .folder import stored_points

LEAST_POINTS = 4  # of one view


def with_own_lens(session: Session, folder: Path) -> Session:
    """Return the session with lens data from its own images where its cell gives none.

    A camera whose images cannot give them yet keeps its guess. Estimates take them as a start only:
    the uncertainties are vague on purpose, as the same images would count twice.
    """
    cell = session.cell
    found = [_own(session, folder, camera) for camera in cell.every_camera]
    return replace(session, cell=replace(cell, camera=found[0], cameras=tuple(found[1:])))


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
    found = calibrated(views, camera, board.bow_u_mm, from_nothing=from_nothing)
    if not board.pattern.startswith("circles"):
        return found
    pixels = views.pixels.copy()
    for row, (names, pose) in enumerate(zip(ids, found.poses, strict=True)):
        pixels[row, : len(names)] -= centre_shift_px(pose, board, found.camera)[names]
    centres = replace(views, pixels=pixels)
    return calibrated(centres, camera, board.bow_u_mm, from_nothing=from_nothing)


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
