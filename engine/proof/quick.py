"""The quick re-calibration: a few new stations, and the board where an earlier session had it.

The board's transform of the earlier result, its covariance widened by how well the board comes back
to its mount, enters the estimate as a prior; three to five stations then do what a full job does
with eight or more. A board that sits elsewhere is not absorbed: the new stations are solved without
the prior, and that is said.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from ..arrays import Array
from ..estimate.gather import board_turns
from ..estimate.problem import ON_MOUNT, BoardPrior, Problem
from ..estimate.result import Result, judged
from ..findings import Finding, finding
from ..frames import displacement, skew
from ..tails import f_sf
from .assumed import FREE, mount_covariance, mount_notes, noise_freedom
from .compare import Movement, moved
from .recheck import OTHER_WAY_DEG, answered, both_free, movement_of, squared_size, without
from .update import Seen, seen_stations, updated

REMOUNTED = 1e-3  # [-] chance that a board on its mount is said to sit elsewhere


@dataclass(frozen=True, slots=True, eq=False)
class Quick:
    """The new result, whether the board's old place was used, and how far the camera moved.

    ``movement`` is that of the camera, as a recheck states it, where the board's old place was
    used and the camera is the same; else between the delivered transforms. None where nothing was
    solved.
    """

    result: Result
    trusted: bool
    movement: Movement | None


def board_prior(old: Result, problem: Problem, alone: Result) -> BoardPrior:
    """Return where the board is before any new station, from the earlier result.

    A board that looks the same after a turn may be numbered otherwise this time: the numbering is
    the one nearest to what the new stations say ``alone``.
    """
    covariance = old.joint_covariance[6:, 6:] + mount_covariance(problem.board)
    board = old.board
    if alone.solved:
        ways = old.board @ board_turns(problem.board)
        off = displacement(ways, alone.board)
        board = ways[int(np.argmin((off**2 / np.diag(covariance)).sum(axis=1)))]
        carry = np.eye(6)  # a turn about one origin moves the other
        carry[3:, :3] = -skew(board[:3, 3] - old.board[:3, 3])
        covariance = carry @ covariance @ carry.T
    return BoardPrior(ON_MOUNT, board, covariance)


def quick(
    old: Result,
    problem: Problem,
    origin: str,
    solve: Callable[[Problem], Result],
    *,
    spare: bool = False,
) -> Quick:
    """Return the new result of ``problem`` with the board's place from ``old``.

    ``origin`` names the earlier session in the findings; ``solve`` is the usual way to solve.
    ``spare``: another camera stands there now, with a lens of its own.
    """
    alone = solve(problem)
    prior = board_prior(old, problem, alone)
    if problem.board.height_mm is not None and len(board_turns(problem.board)) > 1:
        # Point 0 may be another one than at the earlier session, which lies lower or higher.
        board = replace(problem.board, height_mm=float(prior.board[2, 3]))
        alone = solve(replace(problem, board=board))
    if remounted(alone, prior):
        return _refused(old, alone, _elsewhere(displacement(alone.board, prior.board)))
    tied = solve(replace(problem, board_prior=prior))
    kept = None if spare else _used(problem, tied)
    seen = None if kept is None else seen_stations(old, kept)
    if kept is not None and (said := _speaks_against(old, kept, seen)) is not None:
        return _refused(old, alone, said)
    notes = [finding("board-prior", origin=origin), *mount_notes(problem.board)]
    result = judged(tied, (*tied.findings, *notes))
    movement = movement_since(old, result) if kept is None else _shown(old, kept, seen)
    return Quick(result, True, movement)


def remounted(alone: Result, prior: BoardPrior) -> bool:
    """Tell whether the new stations alone place the board where the mount cannot have it."""
    if not alone.solved:
        return False
    off = displacement(alone.board, prior.board)
    size = squared_size(off, alone.joint_covariance[6:, 6:] + prior.covariance)
    # F, not chi-square: a handful of stations knows its own noise badly.
    return f_sf(size, 6, noise_freedom(alone)) < REMOUNTED


def _speaks_against(old: Result, problem: Problem, seen: Seen | None) -> Finding | None:
    """Return what a recheck by these stations says against the board's old place, or None.

    A few stations by themselves know badly where the board is, and how much they scatter; against
    ``old``, with its noise, they know it well. The board may also have moved beside the camera.
    """
    answer = answered(old, problem, seen, None)
    first = answer.findings[0]
    if first.code in ("lens-changed", "board-changed"):
        return first
    if seen is None:
        return None
    mount = mount_covariance(problem.board)
    if answer.cause == "board":
        return _elsewhere(updated(old, seen, np.zeros((6, 6)), FREE + mount).slip)
    both = both_free(old, problem, seen)
    size = squared_size(both.slip, both.slip_covariance + mount)
    return _elsewhere(both.slip) if f_sf(size, 6, noise_freedom(old)) < REMOUNTED else None


def _elsewhere(xi: Array) -> Finding:
    """Return that the board sits ``xi`` (6,) from its old place on its mount."""
    distance, angle = np.linalg.norm(xi[3:]), np.degrees(np.linalg.norm(xi[:3]))
    variant = "other-way" if angle > OTHER_WAY_DEG else None
    return finding("board-remounted", variant, distance_mm=distance, angle_deg=angle)


def _refused(old: Result, alone: Result, said: Finding) -> Quick:
    """Return the result of the stations alone, not accepted for what is ``said``."""
    result = judged(alone, (said, *alone.findings))
    return Quick(result, False, movement_since(old, result))


def _used(problem: Problem, new: Result) -> Problem | None:
    """Return the problem with the stations used for ``new``; None where nothing was solved."""
    left_out = [station.id for station in new.stations if not station.used]
    return without(problem, left_out) if new.solved else None


def _shown(old: Result, problem: Problem, seen: Seen | None) -> Movement | None:
    """Return the movement that the stations show, as a recheck states it.

    What both results share, the board and the errors of arm and lens, takes no part in it.
    """
    if seen is None or old.pick is None:
        return None
    return movement_of(old, old.pick, updated(old, seen, FREE, mount_covariance(problem.board)))


def movement_since(old: Result, new: Result) -> Movement | None:
    """Return how far the delivered transform moved; the covariances count as independent."""
    if not new.solved or old.pick is None:
        return None
    return moved(new.mount, old.camera, new.camera, old.covariance + new.covariance, old.pick)
