"""From a problem to its solution: stations that do not belong are found and left out.

With V_i the covariance of station i's residual r_i and S_i = H_i G H_iᵀ, the residual against a fit
without station i is V_i (V_i − S_i)⁻¹ r_i, and its squared size r_iᵀ (V_i − S_i)⁻¹ r_i (the
deletion formula of least squares; Baarda's w-test for a whole station). No refit is needed.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..camera.lens import Terms
from ..camera.views import Views, residuals
from ..frames import displaced
from ..tails import f_isf
from .fit import Fit, State, Stations, System, beforehand, fit, linear_system
from .gather import LEAST_PIXEL_PX, Gathered, arm_errors, gather, stations_of
from .problem import (
    NOISE_FACTOR,
    NoisePrior,
    Problem,
    noise_prior,
    predicted_view,
    starting_noise,
    terms_of,
)
from .start import SCALE_MM, Beginning, begin, begin_from_images
from .systematic import Systematic, systematic
from .ties import constraints

SIGNIFICANCE = 1e-3  # [-] chance that a clean session loses a station; 1 % of errors are allowed
TAIL = 4.0  # [-] degrees of freedom of the t weights: a bad station weighs ever less
ROUNDS = 10  # rounds of weighting; 4 to 6 settle
STEPS = 3  # steps of the fit in each round: its end moves with the weights anyway
WEIGHTS_SETTLED = 0.02  # [-] largest change of a weight that no longer matters
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
        again = used | (test.mean_square() < f_isf(SIGNIFICANCE / n, 6.0, test.degrees))
        if found.unknown:
            again = everyone  # without these stations nothing would be known: they cannot be judged
        if (again == used).all():
            return found, used
        used = again


def _weighted(stations: Stations, start: State, prior: NoisePrior) -> tuple[Fit, Array]:
    """Return the weighted fit and the stations' squared sizes against it."""
    weights, noise = _first_weights(linear_system(stations, start), prior), None
    for _ in range(ROUNDS):
        found = fit(stations, start, prior, noise=noise, weights=weights, most=STEPS)
        start, noise = found.state, found.noise
        sizes = left_out(stations, found, weights).squared_size
        updated = (TAIL + 6.0) / (TAIL + sizes)
        moved, weights = float(np.abs(updated - weights).max()), updated
        if moved < WEIGHTS_SETTLED:
            break
    return found, sizes


def _first_weights(system: System, prior: NoisePrior) -> Array:
    """Return weights from the start, with the noise scaled so that the median size is usual."""
    noise = starting_noise(prior)
    V = system.covariance(noise)
    r = system.residual[..., None]
    size = (np.swapaxes(r, 1, 2) @ np.linalg.solve(V, r))[:, 0, 0]
    size = size * MEDIAN_SIZE / max(float(np.median(size)), MEDIAN_SIZE)
    return np.asarray((TAIL + 6.0) / (TAIL + size))


def _learnt(stations: Stations, found: Fit) -> float:
    """Return how many errors the stations have paid for: trace of 1 − posterior / prior."""
    prior = np.linalg.inv(beforehand(stations, found.state, found.noise)[0][12:, 12:])
    return float((1.0 - np.diag(found.covariance)[12:] / np.diag(prior)).sum())


LEAST_STATIONS = 3  # Tsai & Lenz 1989: three stations whose axes are not parallel
RELINEARISE = 4  # times the points are linearised again; 2 suffice unless the board is tiny
PIXEL_RATIO = 3.0  # [-] pixel noise of the fit over that of the images alone; a good fit gives 1
# [-] log score by which each station must exceed that of absurd noise: e² = 7 times in its square
ABSURD_MARGIN = 2.0
MANY = 60  # stations of which the fit takes seconds where nothing fits
SETTLED = 1e-3  # [-] move of the transforms in standard uncertainties that no longer matters


@dataclass(frozen=True, eq=False)
class Solution:
    """A fit with everything it came from; `assembled` makes the result of it.

    ``used`` (n,) over the gathered stations; ``turn`` (n,) the board turn undone at each;
    ``error`` (n, 6) the flange error the fit gives to each stop, base axes; ``score`` how badly the
    stations agreed with the start, see `Beginning`. ``shares``: what each part of the budget
    contributes to the covariance of a fit of several cameras; None: a fit of one camera.
    """

    problem: Problem
    gathered: Gathered
    prior: NoisePrior
    systematic: Systematic
    stations: Stations
    views: Views
    fit: Fit
    used: NDArray[np.bool_]
    turn: NDArray[np.int64]
    error: Array
    left_out: LeftOut
    relinearised: int
    score: float
    shares: Mapping[str, Array] | None = None

    @cached_property
    def system(self) -> System:
        """All stations, used or not, linearised where the fit ended."""
        return linear_system(self.stations, self.fit.state)

    def pixel_rms(self) -> Array:
        """Return the RMS per coordinate [px] of each station's pixels (n,) after the fit."""
        known, errors = self.gathered, self.fit.state.errors[len(self.systematic.sd) :]
        off = residuals(self.views, self.poses(), known.lens, known.terms, errors)
        return np.asarray(np.sqrt((off**2).sum(axis=(1, 2)) / (2 * self.views.counts)))

    def poses(self) -> Array:
        """Return camera_T_board (n, 4, 4) of each station after the fit."""
        return fitted_views(self.stations, self.fit.state, self.error)


def fitted(problem: Problem, *, agreeing: bool = False) -> Solution | None:
    """Return the fit of ``problem``; None where fewer than three stations can be used, or none fit.

    ``agreeing``: none either where stations agree so little that the fit would be absurd. Where
    poses and images have nothing to do with each other, the fit ends far from every image, and
    nothing more can be read off there: then each image is taken at its own best pose.
    """
    with quiet():
        gathered = gather(problem)
    if len(gathered.index) < LEAST_STATIONS:
        return None
    for start, most in ((begin, RELINEARISE), (begin_from_images, 0)):
        try:
            with quiet():
                beginning = start(problem.mount, gathered)
                if most and beginning.score > hopeless(problem, gathered):
                    if agreeing:
                        return None
                    if len(gathered.index) > MANY:  # its own fit would not follow the images
                        continue
                found = _solution(problem, gathered, beginning, most)
                if sound(found.fit) and (not most or _follows_images(found)):
                    return found
        except np.linalg.LinAlgError:
            continue
    return None


def hopeless(problem: Problem, gathered: Gathered) -> float:
    """Return the score of a start above which stations agree on nothing: see `begin`."""
    absurd_mm = NOISE_FACTOR * _noise_prior(problem, gathered).median[2]
    each = float(np.log1p((absurd_mm / SCALE_MM) ** 2)) + ABSURD_MARGIN
    return len(gathered.index) * each


@contextmanager
def quiet() -> Iterator[None]:
    """Keep numbers that overflow from being reported: they are dealt with where they arise."""
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore", RuntimeWarning)
        yield


def sound(found: Fit) -> bool:
    """Tell whether a fit has numbers: a singular system has none."""
    numbers = (found.covariance, found.state.camera, found.state.board, found.noise.log_variance)
    variances = np.diag(found.covariance)
    return all(bool(np.isfinite(part).all()) for part in numbers) and bool((variances > 0).all())


def _solution(problem: Problem, gathered: Gathered, beginning: Beginning, most: int) -> Solution:
    """Return the fit from a start, its points linearised again ``most`` times at most."""
    model = systematic(problem.robot, problem.robot_accuracy_mm)
    prior = _noise_prior(problem, gathered)
    turn = gathered.chosen(beginning.choice)[1]
    stations, views = stations_of(problem, gathered, beginning.choice, constraints(problem))
    errors = np.zeros(len(model.sd) + gathered.terms.count)
    start = State(beginning.camera, beginning.board, errors)
    found, used = robust_fit(stations, start, prior)
    error, times = flange_residuals(stations, found), 0
    if most:
        stations, found, error, times = relinearised(stations, views, gathered, found, used, prior)
    return Solution(
        problem=problem,
        gathered=gathered,
        prior=prior,
        systematic=model,
        stations=stations,
        views=views,
        fit=found,
        used=used,
        turn=turn,
        error=error,
        left_out=left_out(stations, found, used.astype(float)),
        relinearised=times,
        score=beginning.score,
    )


def refitted(found: Solution, problem: Problem) -> Solution | None:
    """Return the fit of the same stations as told in ``problem``; None where it has none.

    ``problem`` differs from that of ``found`` by its arm, or by how well board and lens are known.
    It begins where ``found`` ended, and uses the stations that it used.
    """
    old, terms, used = found.stations, terms_of(problem), found.used
    gathered = replace(found.gathered, terms=terms)
    model, arm = arm_errors(problem, gathered)
    stations = replace(
        old,
        systematic=arm,
        systematic_sd=model.sd,
        of_field=model.of_field,
        terms_sd=terms.sd,
        constraints=constraints(problem),
    )
    if terms.count > found.gathered.terms.count:
        stations = replace(stations, views=gathered.linearised(found.views, old.views.pose))
    try:
        with quiet():
            first = fit(stations.take(used), _begun(found, problem, model, terms), found.prior)
            stations, ended, error, times = relinearised(
                stations, found.views, gathered, first, used, found.prior
            )
            if not sound(ended):
                return None
            return replace(
                found,
                problem=problem,
                gathered=gathered,
                systematic=model,
                stations=stations,
                fit=ended,
                error=error,
                left_out=left_out(stations, ended, used.astype(float)),
                relinearised=times,
            )
    except np.linalg.LinAlgError:
        return None


def _begun(found: Solution, problem: Problem, model: Systematic, terms: Terms) -> State:
    """Return where ``found`` ended, with the unknowns that another problem has."""
    before, p = found.fit.state, len(found.systematic.sd)
    of_arm = before.errors[:p] if problem.robot is found.problem.robot else np.zeros(len(model.sd))
    of_terms = np.zeros(len(terms.kept))
    of_terms[found.gathered.terms.kept] = before.errors[p:]
    return replace(before, errors=np.concatenate([of_arm, of_terms[terms.kept]]))


def _noise_prior(problem: Problem, gathered: Gathered) -> NoisePrior:
    reported = bool(gathered.reported.all())
    return noise_prior(problem.robot, problem.pendant, reported=reported)


def _follows_images(found: Solution) -> bool:
    """Tell whether the fit's pixel noise is that of the images alone."""
    alone = found.gathered.own_noise(found.turn)
    return found.fit.noise.pixel_px <= PIXEL_RATIO * max(alone, LEAST_PIXEL_PX)


def fitted_views(stations: Stations, state: State, error: Array) -> Array:
    """Return camera_T_board (n, 4, 4) with systematic and random errors (n, 6) applied."""
    arm = stations.systematic @ state.errors[: len(stations.systematic_sd)]
    flange = displaced(stations.typed, arm + error)
    return predicted_view(stations.mount, state.camera, flange, state.board)


def without_ties(found: Solution) -> Fit:
    """Return the fit of the same stations, at the same noise, without the measured numbers."""
    stations = replace(found.stations.take(found.used), constraints=())
    return fit(stations, found.fit.state, found.prior, noise=found.fit.noise, known=True)


def flange_residuals(stations: Stations, found: Fit) -> Array:
    """Return the most likely flange error (n, 6) of each stop, base axes: D Aᵀ V⁻¹ r."""
    system = linear_system(stations, found.state)
    V = system.covariance(found.noise)
    half = np.linalg.solve(V, system.residual[..., None])
    A = np.swapaxes(system.by_flange, 1, 2)
    return np.asarray((found.noise.robot_covariance() @ A @ half)[..., 0])


def relinearised(
    stations: Stations,
    views: Views,
    gathered: Gathered,
    found: Fit,
    used: NDArray[np.bool_],
    prior: NoisePrior,
    *,
    known: bool = False,
) -> tuple[Stations, Fit, Array, int]:
    """Repeat the fit with the points linearised where it ended: the exact joint likelihood.

    Returns stations, fit, flange errors (n, 6) and how often. ``known``: the noise stays as it is.
    """
    error, times = flange_residuals(stations, found), 0
    moved = np.inf
    while times < RELINEARISE and moved >= SETTLED:
        times += 1
        poses = np.where(
            used[:, None, None], fitted_views(stations, found.state, error), stations.views.pose
        )
        stations = replace(stations, views=gathered.linearised(views, poses))
        before = found
        found = fit(stations.take(used), before.state, prior, noise=before.noise, known=known)
        error = flange_residuals(stations, found)
        moved = _moved(before, found)
    return stations, found, error, times


def _moved(before: Fit, after: Fit) -> float:
    """Return the largest move of a transform's component in standard uncertainties."""
    sd = np.sqrt(np.diag(after.covariance))[:12]
    return float(np.abs(after.state.away(before.state) / sd).max())
