"""Several cameras over one cell, solved together: one board, one robot error at each stop.

Loss: minus the log likelihood of all images and typed poses at given noise levels. A stop seen by m
cameras gives one residual of 6m numbers with covariance diag(s_k² L_k⁻¹) + A D Aᵀ, A the derivative
of all m views by the one flange: see `fit`, whose linearised stations it uses. Each camera was
solved alone before; the robot's noise is the mean of what they found, the pixel noise each one's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy
from numpy.typing import NDArray

from ..arrays import Array
from ..frames import displaced, displacement
from ..tails import f_sf
from .budget import ARM, BOARD, DEPTH, LENS, NUMBERS, PIXELS, PLACES, TURNS
from .fit import (
    CONVERGED,
    MAX_STEPS,
    NEAR,
    VAGUE_PRECISION,
    Fit,
    State,
    Stations,
    in_the_images,
    linear_system,
)
from .problem import Constraint, Noise
from .solver import Solution, flange_residuals

PRIOR = "prior"  # of arm, board, lens and depth, until they are told apart
BOARDS_APART = 1e-3  # [-] chance that cameras which see one board are said to place two


@dataclass(frozen=True, slots=True, eq=False)
class Together:
    """Transforms of K cameras and of the board they share, (4, 4) each, and their errors.

    ``errors`` holds those of arm and board, which all cameras share (as many as ``shared``), then
    those of each lens (``lenses`` of them).
    """

    cameras: tuple[Array, ...]
    board: Array
    errors: Array
    shared: int
    lenses: tuple[int, ...]

    @property
    def size(self) -> int:
        """Number of unknowns: 6 for each camera, 6 for the board, then the errors."""
        return 6 * len(self.cameras) + 6 + len(self.errors)

    def columns(self, k: int) -> NDArray[np.int64]:
        """Return the indices of camera ``k``'s own unknowns, in the order of `Fit`."""
        first = 6 * len(self.cameras)
        board = np.arange(first, first + 6)
        return np.concatenate([np.arange(6 * k, 6 * k + 6), board, first + 6 + self.own_errors(k)])

    def own_errors(self, k: int) -> NDArray[np.int64]:
        """Return the indices in ``errors`` of those of camera ``k``."""
        lens = self.shared + sum(self.lenses[:k])
        return np.concatenate([np.arange(self.shared), np.arange(lens, lens + self.lenses[k])])

    def alone(self, k: int) -> State:
        """Return the state of camera ``k``."""
        return State(self.cameras[k], self.board, self.errors[self.own_errors(k)])

    def away(self, start: Together) -> Array:
        """Return the displacement (6K + 6,) of the transforms from ``start``."""
        new, old = (np.array([*one.cameras, one.board]) for one in (self, start))
        return displacement(new, old).ravel()

    def moved(self, step: Array) -> Together:
        """Return the state displaced by ``step`` (size,)."""
        first = 6 * len(self.cameras)
        placed = tuple(displaced(T, step[6 * k : 6 * k + 6]) for k, T in enumerate(self.cameras))
        board = displaced(self.board, step[first : first + 6])
        return replace(self, cameras=placed, board=board, errors=self.errors + step[first + 6 :])


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """One camera's stations in use, the ids of their stops, and its noise levels."""

    stations: Stations
    ids: tuple[int, ...]
    noise: Noise


@dataclass(frozen=True, slots=True, eq=False)
class Stop:
    """One stop, linearised: residual (6m,), rows (6m, size), their V, and A (6m, 6).

    ``images`` (6m, 6m): the part of V that is of the images. ``seen`` (m, 2): which part, and which
    of its stations.
    """

    residual: Array
    rows: Array
    covariance: Array
    images: Array
    by_flange: Array
    seen: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True, eq=False)
class Joint:
    """The joint estimate: each camera's solution as part of it, and the covariance of everything.

    ``covariance`` (size, size) in the order of `Together`; ``state`` where it ended.
    """

    solutions: tuple[Solution, ...]
    state: Together
    covariance: Array


def stops(parts: Sequence[Part], state: Together) -> list[Stop]:
    """Return every stop linearised at ``state``, in the order in which it appears first."""
    systems = [linear_system(part.stations, state.alone(k)) for k, part in enumerate(parts)]
    seen: dict[int, list[tuple[int, int]]] = {}
    for k, part in enumerate(parts):
        for row, station in enumerate(part.ids):
            seen.setdefault(station, []).append((k, row))
    robot = parts[0].noise.robot_covariance()
    found = []
    for places in seen.values():
        rows = np.zeros((6 * len(places), state.size))
        for i, (k, row) in enumerate(places):
            rows[6 * i : 6 * i + 6, state.columns(k)] = systems[k].rows[row]
        A = np.concatenate([systems[k].by_flange[row] for k, row in places])
        images = scipy.linalg.block_diag(*(
            parts[k].noise.pixel_px ** 2 * systems[k].view_covariance[row] for k, row in places
        ))  # fmt: skip
        residual = np.concatenate([systems[k].residual[row] for k, row in places])
        V = images + A @ robot @ A.T
        found.append(Stop(residual, rows, V, images, A, tuple(places)))
    return found


def apart(first: Solution, other: Solution) -> bool:
    """Tell whether two cameras place the board where it cannot be one and the same.

    Each knows its noise from its own stations only, hence F. What both share counts twice in the
    covariance, so that the test errs towards one board.
    """
    off = displacement(other.fit.state.board, first.fit.state.board)
    covariance = first.fit.covariance[6:12, 6:12] + other.fit.covariance[6:12, 6:12]
    size = float(off @ np.linalg.solve(covariance, off)) / 6.0
    freedom = max(6.0 * min(first.used.sum(), other.used.sum()) - 12.0, 6.0)
    return f_sf(size, 6, freedom) < BOARDS_APART


def joined(solutions: Sequence[Solution]) -> Joint:
    """Return the joint estimate of cameras that were each solved alone.

    Stations take part with the cameras whose own fit used them. ``converged`` of each fit tells
    how it ended.
    """
    parts = parts_of(solutions)
    best = min(solutions, key=lambda one: float(np.trace(one.fit.covariance[9:12, 9:12])))
    shared = len(best.systematic.sd) + best.gathered.terms.of_board
    lenses = [one.fit.state.errors[shared:] for one in solutions]
    state = Together(
        tuple(one.fit.state.camera for one in solutions),
        best.fit.state.board,
        np.concatenate([best.fit.state.errors[:shared], *lenses]),
        shared,
        tuple(len(errors) for errors in lenses),
    )
    start, steps, change = state, 0, np.inf
    while steps < MAX_STEPS and change >= CONVERGED:
        steps += 1
        G, step, told = _step(parts, state, start)
        state = state.moved(step)
        change = float(np.abs(step / np.sqrt(np.diag(G))).max())
    found, shares = stops(parts, state), _shares(solutions, state, G, told)
    ended = tuple(
        replace(
            _ended(one, parts[k], state, k, G, found, steps, change),
            shares={name: part[np.ix_(*2 * [state.columns(k)])] for name, part in shares.items()},
        )
        for k, one in enumerate(solutions)
    )
    return Joint(ended, state, G)


def parts_of(solutions: Sequence[Solution]) -> list[Part]:
    """Return the stations that each camera's fit used, with the noise that they share."""
    weights = np.array([float(one.used.sum()) for one in solutions])
    weights /= weights.sum()
    levels = sum(w * one.fit.noise.log_variance for w, one in zip(weights, solutions, strict=True))
    scale = sum(w * one.fit.noise.log_scale for w, one in zip(weights, solutions, strict=True))
    parts = []
    for one in solutions:
        own = one.fit.noise
        shared = np.concatenate([own.log_variance[:1], np.asarray(levels)[1:]])
        used = one.gathered.index[one.used]
        ids = tuple(one.problem.observations[place].id for place in used)
        parts.append(
            Part(one.stations.take(one.used), ids, Noise(shared, np.asarray(scale), own.floor))
        )
    return parts


def _step(
    parts: Sequence[Part], state: Together, start: Together
) -> tuple[Array, Array, dict[str, Array]]:
    """Return the covariance (size, size) of everything, the step, near ``start``, and `_told`."""
    first = 6 * len(state.cameras) + 6
    vague = np.tile(VAGUE_PRECISION[:6], len(state.cameras) + 1)
    told, b = _told(parts, state)
    M = np.asarray(sum(told.values()))
    M[range(first), range(first)] += vague
    b[:first] -= vague * state.away(start)
    size = np.sqrt(np.diag(M))
    G = np.linalg.inv(M / np.outer(size, size)) / np.outer(size, size)
    return G, G @ b, told


def _told(parts: Sequence[Part], state: Together) -> tuple[dict[str, Array], Array]:
    """Return what tells of everything, each noise and what was known apart, and the pull of all.

    Information (size, size) as it enters the normal matrix, so that G of it G is what each
    contributes to the covariance; the pull (size,).
    """
    first, names = 6 * len(state.cameras) + 6, (PIXELS, TURNS, PLACES, NUMBERS, PRIOR)
    told = {name: np.zeros((state.size, state.size)) for name in names}
    precision, b, robot = np.zeros(state.size), np.zeros(state.size), parts[0].noise
    for k, part in enumerate(parts):
        arm_sd = np.sqrt(part.stations.systematic_variance(part.noise))
        own = np.concatenate([arm_sd, part.stations.terms_sd])
        precision[first + state.own_errors(k)] = own**-2.0
    told[PRIOR] += np.diag(precision)
    b[first:] = -precision[first:] * state.errors
    for stop in stops(parts, state):
        W = np.linalg.solve(stop.covariance, stop.rows)
        by_flange = stop.by_flange.T @ W
        told[PIXELS] += W.T @ stop.images @ W
        told[TURNS] += robot.rotation**2 * by_flange[:3].T @ by_flange[:3]
        told[PLACES] += robot.position**2 * by_flange[3:].T @ by_flange[3:]
        b += W.T @ stop.residual
    for k, part in enumerate(parts):
        columns = state.columns(k)
        terms = columns[12 + len(part.stations.systematic_sd) :]
        off = state.errors[terms - first]
        images = in_the_images(part.stations, off, part.noise)
        told[PIXELS][np.ix_(terms, terms)] += images[0]
        b[terms] += images[1]
        for tie in part.stations.constraints:
            if k and not (isinstance(tie, Constraint) and tie.on_camera):
                continue  # what ties the board is the same number for all: it counts once
            residual, rows = tie.whitened(state.cameras[k], state.board, off)
            own = np.concatenate([columns[:12], terms])
            told[NUMBERS][np.ix_(own, own)] += rows.T @ rows
            b[own] += rows.T @ residual
    return told, b


def _shares(
    solutions: Sequence[Solution], state: Together, G: Array, told: dict[str, Array]
) -> dict[str, Array]:
    """Return what each part of the budget contributes to the covariance (size, size) ``G``."""
    known = np.diag(told[PRIOR])
    of = {name: np.zeros(state.size) for name in (ARM, BOARD, LENS, DEPTH)}
    for k, one in enumerate(solutions):
        terms, own, arm = one.gathered.terms, state.columns(k)[12:], len(one.systematic.sd)
        ends = [arm, arm + terms.of_board, len(own) - terms.of_depth]
        for name, index in zip(of, np.split(own, ends), strict=True):
            of[name][index] = known[index]
    each = {name: np.diag(part) for name, part in of.items()}
    each |= {name: part for name, part in told.items() if name != PRIOR}
    return {name: G @ part @ G for name, part in each.items()}


def _ended(
    one: Solution,
    part: Part,
    state: Together,
    k: int,
    G: Array,
    found: list[Stop],
    steps: int,
    change: float,
) -> Solution:
    """Return one camera's solution with its part of the joint estimate in place of its own fit."""
    own, columns = state.alone(k), state.columns(k)
    covariance = G[np.ix_(columns, columns)]
    degrees = one.fit.degrees
    ended, arrived = change < CONVERGED, change < NEAR
    fit = Fit(own, part.noise, covariance, degrees, steps, change, ended, arrived)
    error = flange_residuals(one.stations, fit)
    rows = np.flatnonzero(one.used)
    robot = part.noise.robot_covariance()
    for stop in found:
        likely = robot @ stop.by_flange.T @ np.linalg.solve(stop.covariance, stop.residual)
        for camera, row in stop.seen:
            if camera == k:
                error[rows[row]] = likely
    return replace(one, fit=fit, error=error)
