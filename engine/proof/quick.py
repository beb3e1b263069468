"""Quick re-calibration: the board is on its old mount, so its old place is known beforehand.

Old stations are safer than new poses (reachable, known clear of fixtures at the time), and the
robot's systematic error is the same there as it was.

The board's transform of the earlier result, its covariance widened by how well the board comes back
to its mount, enters the estimate as a prior; three to five stations then do what a full job does
with eight or more. A board that clearly sits elsewhere is not absorbed: the new stations are solved
without the prior, and the two places of the board are compared.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import f

from ..errors import SolveError
from ..estimate.gather import board_turns
from ..estimate.information import station_information
from ..estimate.problem import BoardPrior, Problem
from ..estimate.result import Result, judged
from ..findings import finding
from ..frames import displacement, skew
from .compare import Movement, moved
from .recheck import FREE, mount_covariance, mount_notes, noise_freedom

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


REMOUNTED = 1e-3  # [-] chance that a board on its mount is said to sit elsewhere


@dataclass(frozen=True, slots=True, eq=False)
class Quick:
    """The new result, whether the board's old place was used, and how far the camera moved.

    ``movement`` is between the delivered transforms; None where nothing was solved.
    """

    result: Result
    trusted: bool
    movement: Movement | None


def board_prior(old: Result, problem: Problem, alone: Result | None = None) -> BoardPrior:
    """Return where the board is before any new station, from the earlier result.

    A board that looks the same after a turn may be numbered otherwise this time: the numbering is
    the one nearest to what the new stations say ``alone``.
    """
    covariance = old.joint_covariance[6:, 6:] + mount_covariance(problem.board)
    board = old.board
    if alone is not None and alone.solved:
        ways = old.board @ board_turns(problem.board)
        off = displacement(ways, alone.board)
        board = ways[int(np.argmin((off**2 / np.diag(covariance)).sum(axis=1)))]
        carry = np.eye(6)  # a turn about one origin moves the other
        carry[3:, :3] = -skew(board[:3, 3] - old.board[:3, 3])
        covariance = carry @ covariance @ carry.T
    return BoardPrior("place of the board's mount", board, covariance)


def quick(old: Result, problem: Problem, origin: str, solve: Callable[[Problem], Result]) -> Quick:
    """Return the new result of ``problem`` with the board's place from ``old``.

    ``origin`` names the earlier session in the findings; ``solve`` is the usual way to solve.
    """
    alone = solve(problem)
    prior = board_prior(old, problem, alone)
    if remounted(alone, prior):
        xi = displacement(alone.board, prior.board)
        distance, angle = np.linalg.norm(xi[3:]), np.degrees(np.linalg.norm(xi[:3]))
        said = finding("board-remounted", distance_mm=f"{distance:.2f}", angle_deg=f"{angle:.3f}")
        result = judged(alone, (said, *alone.findings))
        return Quick(result, False, movement_since(old, result))
    tied = solve(replace(problem, board_prior=prior))
    notes = [finding("board-prior", origin=origin), *mount_notes(problem.board)]
    result = judged(tied, (*tied.findings, *notes))
    return Quick(result, True, movement_since(old, result))


def remounted(alone: Result, prior: BoardPrior) -> bool:
    """Tell whether the new stations alone place the board where the mount cannot have it."""
    if not alone.solved:
        return False
    off = displacement(alone.board, prior.board)
    covariance = alone.joint_covariance[6:, 6:] + prior.covariance
    size = float(off @ np.linalg.solve(covariance, off)) / 6.0
    # F, not chi-square: a handful of stations knows its own noise badly.
    return bool(f.sf(size, 6, noise_freedom(alone)) < REMOUNTED)


def movement_since(old: Result, new: Result) -> Movement | None:
    """Return how far the delivered transform moved; the covariances count as independent."""
    if not new.solved or old.pick is None:
        return None
    return moved(new.mount, old.camera, new.camera, old.covariance + new.covariance, old.pick)
