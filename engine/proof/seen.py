"""Where the camera sees a touched point, and what lens and board may put elsewhere.

The board as described and the lens data put each point somewhere; what both are off moves it. With
e these errors, the board's pose that an image gives is displaced by ``−by_terms e`` (see
`camera.views`), and a point X of the board truly is, on the camera's axes, at

    p(e) = pose · X + (R · shape(X) − rows · by_terms) e.

Parts are located by the same lens data or as points in space, so a part at that point is found
``located(p) e`` away from where it is: there a pick of it goes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ..arrays import Array
from ..boards.points_file import read_points
from ..camera.lens import NAMES, OF_BOARD, Terms, lens, terms
from ..camera.model import Camera
from ..camera.views import Views, board_pose, linearised
from ..cell.cell import Cell
from ..errors import StationbookError
from ..estimate.gather import point_centres
from ..estimate.problem import by_depth
from ..files import inside
from ..frames import apply, point_rows


@dataclass(frozen=True, slots=True, eq=False)
class SeenPoint:
    """A point at ``place`` (3,) [mm], camera frame, by lens data and board as described.

    With its ``variance`` [mm²] from the pixels (trace of the covariance). Per unit of what lens and
    board are off, in the order of `camera.lens.NAMES`, the point truly is ``true_rows`` (3, 16)
    elsewhere, and a part there is located ``located_rows`` (3, 16) elsewhere.
    """

    place: Array
    variance: float
    true_rows: Array
    located_rows: Array

    def located(self, off: Array) -> Array:
        """Return where a part there is located, (3,) [mm]: lens and board are ``off`` (16,)."""
        return np.asarray(self.place + self.located_rows @ off)


@dataclass(frozen=True, slots=True, eq=False)
class SeenBoard:
    """The board of one view: camera_T_board ``pose`` (4, 4) by lens data and board as described.

    ``unit`` (6, 6) is its covariance for pixels of unit noise, ``by_terms`` (6, 16) what lens and
    board displace it, in the order of `camera.lens.NAMES`.
    """

    cell: Cell
    terms: Terms
    pose: Array
    unit: Array
    by_terms: Array

    def seen(self, ids: Sequence[int], pixel_px: float) -> list[SeenPoint]:
        """Return the board's points ``ids``, for pixels of this noise [px]."""
        points = self.cell.board.points()[list(ids)]
        places, rows = apply(self.pose, points), point_rows(self.pose, points)
        covariance = pixel_px**2 * rows @ self.unit @ rows.transpose(0, 2, 1)
        true = -rows @ self.by_terms
        for term, unit in enumerate(np.eye(OF_BOARD)):
            true[:, :, term] += self.terms.moved(points, unit) @ self.pose[:3, :3].T
        located = true + _located(self.cell, self.terms, places)
        variances = np.trace(covariance, axis1=1, axis2=2).tolist()
        return [SeenPoint(*one) for one in zip(places, variances, true, located, strict=True)]


def seen_mark(cell: Cell, place: Array, pixel_px: float) -> SeenPoint:
    """Return a mark that the camera's own program located at ``place`` (3,) [mm].

    ``pixel_px`` [px] is the noise of one image point, see `mark_u`.
    """
    off = _located(cell, _terms(cell), place[None])[0]
    own = mark_u(cell.camera, place, pixel_px)
    return SeenPoint(place, 3.0 * own**2, -off, np.zeros_like(off))


def mark_u(camera: Camera, place: Array, pixel_px: float) -> float:
    """Return the standard uncertainty [mm] on each axis of a mark located at ``place`` (3,) [mm].

    How well the camera's own program measures is not known here. Taken is the noise ``pixel_px``
    [px] of one image point at that distance, alike on every axis: along the ray a single camera is
    worse, and several image points of one mark are better across.
    """
    K = lens(camera).K
    return pixel_px * float(np.linalg.norm(place)) / float(K[0, 0] + K[1, 1]) * 2.0


def seen_board(cell: Cell, folder: Path, points_file: str) -> SeenBoard:
    """Return the board as the points of one view in ``folder`` show it.

    Of the two poses of a flat board the one that fits better is taken. Raises FileError, and
    StationbookError where the image gives no pose.
    """
    found = read_points(inside(folder, points_file), cell.board, cell.camera)
    data, points, every = lens(cell.camera), cell.board.points()[found.ids], _terms(cell)
    pixels = point_centres(cell.board, data, found.ids, found.pixels)
    ways = board_pose(points, pixels, data)
    if not ways:
        raise StationbookError("the image gives no pose of the board", "Take it less steep.")
    pose = ways[0][0]
    views = Views(points[None], np.asarray(pixels, float)[None], np.ones((1, len(points))))
    seen = linearised(views, pose[None], data, every)
    by_terms = seen.by_terms[0]
    if found.places is not None:  # measured in space: no lens data are in it
        by_terms = np.where(every.of_image, 0.0, by_terms)
    return SeenBoard(cell, every, pose, np.linalg.inv(seen.information[0]), by_terms)


def _terms(cell: Cell) -> Terms:
    """Return all that lens and board may be off by, each as an unknown."""
    board, camera = cell.board, cell.camera
    deep = replace(camera, depth=camera.deep)
    return terms(deep, board.points(), *board.u).only(NAMES)


def _located(cell: Cell, every: Terms, places: Array) -> Array:
    """Return how far elsewhere parts at ``places`` (n, 3) are located per unit of error."""
    if by_depth(cell.locate, cell.camera):
        return every.located_by_depth(places)
    return every.located(places, lens(cell.camera))
