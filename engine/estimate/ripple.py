"""How far gears ripple that run unevenly finer than the field: stops that scatter as joints do.

A wave in a joint that is shorter than the way between stations is another error at each of them, so
that it averages out of the transform as a stop's own scatter does; but it is the arm's, and comes
back where the camera looks and where the arm picks. It tells itself from that scatter by its shape:
a joint that is off turns and shifts the flange by one and the same amount, about its axis.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..arrays import Array
from .fit import Normal, System, variance_terms
from .problem import STEP_LIMIT, Noise, NoisePrior, prior_score
from .solver import Solution

# [-] of accuracy_mm: sizes of ripple at the stations, RMS; each a half larger than the one before
SHARES = np.array([0.0, 0.1, 0.15, 0.22, 0.33, 0.5, 0.75, 1.1, 1.6])
# As likely beforehand as Cauchy's density makes them, half of them below this share (common
# practice, no source): few arms ripple much, and none is ruled out.
HALF_BELOW = 0.1
CHANCE = np.gradient(SHARES) / (1.0 + (SHARES / HALF_BELOW) ** 2)
# [-] of the variance by which stops turn beyond the usual: the arm's, where it is not described,
# and not the stop's own. From simulation (docs/method.md).
OF_THE_ARM = 0.5
STEPS = 2  # of the noise levels at each size, from those at the one before
HOPELESS = 20.0  # [-] in log likelihood behind the best: larger ones are then no likelier


@dataclass(frozen=True, slots=True, eq=False)
class Rippling(System):
    """Stations whose joints are off as well, new at each: ``ripple`` (n, 6, 6) is what it adds."""

    ripple: Array

    def covariance(self, noise: Noise) -> Array:
        """Return V (n, 6, 6): what each residual varies by, the transforms given."""
        return System.covariance(self, noise) + self.ripple


def ripple(found: Solution) -> float:
    """Return how far each joint ripples [rad]: RMS of the sizes, as likely as they make the stops.

    By restricted likelihood, the noise of the stops at its best for each size.
    """
    model, stations = found.systematic, found.stations.take(found.used)
    joints = stations.systematic[:, :, model.of_joints]
    if not joints.shape[2] or found.fit.unknown:
        return 0.0
    system, fit = found.system.take(found.used), found.fit
    off = system.by_flange @ joints
    added = off @ np.swapaxes(off, 1, 2)
    unit = model.accuracy_mm / np.sqrt((joints[:, 3:] ** 2).sum(axis=(1, 2)).mean())
    levels, logs = fit.noise, np.full(len(SHARES), -np.inf)
    for row, size in enumerate(SHARES * unit):
        seen = Rippling(
            system.residual, system.rows, system.by_flange, system.view_factor, size**2 * added
        )
        for _ in range(STEPS):
            normal = Normal.of(stations, fit.state, seen, levels, None, fit.state)
            score, information = variance_terms(seen, normal, levels, None, level=found.prior.level)
            slope, certainty = prior_score(levels, found.prior, np.diag(information))
            curvature = (information + np.diag(certainty))[1:, 1:]
            move = np.linalg.solve(curvature, (score + slope)[1:])
            move = np.clip(move, -STEP_LIMIT, STEP_LIMIT)
            levels = replace(levels, log_variance=levels.log_variance + np.array([0.0, *move]))
        normal = Normal.of(stations, fit.state, seen, levels, None, fit.state)
        logs[row] = _restricted(seen, normal, levels, found.prior)
        if logs[row] < logs.max() - HOPELESS:
            break
    weight = CHANCE * np.exp(logs - logs.max())
    return float(unit * np.sqrt(weight @ SHARES**2 / weight.sum()))


def turning(found: Solution) -> float:
    """Return how much an arm that is not described turns its flange anew at each stop [rad], RMS.

    What its stops turn beyond three times the repeatability, in part: an arm's own errors, which
    differ from posture to posture, look so.
    """
    if found.problem.robot is not None:
        return 0.0
    beyond = max(found.fit.noise.rotation**2 - found.prior.median[1] ** 2, 0.0)
    return float(np.sqrt(3.0 * OF_THE_ARM * beyond))


def _restricted(seen: System, normal: Normal, noise: Noise, prior: NoisePrior) -> float:
    """Return the restricted log likelihood with the noise levels' prior, but for a constant."""
    r, step = seen.residual, normal.step
    square = float(np.einsum("ni,nij,nj->", r, normal.V_inverse, r))
    square -= float(step @ np.linalg.solve(normal.G, step))
    size = -np.linalg.slogdet(normal.V_inverse)[1].sum() - np.linalg.slogdet(normal.G)[1]
    offset = noise.log_variance - 2.0 * np.log(np.array(prior.median))
    beforehand = ((offset / (2.0 * np.array(prior.spread)))[1:] ** 2).sum()
    return -0.5 * float(square + size + beforehand)
