"""The joint fit of both transforms, the robot error of each stop and the noise levels.

Loss: minus the log likelihood of pixels and typed poses. Every stop's own robot error (6 unknowns)
is eliminated exactly, which leaves one 6-vector per station: measured against predicted view, with
covariance ``V = s_px² L⁻¹ + A D Aᵀ`` (L: information of the view's points, D: robot noise, A:
derivative by the flange). What remains is a linear mixed model, solved by Gauss-Newton for the
transforms and systematic robot errors and by Fisher scoring of the restricted likelihood for the
noise (Harville 1977). The cost is linear in the number of stations and free of the points.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..camera.views import Gaussian, Selection
from ..cell.mount import Mount
from ..frames import displaced, displacement
from .problem import (
    STEP_LIMIT,
    Noise,
    NoisePrior,
    Tie,
    constraint_rows,
    derivatives,
    predicted_view,
    prior_score,
    starting_noise,
)

MAX_STEPS = 40  # Gauss-Newton steps; 6 to 10 are usual
CALM_STEPS = 12  # steps after which noise levels move half way: rarely two states take turns
CONVERGED = 1e-3  # [-] last step in standard uncertainties, of transforms and noise levels
# Below both, a step is not worth a new linearisation: what it leaves out is of second order.
NEAR, NEAR_RAD = 0.1, 1e-3  # [-] standard uncertainties, [rad]
TURN_LIMIT = 0.5  # [rad] largest rotation of one step
# [rad], [mm] how well a fit's start is known: keeps a direction without information finite and
# from wandering, as a level arm's height would. Ten times what is told as not known, and more.
VAGUE_PRECISION = np.repeat([3.0**-2.0, 500.0**-2.0] * 2, 3)  # of both transforms
LEAST_TOLD = 1e-9  # [-] information of data that tell nothing
SCALE_SPREAD = 0.5  # [-] prior of log(true systematic error / accuracy_mm): a factor of 1.65
# [-] of log scale²: above it that prior falls off exponentially only. What a cell says of its arm
# is sooner too good by far than too bad.
SCALE_TAIL = 2.0
# A pick leans on errors of which the data tell little, while those that they tell set the size: it
# is to be right for one over it. From simulation, as `problem.FLAT_IN_VARIANCE`.
SCALE_FLAT = 1.5  # [-]
# u above which a number would only pretend: ten times what the coarsest task of the trade can use
# (depalletising, 5 to 10 mm, common practice).
NOT_KNOWN_MM, NOT_KNOWN_RAD = 50.0, np.radians(5.0)


@dataclass(frozen=True, slots=True, eq=False)
class Stations:
    """All stations as numbers.

    Attributes:
        mount: eye-to-hand or eye-in-hand.
        typed: (n, 4, 4) base_T_flange as typed [mm].
        views: the images as pose measurements (camera_T_board).
        dof: (n,) redundancy of each image: 2 · points − 6, or 0 for a reported pose.
        systematic: (n, 6, p) displacement of the flange per systematic error, base axes.
        systematic_sd: (p,) prior standard deviations of the systematic errors [rad, mm].
        of_field: (p,) which of them are the random field's, whose size is estimated by itself.
        terms_sd: (q,) prior standard deviations of what lens and board may be off by.
        constraints: measured numbers that tie the transforms, such as the board's height.
    """

    mount: Mount
    typed: Array
    views: Gaussian
    dof: Array
    systematic: Array
    systematic_sd: Array
    of_field: NDArray[np.bool_]
    terms_sd: Array
    constraints: tuple[Tie, ...] = ()

    def systematic_variance(self, noise: Noise) -> Array:
        """Return the prior variances (p,) of the systematic errors, at the sizes found for them."""
        return np.asarray(
            self.systematic_sd**2 * np.exp(noise.log_scale[self.of_field.astype(int)])
        )

    def take(self, index: Selection) -> Stations:
        """Return the stations at ``index`` (indices or a mask)."""
        if index.dtype == bool and index.all():
            return self
        return replace(
            self,
            typed=self.typed[index],
            views=self.views.take(index),
            dof=self.dof[index],
            systematic=self.systematic[index],
        )


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """Camera and board transform (4, 4), and errors (p + q,): of the arm, of board and lens."""

    camera: Array
    board: Array
    errors: Array

    def away(self, start: State) -> Array:
        """Return the displacement (12,) of both transforms from ``start``."""
        new, old = np.array([self.camera, self.board]), np.array([start.camera, start.board])
        return displacement(new, old).ravel()


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """Where the fit ended.

    ``covariance`` (12 + p + q, 12 + p + q) of camera, board and errors. ``steps``, ``change``
    (last step in standard uncertainties) and ``converged`` tell how it ended; ``arrived``: what the
    transforms' last step left out is of second order, so that they count, whatever the noise levels
    of data without noise still do. ``degrees`` (4,) of freedom behind the noise levels, and the
    size of the arm's errors.
    """

    state: State
    noise: Noise
    covariance: Array
    degrees: Array
    steps: int
    change: float
    converged: bool
    arrived: bool

    @property
    def unknown(self) -> bool:
        """Whether the camera's transform has a part that nobody knows."""
        sd = np.sqrt(np.diag(self.covariance))
        return bool((sd[:3] > NOT_KNOWN_RAD).any() or (sd[3:6] > NOT_KNOWN_MM).any())


OF_PART = np.repeat([0, 1, 2], [6, 3, 3])  # the noise level with which each column of F grows
# Axes (parts, 6) of a stop's error that each part of its noise has: rotation and position; and of
# an arm that stays level tilt, turn about the vertical, and position.
AXES = np.repeat(np.eye(2), 3, axis=1)
LEVEL_AXES = np.repeat(np.eye(3), [2, 1, 3], axis=1)


@dataclass(frozen=True, slots=True, eq=False)
class System:
    """The linearised stations: residual (n, 6), rows H (n, 6, 12 + p + q), A (n, 6, 6), and V."""

    residual: Array
    rows: Array
    by_flange: Array
    view_factor: Array  # (n, 6, 6) E, see `Gaussian.factor`: E Eᵀ = L⁻¹

    @property
    def view_covariance(self) -> Array:
        """L⁻¹ (n, 6, 6): the covariance of each view for pixels of unit noise."""
        return np.asarray(self.view_factor @ np.swapaxes(self.view_factor, 1, 2))

    @property
    def factors(self) -> Array:
        """F (n, 6, 12): noise of pixels, of rotation and of position, each with variance 1."""
        return np.concatenate([self.view_factor, self.by_flange], axis=2)

    def covariance(self, noise: Noise) -> Array:
        """Return V (n, 6, 6): what each residual varies by, the transforms given."""
        F = self.factors * np.array([noise.pixel_px, noise.rotation, noise.position])[OF_PART]
        return np.asarray(F @ np.swapaxes(F, 1, 2))

    def take(self, index: Selection) -> System:
        """Return the stations at ``index`` (indices or a mask)."""
        return System(*(getattr(self, name)[index] for name in self.__slots__))

    def advanced(self, step: Array) -> System:
        """Return the system after a step so small that only the residuals change."""
        return replace(self, residual=self.residual - self.rows @ step)


def fit(
    stations: Stations,
    start: State,
    prior: NoisePrior,
    *,
    noise: Noise | None = None,
    known: bool = False,
    weights: Array | None = None,
    most: int = MAX_STEPS,
) -> Fit:
    """Return the most likely transforms and noise levels from ``start``.

    ``noise`` starts the noise levels; with ``known`` they stay as given. ``weights`` (n,) scale the
    information of each station; ``most`` limits the steps. Never fails to return: ``converged``
    tells.
    """
    state, levels = start, noise or starting_noise(prior)
    went, change, steps = np.inf, np.inf, 0
    degrees, system = np.full(4, np.inf), None
    while steps < most and change >= CONVERGED:
        steps += 1
        system = linear_system(stations, state) if system is None else system
        normal = Normal.of(stations, state, system, levels, weights, start)
        went, turn = normal.change(), _turn(normal.step)
        step = normal.step * min(1.0, TURN_LIMIT / max(turn, 1e-300))
        state = _moved(state, step)
        if not known:
            before = levels
            levels, moved, degrees = _scored(
                stations, system, normal, levels, prior, state, weights
            )
            levels = levels if steps <= CALM_STEPS else before.half_way(levels)
        near = went < NEAR and turn < NEAR_RAD
        system = system.advanced(normal.step) if near else None
        change = went if known else max(went, moved)
    ended, arrived = bool(change < CONVERGED), bool(went < NEAR)
    return Fit(state, levels, normal.G, degrees, steps, float(change), ended, arrived)


@lru_cache(maxsize=1)  # where a fit ended is asked for again by who goes on from there
def linear_system(stations: Stations, state: State) -> System:
    """Return the stations linearised at ``state``."""
    p = len(stations.systematic_sd)
    flange = stations.typed
    if p:
        flange = displaced(flange, stations.systematic @ state.errors[:p])
    by_camera, by_board, by_flange = derivatives(stations.mount, state.camera, flange, state.board)
    view = predicted_view(stations.mount, state.camera, flange, state.board)
    measured = stations.views.measured(state.errors[p:])
    by_errors = [by_flange @ stations.systematic, stations.views.by_terms]
    rows = np.concatenate([by_camera, by_board, *by_errors], axis=2)
    return System(displacement(measured, view), rows, by_flange, stations.views.factor)


@dataclass(frozen=True, slots=True, eq=False)
class Normal:
    """The normal equations: inverse ``G``, their ``step``, V⁻¹ and V⁻¹H of each station.

    ``prior`` (k, k) is the precision of what is known beside the stations.
    """

    G: Array
    step: Array
    prior: Array
    V_inverse: Array
    W: Array

    @classmethod
    def of(
        cls,
        stations: Stations,
        state: State,
        system: System,
        noise: Noise,
        weights: Array | None,
        start: State,
    ) -> Normal:
        """Return the normal equations of ``system`` at the given noise, near ``start``."""
        V_inverse = _inverse(system.covariance(noise))
        if weights is not None:
            V_inverse = V_inverse * weights[:, None, None]
        W = V_inverse @ system.rows
        k = W.shape[2]
        flat = W.reshape(-1, k)
        precision, pull = beforehand(stations, state, noise, weights)
        if state is not start:
            pull[:12] -= VAGUE_PRECISION * state.away(start)
        M = system.rows.reshape(-1, k).T @ flat + precision
        G = _inverse(M[None])[0]
        return cls(G, G @ (flat.T @ system.residual.ravel() + pull), precision, V_inverse, W)

    def change(self) -> float:
        """Return the largest step in standard uncertainties."""
        return float(np.abs(self.step / np.sqrt(np.diag(self.G))).max())


def beforehand(
    stations: Stations, state: State, noise: Noise, weights: Array | None = None
) -> tuple[Array, Array]:
    """Return the precision (k, k), k = 12 + p + q, of what is known beside the measured views.

    And its pull (k,) at ``state``: the vague prior of the transforms, the priors of arm, board and
    lens, what each image tells of the lens by itself, and the measured numbers.
    """
    scaled = stations.systematic_variance(noise)
    diagonal = np.concatenate([VAGUE_PRECISION, 1.0 / scaled, stations.terms_sd**-2.0])
    precision = np.diag(diagonal)
    pull = np.concatenate([np.zeros(12), -diagonal[12:] * state.errors])
    lens, p = slice(12 + len(scaled), None), len(scaled)
    information, gradient = in_the_images(stations, state.errors[p:], noise, weights)
    precision[lens, lens] += information
    pull[lens] += gradient
    numbers, drawn = measured_numbers(stations, state)
    return precision + numbers, pull + drawn


def but_the_arm(count: int, arm: int) -> NDArray[np.int64]:
    """Return the indices of all ``count`` unknowns but the arm's ``arm`` errors."""
    return np.delete(np.arange(count), np.s_[12 : 12 + arm])


def measured_numbers(stations: Stations, state: State) -> tuple[Array, Array]:
    """Return what the measured numbers tell of all unknowns, (k, k), and their pull (k,)."""
    p = len(stations.systematic_sd)
    k = 12 + p + len(stations.terms_sd)
    told = but_the_arm(k, p)
    precision, pull = np.zeros((k, k)), np.zeros(k)
    terms = state.errors[p:]
    for residual, rows in constraint_rows(stations.constraints, state.camera, state.board, terms):
        precision[np.ix_(told, told)] += rows.T @ rows
        pull[told] += rows.T @ residual
    return precision, pull


def in_the_images(
    stations: Stations, terms: Array, noise: Noise, weights: Array | None = None
) -> tuple[Array, Array]:
    """Return what the images by themselves tell of board and lens: information and gradient."""
    views, variance = stations.views, noise.pixel_px**2
    _, gradient, information = views.rests
    if weights is not None:
        gradient = weights @ views.rest_gradient
        each = views.rest_information.reshape(len(weights), -1)
        information = (weights @ each).reshape(information.shape)
    return information / variance, (gradient - information @ terms) / variance


def _moved(state: State, step: Array) -> State:
    """Return ``state`` displaced by ``step`` (12 + p + q,)."""
    both = displaced(np.array([state.camera, state.board]), step[:12].reshape(2, 6))
    return State(both[0], both[1], state.errors + step[12:])


def _turn(step: Array) -> float:
    """Return the length [rad] of both rotations of a step together."""
    return float(np.linalg.norm(step[[0, 1, 2, 6, 7, 8]]))


def _scored(
    stations: Stations,
    system: System,
    normal: Normal,
    noise: Noise,
    prior: NoisePrior,
    state: State,
    weights: Array | None,
) -> tuple[Noise, float, Array]:
    """Return the noise levels after one Fisher step, and the largest change in uncertainties.

    And the degrees of freedom (4,) behind each level and the size of the arm's errors: a variance
    s² with ν of them has a relative variance of 2/ν.
    """
    score, information = variance_terms(system, normal, noise, weights, level=prior.level)
    p, dof = len(stations.systematic_sd), stations.dof.sum()
    terms, own = state.errors[p:], normal.G[12 + p :, 12 + p :]
    spent = (own * stations.views.rests[2]).sum() + stations.views.rest(terms)
    score[0] -= 0.5 * (dof - spent / noise.pixel_px**2)
    information[0, 0] += 0.5 * dof
    slope, certainty = prior_score(noise, prior, np.diag(information))
    curvature = information + np.diag(certainty)
    move = np.linalg.solve(curvature, score + slope)
    move = np.minimum(np.maximum(move, -STEP_LIMIT), STEP_LIMIT)
    scale_move, arm = _scale_step(stations, normal, noise, state)
    told = np.diag(curvature)
    change = max(float(np.abs(move * np.sqrt(told)).max()), float(np.abs(scale_move).max()))
    moved = Noise(noise.log_variance + move, noise.log_scale + scale_move, noise.floor)
    return moved, change, np.append(2.0 * told, arm)


def variance_terms(
    system: System, normal: Normal, noise: Noise, weights: Array | None, *, level: bool
) -> tuple[Array, Array]:
    """Return the restricted likelihood's slope (3,) and Fisher information (3, 3).

    By log variance: slope ½(wᵀV_k w − tr PV_k), information ½ tr PV_kPV_l, with the projection
    P = V⁻¹ − WGWᵀ, W = V⁻¹H (Harville 1977). Those of rotation and position are worked out, with
    V_k = A_k A_kᵀ; those of the pixels are what the whole of V leaves: with Π what is known
    beforehand, tr PV = 6n − k + tr GΠ and PVP = P − WGΠGWᵀ. ``level``: of rotation that about the
    vertical alone, as an arm that stays level scatters about no other axis, and would tell little.
    """
    n, k, G = len(system.rows), len(normal.G), normal.G
    A = system.by_flange * np.exp(0.5 * noise.log_variance[1:]).repeat(3)
    if weights is not None:
        A = A / np.sqrt(weights)[:, None, None]
    left = (system.residual - system.rows @ normal.step)[..., None]
    A_t, w, B = np.swapaxes(A, 1, 2), normal.V_inverse @ left, normal.V_inverse @ A
    T = A_t @ normal.W
    X, Y = A_t @ B, T @ G @ np.swapaxes(T, 1, 2)
    known = G @ normal.prior
    axes = LEVEL_AXES if level else AXES
    count = len(axes)
    slope, information = np.empty(count + 1), np.empty((count + 1, count + 1))
    slope[0] = (left * w).sum() - (6 * n - k + np.trace(known))
    information[0, 0] = 6 * n - k + (known * known.T).sum()
    free = np.einsum("nii->i", X - Y)
    slope[1:] = axes @ (((A_t @ w)[..., 0] ** 2).sum(axis=0) - free)
    own = [T[:, of == 1.0].reshape(-1, k) for of in axes]
    taken = G @ np.array([part.T @ part for part in own])
    across = (taken * known.T).sum(axis=(1, 2))
    information[0, 1:] = information[1:, 0] = axes @ free - across
    flat = taken.reshape(count, -1)
    kept = axes @ (X * (X - 2.0 * Y)).sum(axis=0) @ axes.T
    information[1:, 1:] = kept + flat @ np.swapaxes(taken, 1, 2).reshape(count, -1).T
    variance = np.array([noise.rotation, noise.position]) ** 2 / np.exp(noise.log_variance[1:])
    apart = np.zeros((3, count + 1))
    apart[0, 0], apart[1:, -2:] = 1.0, np.eye(2)  # of rotation and position the last part each
    apart[0, 1:] = -variance @ AXES @ axes.T / axes.sum(axis=1)  # V less all of them, with floors
    return 0.5 * apart @ slope, 0.5 * apart @ information @ apart.T


def _scale_step(
    stations: Stations, normal: Normal, noise: Noise, state: State
) -> tuple[Array, float]:
    """Return the Fisher step of log scale² of both kinds of systematic errors (2,).

    And the degrees of freedom behind the first, by how much it varies where the cell says the
    truth: it moves from what the cell says only as far as the data tell.
    """
    p = len(stations.systematic_sd)
    if not p:
        return np.zeros(2), np.inf
    precision = 1.0 / stations.systematic_variance(noise)
    kept, errors = normal.G[12 : 12 + p, 12 : 12 + p] * precision, state.errors[:p]
    kind = np.array([~stations.of_field, stations.of_field], float)
    slope = 0.5 * kind @ (errors * precision * errors + np.diag(kept) - 1.0)
    learnt = np.eye(p) - kept
    information = 0.5 * kind @ (learnt * learnt.T) @ kind.T
    certainty = 1.0 / (2.0 * SCALE_SPREAD) ** 2
    told = np.diag(information)
    slope += SCALE_FLAT * told / (told + certainty)
    held = certainty * SCALE_TAIL / np.maximum(noise.log_scale, SCALE_TAIL)
    move = np.linalg.solve(information + np.diag(held), slope - held * noise.log_scale)
    degrees = 2.0 * (told[0] + certainty) ** 2 / max(float(told[0]), LEAST_TOLD)
    return np.clip(move, -STEP_LIMIT, STEP_LIMIT), float(degrees)


def scale_penalty(log_scale: Array) -> float:
    """Return minus the logarithm of the prior density of ``log_scale`` (2,), but for a constant."""
    tail = np.maximum(log_scale - SCALE_TAIL, 0.0)
    return float((log_scale**2 - tail**2).sum() / (2.0 * (2.0 * SCALE_SPREAD) ** 2))


def _inverse(A: Array) -> Array:
    """Return the inverses (n, k, k) of positive matrices after scaling their diagonals to one."""
    scale = 1.0 / np.sqrt(np.maximum(np.einsum("nii->ni", A), 1e-300))
    scaling = scale[:, :, None] * scale[:, None, :]
    inverse: Array = np.linalg.inv(A * scaling) * scaling
    return inverse
