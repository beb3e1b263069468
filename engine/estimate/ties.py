"""Measured numbers that tie the transforms: a height, a touched point, a board that is known.

They give what the stations do not show; which direction that is follows from how the poses turn.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..arrays import Array
from ..boards.pattern import symmetries
from ..cell.mount import EYE_TO_HAND
from ..errors import SolveError
from ..frames import apply, inverse, rotation_angle
from ..robots.arms import is_level
from .problem import Constraint, Problem, Tie, Touched, terms_of

# [rad] stations that turn less than this against each other are shifts
PURE_SHIFT = np.radians(1.0)
ONE_AXIS = 0.05  # [-] spread of the turns across the main axis over that along it: tilts below 3°


@dataclass(frozen=True, slots=True)
class Motion:
    """How the stations turn: ``kind`` general, one axis or pure shift, and the axis in the base."""

    kind: str
    axis: tuple[float, float, float]


PAIRED = 150  # stations whose turns are compared in pairs; more change nothing


def motion(typed: Array) -> Motion:
    """Return how the flange poses (n, 4, 4) turn against each other."""
    n = len(typed)
    R = typed[np.unique(np.linspace(0, n - 1, min(n, PAIRED)).round().astype(int)), :3, :3]
    relative = R[:, None] @ np.swapaxes(R[None], -1, -2)
    skewed = (relative - np.swapaxes(relative, -1, -2)).reshape(-1, 3, 3)
    turns = np.stack([skewed[:, 2, 1], skewed[:, 0, 2], skewed[:, 1, 0]], axis=1) / 2
    sizes, axes = np.linalg.eigh(turns.T @ turns)
    main = axes[:, 2] * np.sign(axes[np.abs(axes[:, 2]).argmax(), 2])
    axis = (float(main[0]), float(main[1]), float(main[2]))
    if rotation_angle(relative.reshape(-1, 3, 3)).max() < PURE_SHIFT:
        return Motion("pure shift", axis)
    spread = np.sqrt(max(sizes[1], 0.0) / sizes[2])
    return Motion("one axis" if spread < ONE_AXIS else "general", axis)


def constraints(problem: Problem) -> tuple[Tie, ...]:
    """Return the measured numbers of ``problem`` that tie its transforms."""
    known = height(problem) if problem.board_prior is None else (problem.board_prior,)
    return (*known, *(_along(problem, item) for item in problem.touched))


HEIGHT, TOUCHED = "board.height_mm", "touched point"


def height(problem: Problem) -> tuple[Constraint, ...]:
    """Return the constraint of ``board.height_mm``: z of point 0 in the board's carrier.

    None for a board that looks the same after a turn before an arm that tilts, or once a point was
    touched: which of its points was measured is open, and the images or the touch show the height.
    """
    value, robot = problem.board.height_mm, problem.robot
    tilts = robot is not None and not is_level(robot)
    if value is None or ((tilts or problem.touched) and symmetries(problem.board)):
        return ()
    return (
        Constraint(
            name=HEIGHT,
            on_camera=False,
            point=problem.board.points()[0],
            axes=np.array([[0.0, 0.0, 1.0]]),
            value=np.array([value]),
            u_mm=problem.board.height_u_mm,
        ),
    )


def _along(problem: Problem, item: Touched) -> Constraint:
    """Return the constraint of a touched point along the direction that the stations leave open.

    Of poses that turn about one axis only this is that axis; what the touch says across it is a
    check (`across`), and no wrong pitch or lens is pulled straight by it.
    """
    whole, axis = touched(problem, item), open_axis(problem)
    if axis is None:
        return whole
    rows = axis[None] @ _turned(problem, item)
    return replace(whole, axes=rows, value=rows @ whole.value)


def across(problem: Problem, item: Touched) -> Constraint | None:
    """Return what a touched point says across the open direction; None where that is none."""
    axis = open_axis(problem)
    if axis is None:
        return None
    whole = touched(problem, item)
    rows = np.linalg.svd(axis[None])[2][1:] @ _turned(problem, item)
    return replace(whole, axes=rows, value=rows @ whole.value)


def _turned(problem: Problem, item: Touched) -> Array:
    """Return the rotation (3, 3) from the transform's first frame to the base."""
    if problem.mount == EYE_TO_HAND or item.base_T_flange is None:
        return np.eye(3)
    return np.asarray(item.base_T_flange[:3, :3])


def open_axis(problem: Problem) -> Array | None:
    """Return the axis (3,), base, along which the stations leave the camera's place open."""
    if not problem.observations:
        return None
    moved = motion(np.array([seen.base_T_flange for seen in problem.observations]))
    if is_level(problem.robot) and moved.kind != "pure shift":
        return np.array([0.0, 0.0, 1.0])
    return np.array(moved.axis) if moved.kind == "one axis" else None


def touched(problem: Problem, item: Touched) -> Constraint:
    """Return the constraint of a touched point: the camera's transform maps it where it was."""
    goal = np.asarray(item.p_base, float)
    if problem.mount != EYE_TO_HAND:
        if item.base_T_flange is None:
            raise SolveError(
                "a touched point of an eye-in-hand camera needs the flange pose of its image",
                "Type the pose at which the camera looked at the point.",
            )
        goal = apply(inverse(item.base_T_flange), goal[None])[0]
    moves = None if item.by_terms is None else item.by_terms[:, terms_of(problem).kept]
    point = np.asarray(item.p_camera)
    return Constraint(TOUCHED, True, point, np.eye(3), goal, item.u_mm, moves)
