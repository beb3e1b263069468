"""Whether measured numbers agree with the stations and with each other, before they tie a fit.

In a fit that they tie, numbers that contradict each other or the stations pull all of it, and what
they pull is taken for an arm, a pitch or a stop that is off.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np

from ..arrays import Array
from ..findings import Finding, finding
from ..tails import chi2_sf
from .fit import Fit, but_the_arm
from .problem import Constraint, Problem, Touched
from .solver import fitted, without_ties
from .systematic import systematic
from .ties import HEIGHT, across, constraints, height, open_axis, touched

BESIDE = 1e-3  # [-] chance that numbers that are right are said to disagree


class Free:
    """What the stations tell without measured numbers: a fit, with which numbers are compared."""

    def __init__(self, found: Fit, arm: int) -> None:
        told = but_the_arm(len(found.covariance), arm)
        self.state, self.terms = found.state, found.state.errors[arm:]
        self.covariance = found.covariance[np.ix_(told, told)]
        self.least_known = np.linalg.eigh(self.covariance)[1][:, -1]

    def off(self, tie: Constraint) -> tuple[Array, Array]:
        """Return how far a number is from what the stations say (k,) [mm], and the rows of that."""
        off, rows = tie.whitened(self.state.camera, self.state.board, self.terms)
        return off * tie.u_mm, rows * tie.u_mm

    def spread(self, tie: Constraint) -> Array:
        """Return the covariance (k, k) [mm²] of `off`."""
        off, rows = self.off(tie)
        return np.asarray(rows @ self.covariance @ rows.T + tie.u_mm**2 * np.eye(len(off)))

    def size(self, tie: Constraint) -> float:
        """Return the squared size of `off` by its covariance."""
        off = self.off(tie)[0]
        return float(off @ np.linalg.solve(self.spread(tie), off))


def settled(problem: Problem) -> Problem:
    """Return the problem with the measured numbers that agree; ``apart`` says what does not.

    A touch on a board that looks the same turned is read as the stations agree with best. A height
    or a touch that the stations contradict is left out; where they leave one direction open, so are
    touches that contradict the height or the first touch along it.
    """
    leaves_open = open_axis(problem) is not None
    known = height(problem)
    if problem.board_prior is not None or not (problem.touched or (known and not leaves_open)):
        return problem
    free = _free(problem, leaves_open)
    if free is None:
        return problem
    read = tuple(_read(problem, item, free) for item in problem.touched)
    problem = replace(problem, touched=read)
    return _agreeing(problem, free) if leaves_open else _shown(problem, free)


def _free(problem: Problem, leaves_open: bool) -> Free | None:
    """Return what the stations alone tell; along an open direction one number pulls nothing."""
    board = replace(problem.board, height_mm=None)
    if leaves_open:
        one = replace(problem, touched=() if height(problem) else problem.touched[:1])
    else:
        one = replace(problem, touched=(), board=board)
    found = fitted(one)
    return None if found is None else Free(without_ties(found), len(found.systematic.sd))


def _read(problem: Problem, item: Touched, free: Free) -> Touched:
    """Return a touch as the stations agree with best, of those that a turned board allows."""
    ways = (item, *item.turned)
    best = min(ways, key=lambda way: free.size(across(problem, way) or touched(problem, way)))
    return replace(best, turned=())


def _agreeing(problem: Problem, free: Free) -> Problem:
    """Return the problem without touches where two numbers differ along the open direction."""
    ties = [tie for tie in constraints(problem) if isinstance(tie, Constraint)]
    touch = "the touched point" if len(problem.touched) == 1 else "touched point {}"
    first_touch = len(ties) - len(problem.touched)
    names = [HEIGHT] * first_touch + [touch.format(k + 1) for k in range(len(problem.touched))]
    pairs, said = list(combinations(range(len(ties)), 2)), list[tuple[float, Finding]]()
    for i, j in pairs:
        (first, first_rows), (other, other_rows) = free.off(ties[i]), free.off(ties[j])
        # of the open direction both tell alike, or with opposite signs: a flange may point down
        share = float((first_rows @ free.least_known / (other_rows @ free.least_known))[0])
        distance, rows = float((first - share * other)[0]), (first_rows - share * other_rows)[0]
        variance = float(rows @ free.covariance @ rows) + ties[i].u_mm ** 2
        variance += (share * ties[j].u_mm) ** 2
        size = distance**2 / variance
        if chi2_sf(size, 1) < BESIDE / len(pairs):
            item = finding(
                "number-disagrees",
                "each-other",
                first=names[i],
                second=names[j],
                distance=abs(distance),
                expanded=2.0 * variance**0.5,
            )
            said.append((size, item))
    if not said:
        return problem
    kept = problem.touched[: 1 - first_touch]
    return replace(problem, touched=kept, apart=(max(said, key=lambda pair: pair[0])[1],))


def _shown(problem: Problem, free: Free) -> Problem:
    """Return the problem without numbers that differ from what the stations show themselves."""
    kept, said = list[Touched](), list[Finding]()
    for touch in problem.touched:
        tie = touched(problem, touch)
        if chi2_sf(free.size(tie), 3) >= BESIDE:
            kept.append(touch)
            continue
        distance, U = float(np.linalg.norm(free.off(tie)[0])), _expanded(free.spread(tie))
        said.append(finding("number-disagrees", distance=distance, expanded=U))
    board = problem.board
    for tie in height(problem):
        arm = systematic(problem.robot, problem.robot_accuracy_mm).accuracy_mm
        off, variance = float(free.off(tie)[0][0]), free.spread(tie) + arm**2
        if chi2_sf(off**2 / float(variance[0, 0]), 1) < BESIDE:
            item = finding(
                "number-disagrees",
                "height",
                typed=f"{tie.value[0]:g}",
                suggested=f"{tie.value[0] - off:.1f}",
                expanded=_expanded(variance - tie.u_mm**2),
            )
            said.append(item)
            board = replace(board, height_mm=None)
    return replace(problem, touched=tuple(kept), board=board, apart=tuple(said))


def _expanded(covariance: Array) -> float:
    return 2.0 * float(np.sqrt(np.trace(covariance)))
