"""What each station looks like from all the others, and which stations do not belong.

With V_i the covariance of station i's residual r_i and S_i = H_i G H_iᵀ, the residual against a fit
without station i is V_i (V_i − S_i)⁻¹ r_i, and its squared size r_iᵀ (V_i − S_i)⁻¹ r_i (the
deletion formula of least squares; Baarda's w-test for a whole station). No refit is needed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import f as f_distribution

from ..frames import Array
from .fit import Fit, State, Stations, fit, linear_system
from .noise import Noise, NoisePrior
from .result import unknown

SIGNIFICANCE = (
    1e-3  # [-] chance that a clean session loses a station; 1 % errors are allowed in all
)
TAIL = 4.0  # [-] degrees of freedom of the t weights: a bad station weighs ever less
ROUNDS = 10  # rounds of weighting; 4 to 6 settle
STEPS = 3  # steps of the fit in each round: its end moves with the weights anyway
SETTLED = 0.02  # [-] largest change of a weight that no longer matters
NOISE_SHARE = 0.75  # [-] of the degrees of freedom: turns and positions have a noise level each
LEAST_LEFT = 4  # stations that must remain: with three, any one fits
MOST_BAD = 1 / 3  # [-] share of stations that may be bad; above, not they but the model is wrong
LEAST_WEIGHT = 1e-9  # [-] weight of a station left out: its own information is then nothing
MEDIAN_SIZE = 5.35  # [-] median of chi-square with 6 degrees of freedom


@dataclass(frozen=True, slots=True, eq=False)
class LeftOut:
    """Residuals (n, 6) of each station against a fit without it, and their squared sizes (n,)."""

    residual: Array
    squared_size: Array
    degrees: float

    def mean_square(self) -> Array:
        """Return squared sizes over their 6 degrees of freedom (n,)."""
        return np.asarray(self.squared_size / 6.0)


def left_out(stations: Stations, found: Fit, weights: Array) -> LeftOut:
    """Return each station's residual against the others.

    ``weights`` (n,) are what the stations had in ``found``: 1 used, 0 not, or between.
    """
    system = linear_system(stations, found.state)
    V = system.covariance(found.noise)
    S = system.rows @ found.covariance @ np.swapaxes(system.rows, 1, 2)
    fitted = V / np.maximum(weights, LEAST_WEIGHT)[:, None, None]
    apart = np.linalg.inv(fitted - S)
    residual = fitted @ apart @ system.residual[..., None]
    expected = V + S + S @ apart @ S
    size = (np.swapaxes(residual, 1, 2) @ np.linalg.solve(expected, residual))[:, 0, 0]
    degrees = 6.0 * float(weights.sum()) - 12.0 - _learnt(stations, found)
    return LeftOut(residual[..., 0], np.maximum(size, 0.0), max(NOISE_SHARE * degrees, 2.0))


def robust_fit(
    stations: Stations, start: State, prior: NoisePrior
) -> tuple[Fit, NDArray[np.bool_]]:
    """Return the fit of the stations that belong together, and which they are (n,).

    First all stations with weights (TAIL + 6) / (TAIL + squared size), which a bad one cannot win
    (t distribution; Lange, Little & Taylor 1989). Then plain restricted likelihood without the
    third that fits worst, to which stations come back that the F distribution explains, until the
    choice stands (forward search; Atkinson & Riani 2000).
    """
    n = len(stations.typed)
    everyone = np.ones(n, bool)
    spare = min(int(MOST_BAD * n), n - LEAST_LEFT)
    if spare < 1:
        return fit(stations, start, prior), everyone
    found, sizes = _weighted(stations, start, prior)
    used = everyone.copy()
    used[np.argsort(sizes)[n - spare :]] = False
    while True:
        found = fit(stations.take(used), found.state, prior, noise=found.noise)
        test = left_out(stations, found, used.astype(float))
        again = used | (test.mean_square() < _limit(test.degrees, n))
        if unknown(found.covariance[:6, :6]):
            again = everyone  # without these stations nothing would be known: they cannot be judged
        if (again == used).all():
            return found, used
        used = again


def _weighted(stations: Stations, start: State, prior: NoisePrior) -> tuple[Fit, Array]:
    """Return the weighted fit and the stations' squared sizes against it."""
    weights = _first_weights(stations, start, prior)
    noise: Noise | None = None
    for _ in range(ROUNDS):
        found = fit(stations, start, prior, noise=noise, weights=weights, most=STEPS)
        start, noise = found.state, found.noise
        sizes = left_out(stations, found, weights).squared_size
        updated = (TAIL + 6.0) / (TAIL + sizes)
        moved, weights = float(np.abs(updated - weights).max()), updated
        if moved < SETTLED:
            break
    return found, sizes


def _first_weights(stations: Stations, start: State, prior: NoisePrior) -> Array:
    """Return weights from the start, with the noise scaled so that the median size is usual."""
    system = linear_system(stations, start)
    noise = Noise(2.0 * np.log(np.array(prior.median)), 0.0, prior.floor)
    V = system.covariance(noise)
    r = system.residual[..., None]
    size = (np.swapaxes(r, 1, 2) @ np.linalg.solve(V, r))[:, 0, 0]
    size = size * MEDIAN_SIZE / max(float(np.median(size)), MEDIAN_SIZE)
    return np.asarray((TAIL + 6.0) / (TAIL + size))


def _learnt(stations: Stations, found: Fit) -> float:
    """Return how many systematic errors the data have paid for: trace of 1 − posterior / prior."""
    prior = stations.systematic_sd**2 * np.exp(found.noise.log_scale)
    return float((1.0 - np.diag(found.covariance)[12:] / prior).sum())


def _limit(degrees: float, n: int) -> float:
    return float(f_distribution.isf(SIGNIFICANCE / n, 6.0, degrees))
