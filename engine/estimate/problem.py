"""What is to be estimated, and from what: the estimator's only input."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..boards.pattern import Board
from ..camera.model import Camera
from ..errors import SolveError
from ..frames import Array, checked_transform
from ..pendant.settings import Pendant
from ..robots.model import Robot
from ..sessions.cell import Cell, Mount, Tolerance, WorkVolume
from ..sessions.observations import Observation
from .constraints import BoardPrior

TOUCH_U_MM = 0.3  # mm; pointing a tip at a board point by hand, common practice, no source


@dataclass(frozen=True, slots=True, eq=False)
class Touched:
    """One touched point that the camera saw too.

    ``p_camera`` (3,) [mm] where the camera saw it; ``p_base`` (3,) [mm] where the robot touched it;
    ``base_T_flange`` (4, 4) the flange when the camera looked (eye-in-hand only); ``u_mm`` the
    standard uncertainty of the touch on each axis.
    """

    p_camera: Array
    p_base: Array
    base_T_flange: Array | None = None
    u_mm: float = TOUCH_U_MM


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """Everything the estimate depends on. ``robot`` None: the arm's geometry is not known."""

    mount: Mount
    board: Board
    camera: Camera
    robot: Robot | None
    pendant: Pendant
    observations: tuple[Observation, ...]
    work_volume: WorkVolume
    tolerance: Tolerance
    touched: tuple[Touched, ...] = ()
    board_prior: BoardPrior | None = None  # takes the place of board.height_mm


def problem_from(cell: Cell, observations: list[Observation] | tuple[Observation, ...]) -> Problem:
    """Return the problem of ``observations`` made in ``cell``.

    Raises SolveError for a flange pose that is no rigid transform, a point id that the board does
    not have, or pixels that are not finite or do not match their ids.
    """
    for seen in observations:
        _checked(seen, cell.board.count)
    return Problem(
        mount=cell.mount,
        board=cell.board,
        camera=cell.camera,
        robot=cell.robot,
        pendant=cell.pendant,
        observations=tuple(observations),
        work_volume=cell.work_volume,
        tolerance=cell.tolerance,
    )


def _checked(seen: Observation, count: int) -> None:
    checked_transform(seen.base_T_flange, f"station {seen.id}: flange pose")
    if seen.camera_T_board is not None:
        checked_transform(seen.camera_T_board, f"station {seen.id}: board_pose")
    if seen.point_ids is None or seen.pixels is None:
        return
    ids, pixels = np.asarray(seen.point_ids), np.asarray(seen.pixels)
    if pixels.shape != (len(ids), 2) or not np.isfinite(pixels).all():
        raise SolveError(f"station {seen.id}: pixels do not match the {len(ids)} point ids")
    wrong = ids[(ids < 0) | (ids >= count)]
    if len(wrong):
        raise SolveError(
            f"station {seen.id}: point id {wrong[0]} does not exist, the board has {count} points",
            "Check columns and rows of the board in the cell.",
        )
