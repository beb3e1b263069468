"""How the uncertainty fell from station to station: was it worth going on?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..estimate.information import known_beforehand, uncertainty_after, whole_information
from ..estimate.problem import Problem
from ..estimate.result import Result

Array = NDArray[np.float64]

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
