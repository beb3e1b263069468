"""The measured numbers of a problem as constraints on its transforms."""

from __future__ import annotations

import numpy as np

from ..errors import SolveError
from ..frames import apply, inverse
from ..sessions.cell import EYE_TO_HAND
from .constraints import HEIGHT_U_MM, Constraint
from .problem import Problem, Touched


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
            u_mm=HEIGHT_U_MM,
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
