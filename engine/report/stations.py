"""What a report shows of every station, and how the uncertainty fell from one to the next."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..boards.pattern import Board, symmetries
from ..camera.lens import project
from ..cell.cell import Cell
from ..cell.result import StationResult, StoredResult
from ..cell.session import Session, Station
from ..cell.stations import station_pose
from ..errors import StationbookError
from ..estimate.information import known_beforehand, uncertainty_after, whole_information
from ..estimate.model import predicted_view
from ..estimate.problem import Problem
from ..estimate.result import Result
from ..frames import apply
from ..proof.stated import transform_of
from ..sessions.folder import stored_points


@dataclass(frozen=True, slots=True, eq=False)
class StationView:
    """One station of a report.

    Attributes:
        station: as stored.
        row: its entry in the result; one of a station not used where it has none.
        base_T_flange: (4, 4) [mm] as typed, None where it cannot be read.
        seen: (n, 2) [px] where the points were seen, None where there are none.
        expected: (n, 2) [px] where result and typed pose put them, None where not known.
        problem: what could not be read, in words, or None.
    """

    station: Station
    row: StationResult
    base_T_flange: Array | None
    seen: Array | None
    expected: Array | None
    problem: str | None

    @property
    def used(self) -> bool:
        """Whether the result rests on this station."""
        return self.row.used


@dataclass(frozen=True, slots=True, eq=False)
class Placement:
    """Both transforms of a result (4, 4) [mm]; None where not wholly known.

    ``camera`` is where the camera is (robot errors apart), ``delivered`` what is handed over.
    """

    camera: Array | None
    board: Array | None
    delivered: Array | None


def placement(result: StoredResult, cell: Cell) -> Placement:
    """Return the transforms of a result; raises StationbookError for damaged ones."""
    delivered = transform_of(result.camera, cell.camera_key)
    camera = transform_of(result.geometric, cell.camera_key)
    board = transform_of(result.board, cell.board_key)
    return Placement(delivered if camera is None else camera, board, delivered)


def station_views(
    session: Session, folder: Path, result: StoredResult, placed: Placement
) -> list[StationView]:
    """Return all stations of the session in their order; raises nothing for damaged ones."""
    rows = {row.id: row for row in result.stations}
    return [
        _view(session, folder, station, rows.get(station.id, StationResult(station.id)), placed)
        for station in session.stations
    ]


def _view(
    session: Session, folder: Path, station: Station, row: StationResult, placed: Placement
) -> StationView:
    pose, points, problems = None, None, []
    try:
        pose = station_pose(session.cell, station)
    except StationbookError as error:
        problems.append(str(error))
    try:
        points = stored_points(session, folder, station)
    except StationbookError as error:
        problems.append(str(error))
    expected = None
    if points is not None and pose is not None:
        expected = _expected(session.cell, placed, pose, *points)
    seen = None if points is None else points[1]
    return StationView(station, row, pose, seen, expected, " ".join(problems) or None)


def _expected(
    cell: Cell, placed: Placement, pose: Array, ids: NDArray[np.int64], seen: Array
) -> Array | None:
    """Return the pixels (n, 2) of the points, the board turned as it fits the image best."""
    if placed.camera is None or placed.board is None:
        return None
    view = predicted_view(cell.mount, placed.camera, pose, placed.board)
    points = apply(view, cell.board.points())
    if (points[:, 2] <= 0).any():
        return None  # behind the camera: nothing could be seen there
    pixels = project(points, cell.camera)
    ways = [pixels[order] for order in _orders(cell.board, ids)]
    return min(ways, key=lambda way: float(np.square(way - seen).sum()))


def _orders(board: Board, ids: NDArray[np.int64]) -> list[NDArray[np.int64]]:
    """Return the ids as read, and as they would be with the board turned."""
    return [ids, *(turn.permutation[ids] for turn in symmetries(board))]


def residuals(views: list[StationView], key: str) -> Array:
    """Return one number of every station (n,), NaN where it is not known."""
    values = [getattr(view.row, key) for view in views]
    return np.array([np.nan if v is None else float(v) for v in values])


FEWEST = 3  # stations before which there is no number (Tsai & Lenz 1989)
RADIAN_MM = 1000.0  # mm; makes rad and mm comparable where rank is judged: a robot's reach
SCALE = np.tile([1 / RADIAN_MM] * 3 + [1.0] * 3, 2)
RANK = 1e-9  # [-] of the largest eigenvalue; double precision leaves a thousandth of that


@dataclass(frozen=True, slots=True)
class CoursePoint:
    """Standard uncertainties [mm] after the first ``count`` stations used; None: not known."""

    count: int
    work_volume_mm: float | None
    pick_mm: float | None


def course(problem: Problem, result: Result) -> tuple[CoursePoint, ...]:
    """Return what the first 3, 4, ... used stations tell, to first order around ``result``.

    Noise levels are those of the whole session, boards are taken as seen whole. Empty where
    nothing was solved.
    """
    if result.pick is None or result.noise is None or result.uncertainty.pick_mm is None:
        return ()
    used = {station.id for station in result.stations if station.used}
    poses = [seen.base_T_flange for seen in problem.observations if seen.id in used]
    if len(poses) < FEWEST:
        return ()
    information = np.cumsum(whole_information(problem, result, np.array(poses)), axis=0)
    information += known_beforehand(problem, result)
    points = []
    for count in range(FEWEST, len(poses) + 1):
        known = information[count - 1]
        u = uncertainty_after(known, result) if _shown(known[:12, :12]) else (None, None)
        points.append(CoursePoint(count, *u))
    return tuple(points)


def _shown(information: Array) -> bool:
    """Tell whether (12, 12) leaves no direction unknown."""
    values = np.linalg.eigvalsh(information * np.outer(SCALE, SCALE))
    return bool(values[0] >= RANK * values[-1])
