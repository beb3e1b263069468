"""How the uncertainty fell from station to station: was it worth going on?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..estimate.information import known_information, station_information, uncertainty_at
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

    Noise levels and systematic errors are those of the whole session, boards are taken as seen
    whole. Empty where nothing was solved.
    """
    if result.pick is None or result.noise is None or result.uncertainty.pick_mm is None:
        return ()
    used = {station.id for station in result.stations if station.used}
    poses = [seen.base_T_flange for seen in problem.observations if seen.id in used]
    if len(poses) < FEWEST:
        return ()
    information = np.cumsum(station_information(problem, result, np.array(poses)), axis=0)
    information += _measured_apart(known_information(result) - information[-1], information[-1])
    points = []
    for count in range(FEWEST, len(poses) + 1):
        covariance = _covariance(information[count - 1])
        if covariance is None:
            points.append(CoursePoint(count, None, None))
        else:
            u = uncertainty_at(covariance, result.pick, result)
            points.append(CoursePoint(count, *u))
    return tuple(points)


def _measured_apart(rest: Array, stations: Array) -> Array:
    """Return the part of ``rest`` (12, 12) about directions of which all stations tell nothing.

    That is what a measured height or a touched point tells about a four-axis robot.
    """
    values, vectors = np.linalg.eigh(_scaled(stations))
    blind = vectors[:, values < RANK * values[-1]]
    onto = blind @ blind.T
    return _scaled(onto @ _scaled(rest) @ onto, 1.0 / SCALE)


def _scaled(information: Array, scale: Array = SCALE) -> Array:
    return np.asarray(information * np.outer(scale, scale))


def _covariance(information: Array) -> Array | None:
    """Return the inverse (12, 12), or None where a direction is not known."""
    values, vectors = np.linalg.eigh(_scaled(information))
    if values[0] < RANK * values[-1]:
        return None
    return _scaled((vectors / values) @ vectors.T)
