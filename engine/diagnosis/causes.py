"""One competing explanation of a session, and how probable the data are under it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..estimate.fit import SCALE_SPREAD, Fit, Stations, linear_system
from ..estimate.problem import NoisePrior, Problem
from ..estimate.solver import Solution, fitted
from ..findings import Finding
from .scene import Scene, Texts

# A stop that is merely bad: how common that is, and how many times the usual scatter it is off
# (a backlash, a stop typed before the arm stood still), common practice, no source.
BAD_SHARE, BAD_FACTOR = 1 / 30, 8.0
# A station that fits nothing: how common that is (common practice, no source), and the uniform
# density of where it may lie: any rotation, any place of a cell.
OUTLIER_SHARE, ANYWHERE_RAD, ANYWHERE_MM = 1 / 300, 2.0 * np.pi, 1000.0
LOG_ANYWHERE = float(np.log(OUTLIER_SHARE) - 3.0 * np.log(ANYWHERE_RAD * ANYWHERE_MM))
LOG_2PI = float(np.log(2.0 * np.pi))

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
    """Return the weight of a fit without any cause."""
    return evidence(found.stations, found.used, found.fit, found.prior)


def solved_weight(problem: Problem) -> tuple[Solution | None, float]:
    """Return the fit of a problem and its weight; −∞ where it cannot be solved."""
    found = fitted(problem)
    return found, -np.inf if found is None else weight_of(found)


def apart_weight(found: Solution, dof: Array) -> float:
    """Return what stations outside a problem add to its weight: they fit nothing.

    ``dof`` (k,) of their images, whose pixels scatter as all others do.
    """
    pixels = -0.5 * float(dof.sum()) * (float(found.fit.noise.log_variance[0]) + 1.0)
    return pixels + LOG_ANYWHERE * len(dof)


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


def evidence(stations: Stations, used: NDArray[np.bool_], fit: Fit, prior: NoisePrior) -> float:
    """Return the logarithm of how probable the data are under a fit, unknowns integrated out.

    Restricted likelihood of the residuals at the most likely noise levels (Harville 1977), the
    pixels' own residuals, the priors of noise and systematic errors; a station left out is a bad
    stop, or lies anywhere. Only differences between fits of the same images mean something.
    """
    system = linear_system(stations.take(used), fit.state)
    V = system.covariance(fit.noise)
    r = system.residual
    size = np.einsum("ni,ni->", r, np.linalg.solve(V, r[..., None])[..., 0])
    total = -0.5 * (float(np.linalg.slogdet(V)[1].sum()) + float(size) + r.size * LOG_2PI)
    total += 0.5 * float(np.linalg.slogdet(fit.covariance)[1]) + 6.0 * LOG_2PI
    total += apart(stations.take(~used), fit)
    return total + _priors(stations, fit, prior) + _pixels(stations, fit)


def apart(stations: Stations, fit: Fit) -> float:
    """Return the log density of stations left out: stops that are merely bad, or lie anywhere."""
    if not len(stations.typed):
        return 0.0
    system = linear_system(stations, fit.state)
    A, H = system.by_flange, system.rows
    worse = (BAD_FACTOR**2 - 1.0) * A @ fit.noise.robot_covariance() @ np.swapaxes(A, 1, 2)
    V = system.covariance(fit.noise) + worse + H @ fit.covariance @ np.swapaxes(H, 1, 2)
    r = system.residual
    size = np.einsum("ni,ni->n", r, np.linalg.solve(V, r[..., None])[..., 0])
    bad = -0.5 * (np.linalg.slogdet(V)[1] + size + 6.0 * LOG_2PI) + np.log(BAD_SHARE)
    return float(np.logaddexp(bad, LOG_ANYWHERE).sum())


def _priors(stations: Stations, fit: Fit, prior: NoisePrior) -> float:
    offset = fit.noise.log_variance - 2.0 * np.log(np.array(prior.median))
    total = -0.5 * float((offset**2 / (2.0 * np.array(prior.spread)) ** 2).sum())
    scaled = stations.systematic_sd * np.exp(0.5 * fit.noise.log_scale)
    sd = np.concatenate([scaled, stations.terms_sd])
    total -= 0.5 * float(((fit.state.errors / sd) ** 2).sum()) + float(np.log(sd).sum())
    if len(scaled):
        total -= 0.5 * (fit.noise.log_scale / (2.0 * SCALE_SPREAD)) ** 2
    return total


def _pixels(stations: Stations, fit: Fit) -> float:
    log_variance = float(fit.noise.log_variance[0])
    terms = fit.state.errors[len(stations.systematic_sd) :]
    rest = stations.views.rest(terms) / float(np.exp(log_variance))
    return -0.5 * (float(stations.dof.sum()) * log_variance + rest)
