"""Several cameras over one cell: each diagnosed alone, then all estimated together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..estimate.joint import Joint, apart, joined
from ..estimate.loosened import OF_BOARD, loosened
from ..estimate.problem import Problem, inaccurate
from ..estimate.result import Result, judged
from ..estimate.solver import Solution
from ..findings import Finding, finding
from ..frames import displacement
from .diagnose import Examined, examined, not_fitted
from .exchanged import exchanged
from .images import turned_back
from .scene import Texts

ARM = "robot.accuracy_mm"


@dataclass(frozen=True, slots=True, eq=False)
class SolvedTogether:
    """The result of each problem; ``joint`` the estimate behind those that ``members`` lists.

    ``joint`` is None where fewer than two cameras could be solved together.
    """

    results: tuple[Result, ...]
    joint: Joint | None = None
    members: tuple[int, ...] = ()


def diagnosed_together(problems: Sequence[Problem], texts: Sequence[Texts]) -> SolvedTogether:
    """Return the estimates of several cameras over one cell, the first camera's problem first.

    A camera that places the board elsewhere than the first is not joined, and its finding says so.
    Nor is one of which more is wrong than single stations: it would pull the others along.
    """
    alone = [examined(problem, typed) for problem, typed in zip(problems, texts, strict=True)]
    alone = _by_one_cell(problems, texts, alone)
    solved = [k for k, one in enumerate(alone) if one is not None]
    swapped = exchanged(texts, alone)
    alone = [swapped.get(k, one) for k, one in enumerate(alone)]
    for k in solved[1:]:
        alone[k] = _numbered_alike(alone[solved[0]], alone[k], texts[k])
    members = [k for k in solved if not _apart(alone[solved[0]], alone[k])]
    results = [
        not_fitted(problem, typed) if one is None else one.result()
        for problem, typed, one in zip(problems, texts, alone, strict=True)
    ]
    for k in set(solved) - {*members, *swapped}:
        said = _disagreement(problems[solved[0]], results[solved[0]], results[k])
        results[k] = judged(results[k], (said, *results[k].findings))
    members = [k for k in members if (one := alone[k]) is not None and one.holds]
    fits = [one for k in members if (one := alone[k]) is not None]
    if len(fits) < 2:
        return SolvedTogether(tuple(results))
    joint = joined([one.solution for one in fits])
    for k, one, found in zip(members, fits, joint.solutions, strict=True):
        results[k] = replace(one, solution=found).result()
    return SolvedTogether(tuple(results), joint, tuple(members))


def _by_one_cell(
    problems: Sequence[Problem], texts: Sequence[Texts], alone: Sequence[Examined | None]
) -> list[Examined | None]:
    """Return all with arm and board, which they share, as inexact as any camera shows them.

    What one tells with which more is wrong may come from that.
    """
    doubted = frozenset[str]().union(*(_doubted(one) for one in alone if one and one.holds))
    return [
        one
        if one is None or doubted <= _doubted(one)
        else examined(_as_inexact(problem, doubted), typed)
        for problem, typed, one in zip(problems, texts, alone, strict=True)
    ]


def _as_inexact(problem: Problem, doubted: frozenset[str]) -> Problem:
    """Return the problem with what is ``doubted`` of arm and board as inexact as is usual."""
    problem = inaccurate(problem) if ARM in doubted else problem
    return loosened(problem, doubted & {*OF_BOARD})


def _doubted(one: Examined) -> frozenset[str]:
    """Return what a camera's stations show to be told too exactly, of what all cameras share."""
    problem = one.solution.problem
    arm = [] if problem.told_accuracy_mm is None else [ARM]
    return frozenset([*arm, *(key for key, _ in problem.doubted if key in OF_BOARD)])


def _apart(first: Examined | None, other: Examined | None) -> bool:
    if first is None or other is None:
        return True
    return first is not other and apart(first.solution, other.solution)


def _numbered_alike(
    first: Examined | None, other: Examined | None, texts: Texts
) -> Examined | None:
    """Return ``other`` with a board that looks alike turned numbered as the first camera does."""
    if first is None or other is None or not apart(first.solution, other.solution):
        return other
    for turn in other.solution.gathered.turns[1:]:
        permutation = np.asarray(turn.permutation)
        again = examined(_renumbered(other.solution, permutation), texts)
        if again is not None and not apart(first.solution, again.solution):
            return again
    return other


def _renumbered(found: Solution, permutation: np.ndarray) -> Problem:
    """Return the problem with each station's turn undone and all points renumbered."""
    problem = turned_back(found, found.turn)
    observations = tuple(
        seen if seen.point_ids is None else replace(seen, point_ids=permutation[seen.point_ids])
        for seen in problem.observations
    )
    return replace(problem, observations=observations)


def _disagreement(problem: Problem, first: Result, other: Result) -> Finding:
    off = displacement(other.board, first.board)
    distance, angle = np.linalg.norm(off[3:]), np.degrees(np.linalg.norm(off[:3]))
    return finding(
        "cameras-disagree",
        other=problem.camera.name,
        distance_mm=distance,
        angle_deg=angle,
    )
