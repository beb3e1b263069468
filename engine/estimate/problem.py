"""What is to be estimated, and from what: the estimator's only input."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from ..arrays import Array
from ..boards.pattern import Board
from ..camera.model import Camera, LensU
from ..camera.terms import Terms, terms
from ..cell.cell import EYE_TO_HAND, Cell, Locate, Mount, Tolerance, WorkVolume
from ..cell.stations import Observation
from ..errors import SolveError
from ..frames import apply, checked_transform, displacement, inverse
from ..pendant.settings import Pendant
from ..robots.model import Robot
from .model import point_rows


@dataclass(frozen=True, slots=True, eq=False)
class Constraint:
    """``axes`` · (transform · point) = ``value`` within ``u_mm``.

    ``on_camera``: whether the camera's or the board's transform carries ``point`` (3,) [mm].
    ``axes`` (k, 3) the measured directions, ``value`` (k,) [mm]. ``name`` for the message.
    """

    name: str
    on_camera: bool
    point: Array
    axes: Array
    value: Array
    u_mm: float

    def whitened(self, camera: Array, board: Array) -> tuple[Array, Array]:
        """Return residual (k,) and rows (k, 12) in standard deviations, at these transforms."""
        carrier = camera if self.on_camera else board
        residual = self.value - self.axes @ apply(carrier, self.point[None])[0]
        rows = np.zeros((len(self.value), 12))
        columns = slice(0, 6) if self.on_camera else slice(6, 12)
        rows[:, columns] = self.axes @ point_rows(carrier, self.point[None])[0]
        return residual / self.u_mm, rows / self.u_mm


@dataclass(frozen=True, slots=True, eq=False)
class BoardPrior:
    """The board's transform is known: ``board`` (4, 4) within ``covariance`` (6, 6), see `frames`.

    ``name`` for the message.
    """

    name: str
    board: Array
    covariance: Array

    def whitened(self, camera: Array, board: Array) -> tuple[Array, Array]:
        """Return residual (6,) and rows (6, 12) in standard deviations, at these transforms."""
        whiten = np.linalg.inv(np.linalg.cholesky(self.covariance))
        rows = np.concatenate([np.zeros((6, 6)), whiten], axis=1)
        return whiten @ displacement(self.board, board), rows


Tie = Constraint | BoardPrior


def constraint_rows(
    constraints: tuple[Tie, ...], camera: Array, board: Array
) -> Iterator[tuple[Array, Array]]:
    """Yield the whitened residual (k,) and rows (k, 12) of each constraint."""
    for tie in constraints:
        yield tie.whitened(camera, board)


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
    """Everything the estimate depends on. ``robot`` None: the arm's geometry is not known.

    ``robot_accuracy_mm`` is then what the robot is off, None: as assumed. ``locate`` says how parts
    are located: by the same lens data, or by true 3-D points; None: not said.
    """

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
    robot_accuracy_mm: float | None = None
    locate: Locate | None = None


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
        robot_accuracy_mm=cell.robot_accuracy_mm,
        locate=cell.locate,
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


EXACT = LensU(0.0, 0.0, 0.0)


def terms_of(problem: Problem) -> Terms:
    """Return what lens and board may be off by; nothing where no station shows pixels."""
    board, camera, points = problem.board, problem.camera, problem.board.points()
    if not any(seen.pixels is not None for seen in problem.observations):
        return terms(replace(camera, u=EXACT), points, 0.0, 0.0)
    return terms(camera, points, board.scale_u, board.bow_u_mm)


def constraints(problem: Problem) -> tuple[Tie, ...]:
    """Return the measured numbers of ``problem`` that tie its transforms."""
    known = height(problem) if problem.board_prior is None else (problem.board_prior,)
    return (*known, *touched_points(problem))


def height(problem: Problem) -> tuple[Constraint, ...]:
    """Return the constraint of ``board.height_mm``: z of point 0 in the board's carrier."""
    value = problem.board.height_mm
    if value is None:
        return ()
    return (
        Constraint(
            name="board.height_mm",
            on_camera=False,
            point=problem.board.points()[0],
            axes=np.array([[0.0, 0.0, 1.0]]),
            value=np.array([value]),
            u_mm=problem.board.height_u_mm,
        ),
    )


def touched_points(problem: Problem) -> tuple[Constraint, ...]:
    """Return one constraint per touched point: the camera's transform maps it where it was."""
    return tuple(_touched(problem, item) for item in problem.touched)


def _touched(problem: Problem, item: Touched) -> Constraint:
    goal = np.asarray(item.p_base, float)
    if problem.mount != EYE_TO_HAND:
        if item.base_T_flange is None:
            raise SolveError(
                "a touched point of an eye-in-hand camera needs the flange pose of its image",
                "Type the pose at which the camera looked at the point.",
            )
        goal = apply(inverse(item.base_T_flange), goal[None])[0]
    return Constraint("touched point", True, np.asarray(item.p_camera), np.eye(3), goal, item.u_mm)
