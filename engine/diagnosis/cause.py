"""One competing explanation of a session, and what follows from it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..estimate.problem import Problem
from ..estimate.solver import Solution
from ..findings import Finding
from ..frames import Array
from .sane import sane_solution
from .scene import LOG_ANYWHERE, Scene, Texts, evidence

OUTLIER_SHARE = float(np.log(1 / 300))  # stations that fit nothing, common practice, no source
SLIP_SHARE = float(np.log(1 / 100))  # stations with a typing slip, common practice, no source


@dataclass(frozen=True, slots=True, eq=False)
class Cause:
    """A cause with its weight.

    ``weight``: log of how probable the data and the cause are together. ``findings`` says what it
    is; ``problem`` and ``texts`` are the session with the cause put right, to look for a second
    one; ``set_aside`` the stations that must not be used until the operator has corrected them.
    ``kept`` whether the correction may stay (a board's turn). ``last``: nothing can be told beyond.
    ``found`` the fit of ``problem`` where it was made already.
    """

    weight: float
    findings: tuple[Finding, ...]
    problem: Problem
    texts: Texts
    set_aside: frozenset[int] = frozenset()
    kept: bool = False
    last: bool = False
    found: Solution | None = None


def weight_of(found: Solution) -> float:
    """Return the weight of a fit without any cause: stations left out count as fitting nothing."""
    weight = evidence(found.stations, found.used, found.fit, found.prior)
    return weight + OUTLIER_SHARE * float((~found.used).sum())


def solved_weight(problem: Problem) -> tuple[Solution | None, float]:
    """Return the fit of a problem and its weight; −∞ where it cannot be solved."""
    found = sane_solution(problem)
    return found, -np.inf if found is None else weight_of(found)


def apart_weight(found: Solution, dof: Array) -> float:
    """Return what stations outside a problem add to its weight: they fit nothing.

    ``dof`` (k,) of their images, whose pixels scatter as all others do.
    """
    pixels = -0.5 * float(dof.sum()) * (float(found.fit.noise.log_variance[0]) + 1.0)
    return pixels + (LOG_ANYWHERE + OUTLIER_SHARE) * len(dof)


def with_pose(
    scene: Scene, row: int, pose: Array, fields: tuple[str, ...]
) -> tuple[Problem, Texts]:
    """Return the session with another typed pose at one station."""
    problem, station = scene.found.problem, scene.ids[row]
    observations = tuple(
        replace(seen, base_T_flange=pose, joints=None) if seen.id == station else seen
        for seen in problem.observations
    )
    texts = texts_of(scene)
    texts[station] = fields
    return replace(problem, observations=observations), texts


def texts_of(scene: Scene) -> Texts:
    """Return the texts of all stations."""
    return dict(zip(scene.ids, scene.fields, strict=True))
