"""Which stations of an earlier session to visit again: the robot has stood there before.

Old stations are safer than new poses (reachable, known clear of fixtures at the time), and the
robot's systematic error is the same there as it was.
"""

from __future__ import annotations

import numpy as np

from ..errors import SolveError
from ..estimate.information import station_information
from ..estimate.problem import Problem
from ..estimate.result import Result
from .recheck import FREE, mount_covariance

RECHECK_COUNT = 3  # stations that tell the camera's movement from the board's


def stations_to_revisit(result: Result, problem: Problem, count: int) -> list[int]:
    """Return ids of up to ``count`` used stations, best first.

    Each next one cuts the uncertainty of a movement at the work volume the most, the board being
    back on its mount. Raises SolveError where the earlier session is not solved.
    """
    if result.pick is None:
        raise SolveError("the earlier session gives no result", "Do the full job.")
    used = {station.id for station in result.stations if station.used}
    offered = [seen for seen in problem.observations if seen.id in used]
    flanges = np.array([seen.base_T_flange for seen in offered])
    gains = station_information(problem, result, flanges)
    known = np.zeros((12, 12))
    known[:6, :6] = np.linalg.inv(FREE)
    known[6:, 6:] = np.linalg.inv(mount_covariance(problem.board))
    chosen: list[int] = []
    while len(chosen) < min(count, len(offered)):
        left = [k for k in range(len(offered)) if k not in chosen]
        after = np.linalg.inv(known + gains[left])[:, :6, :6]
        best = left[int(np.argmin([result.pick.work_volume_mm(C) for C in after]))]
        known = known + gains[best]
        chosen.append(best)
    return [offered[k].id for k in chosen]
