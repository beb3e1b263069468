"""One competing explanation of a session, and how probable the data are under it.

The first, which has nothing to tell: the arm may stand in another configuration at some stations,
its wrist turned over, say. A typed pose does not show that, and errors of joint zeros and lengths
move the flange differently in each. A station in another one than assumed looks off by a fraction
of the robot's accuracy, and nothing is wrong with it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..errors import StationbookError
from ..estimate.assumed import geometry_finding
from ..estimate.fit import Fit, State, Stations, fit, linear_system, scale_penalty
from ..estimate.problem import NoisePrior, Problem, absurd
from ..estimate.solver import Solution, fitted, left_out
from ..estimate.systematic import (
    error_columns,
    flange_errors,
    postures_at,
    systematic,
    typed_joints,
)
from ..findings import Finding
from ..robots.kinematics import Kinematics
from ..robots.model import ASSUMED_ACCURACY_MM
from .scene import Scene, Texts

# A stop that is merely bad: how common that is, and how many times the usual scatter it is off
# (a backlash, a stop typed before the arm stood still; of another try), common practice, no source.
BAD = (1 / 30, 8.0), (1 / 100, 30.0)
# A station that fits nothing: how common that is (common practice, no source), and the uniform
# density of where it may lie: any rotation, any place of a cell.
OUTLIER_SHARE, ANYWHERE_RAD, ANYWHERE_MM = 1 / 300, 2.0 * np.pi, 1000.0
LOG_ANYWHERE = float(np.log(OUTLIER_SHARE) - 3.0 * np.log(ANYWHERE_RAD * ANYWHERE_MM))
LOG_2PI = float(np.log(2.0 * np.pi))
LOG_IMAGE = float(np.log(1000.0))  # [px] over which the points of another thing's image may lie
# Robots whose errors have heavy tails, on each axis by itself: Student's t with three degrees of
# freedom, log odds before the stations tell, and how far they can tell against it, for what the
# images leave uncertain hides tails. How common a bad axis is then, and how many times the usual
# scatter it is off. Common practice, no source; set by simulated sessions.
DEGREES, HEAVY_ODDS, MOST_AGAINST = 3.0, float(np.log(1 / 2)), -2.0
BAD_AXIS = (1 / 40, 5.0), (1 / 3000, 20.0)
SOME_AXES = np.array(list(product((0.0, 1.0), repeat=6))[1:])
LOG_T = -float(np.log(np.pi * np.sqrt(3.0) / 2.0))  # of the density of Student's t, 3, at zero
T_SCALES = np.geomspace(0.3, 1.2, 15)[:, None]  # tried: its scale to the standard deviation
LEAST_FREE = 0.05  # [-] least share of a variance that the fit is taken to leave

SLIP_SHARE = float(np.log(1 / 100))  # stations with a typing slip, common practice, no source


@dataclass(frozen=True, slots=True, eq=False)
class Cause:
    """A cause with its weight.

    ``weight``: log of how probable the data and the cause are together. ``findings`` says what it
    is; ``problem`` and ``texts`` are the session with the cause put right, to look for a second
    one; ``set_aside`` the stations that must not be used until the operator has corrected them.
    ``kept`` whether the correction may stay (a board's turn). ``last``: nothing can be told beyond.
    ``found`` the fit of ``problem`` where it was made already. ``slight``: it leaves out a station
    that is hardly off. It weighs against other causes, but is not told.
    """

    weight: float
    findings: tuple[Finding, ...]
    problem: Problem
    texts: Texts
    set_aside: frozenset[int] = frozenset()
    kept: bool = False
    last: bool = False
    found: Solution | None = None
    slight: bool = False


def declared_weight(found: Solution) -> float:
    """Return the weight of a session as declared, with no cause at all."""
    return _log_density(found.stations, found.used, found.fit, found.prior)


def weight_of(found: Solution) -> float:
    """Return the weight of a session put right, but for how common its cause is."""
    return evidence(found.stations, found.used, found.fit, found.prior)


def solved_weight(problem: Problem) -> tuple[Solution | None, float]:
    """Return the fit of a problem and its weight; None and −∞ where all fits are absurd."""
    found = fitted(problem, agreeing=True)
    if found is None or absurd(found.fit.noise, found.prior):
        return None, -np.inf
    return found, weight_of(found)


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
    """Return how probable the data are under a cause: −∞ where its fit ended on the way."""
    return _log_density(stations, used, fit, prior) if fit.arrived else -np.inf


def _log_density(stations: Stations, used: NDArray[np.bool_], fit: Fit, prior: NoisePrior) -> float:
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
    if not used.all():
        total += apart(stations.take(~used), fit, heavy_tails(stations.take(used), fit))
    return total + _priors(stations, fit, prior) + _pixels(stations, used, fit)


def with_errors(stations: Stations, columns: Array, sd: Array) -> Stations:
    """Return the stations with further errors of the flange: ``columns`` (n, 6, k), ``sd`` (k,)."""
    return replace(
        stations,
        systematic=np.concatenate([stations.systematic, columns], axis=2),
        systematic_sd=np.concatenate([stations.systematic_sd, sd]),
        of_field=np.concatenate([stations.of_field, np.zeros(len(sd), bool)]),
    )


def apart(stations: Stations, fit: Fit, heavy: float) -> float:
    """Return the log density of stations left out: stops that are merely bad, or lie anywhere.

    ``heavy``: log odds that the robot's errors have heavy tails (`heavy_tails`). Then any axis of
    the base or the flange may be off by itself, as far as a changed digit puts it.
    """
    if not len(stations.typed):
        return 0.0
    system = linear_system(stations, fit.state)
    A, H, r = system.by_flange, system.rows, system.residual
    usual = system.covariance(fit.noise) + H @ fit.covariance @ np.swapaxes(H, 1, 2)
    robot = fit.noise.robot_covariance()
    of_stop = A @ robot @ np.swapaxes(A, 1, 2)
    density = np.full(len(r), LOG_ANYWHERE)
    for share, factor in BAD:
        V = usual + (factor**2 - 1.0) * of_stop
        size = np.einsum("ni,ni->n", r, np.linalg.solve(V, r[..., None])[..., 0])
        bad = -0.5 * (np.linalg.slogdet(V)[1] + size + 6.0 * LOG_2PI) + np.log(share)
        density = np.logaddexp(density, bad)
    log_heavy = -float(np.logaddexp(0.0, -heavy) + np.log(2.0))  # by base and flange alike
    for axes in _axes(stations.typed):
        ways = A @ axes * np.sqrt(np.diag(robot))
        wide = np.einsum("sk,nik,njk->nsij", SOME_AXES, ways, ways)
        off = np.broadcast_to(r[:, None, :, None], (*wide.shape[:3], 1))
        for share, factor in BAD_AXIS:
            V = usual[:, None] + (factor**2 - 1.0) * wide
            size = (off * np.linalg.solve(V, off)).sum(axis=(2, 3))
            bad = -0.5 * (np.linalg.slogdet(V)[1] + size + 6.0 * LOG_2PI)
            bad += log_heavy + np.log(share) * SOME_AXES.sum(axis=1)
            density = np.logaddexp(density, np.logaddexp.reduce(bad, axis=1))
    return float(density.sum())


def _axes(typed: Array) -> tuple[Array, Array]:
    """Return the flange's displacements (n, 6, 6) about and along its axes, and the base's."""
    of_base = np.zeros((len(typed), 6, 6))
    of_base[:, :3, :3] = of_base[:, 3:, 3:] = np.swapaxes(typed[:, :3, :3], 1, 2)
    return np.broadcast_to(np.eye(6), of_base.shape), of_base


def heavy_tails(stations: Stations, fit: Fit) -> float:
    """Return the log odds that a robot's errors have heavy tails, as the stations fitted tell.

    Student's t against a normal distribution of the residuals by axis over their standard
    deviations, each with the scale that fits best; turns and shifts apart.
    """
    system = linear_system(stations, fit.state)
    back, H = np.linalg.inv(system.by_flange), system.rows
    usual = np.einsum("nij,njk,nik->ni", back, system.covariance(fit.noise), back)
    fitted_away = np.einsum("nij,njk,kl,nml,nim->ni", back, H, fit.covariance, H, back)
    free = np.maximum(usual - fitted_away, LEAST_FREE * usual)
    off = (back @ system.residual[..., None])[..., 0] / np.sqrt(free)
    gain = 0.0
    for z in np.split(off, 2, axis=1):
        scale = np.sqrt((z**2).mean() + 1e-12) * T_SCALES
        log_t = LOG_T - 0.5 * (DEGREES + 1.0) * np.log1p((z.ravel() / scale) ** 2 / DEGREES)
        log_normal = -np.log(scale / T_SCALES) - 0.5 * (1.0 + LOG_2PI)
        gain += float((log_t - np.log(scale) - log_normal).sum(axis=1).max())
    return HEAVY_ODDS + max(gain, MOST_AGAINST)


def _priors(stations: Stations, fit: Fit, prior: NoisePrior) -> float:
    offset = fit.noise.log_variance - 2.0 * np.log(np.array(prior.median))
    total = -0.5 * float((offset**2 / (2.0 * np.array(prior.spread)) ** 2).sum())
    scaled = np.sqrt(stations.systematic_variance(fit.noise))
    sd = np.concatenate([scaled, stations.terms_sd])
    total -= 0.5 * float(((fit.state.errors / sd) ** 2).sum()) + float(np.log(sd).sum())
    if len(scaled):
        total -= scale_penalty(fit.noise.log_scale)
    return total


def _pixels(stations: Stations, used: NDArray[np.bool_], fit: Fit) -> float:
    """Return the log density of what the images leave over; of one left out it has a floor.

    Its points may lie anywhere in an image: it may show another board, or come from another camera,
    and no lens and no shape of the board is the likelier for being nearer to that.
    """
    log_variance = float(fit.noise.log_variance[0])
    terms = fit.state.errors[len(stations.systematic_sd) :]
    kept, variance = stations.take(used), float(np.exp(log_variance))
    total = -0.5 * (float(kept.dof.sum()) * log_variance + kept.views.rest(terms) / variance)
    for row in np.flatnonzero(~used):
        one = stations.take(np.array([row]))
        usual = log_variance * float(one.dof[0]) + one.views.rest(terms) / variance
        total += max(-0.5 * usual, -float(one.dof[0]) * LOG_IMAGE)
    return total


OTHER_SHARE = float(np.log(1 / 20))  # stations in another configuration, common practice, no source
TURNED_AT_ONCE = 3  # stations that fit worst, whose other postures are tried in turn
SAME_RAD = 1e-3  # [rad] postures that differ by less are one


def configuration_causes(scene: Scene) -> list[Cause]:
    """Return the configurations that explain the stations best, where they differ from the usual.

    Nothing to tell the operator, so the cause has no finding; the result is made with them. One
    station after another takes the posture that makes all data likeliest, while that pays.
    """
    found = scene.found
    arm = found.systematic.arm
    seen = [found.problem.observations[i] for i in found.gathered.index]
    if arm is None or any(item.joints is not None for item in seen):
        return []
    usual = postures_at(arm, scene.stations.typed, [None] * len(seen))
    now = _Standing(scene.stations, scene.used, found.fit, declared_weight(found))
    postures: dict[int, Array] = {}
    while len(postures) < len(seen) // 2:
        test = left_out(now.stations, now.fit, now.used.astype(float))
        rows = [int(row) for row in np.argsort(-test.squared_size) if int(row) not in postures]
        tried = [
            (now.turned(arm, row, q, found.prior), row, q)
            for row in rows[:TURNED_AT_ONCE]
            for q in _others(arm, scene.stations.typed[row], usual[row])
        ]
        best = max(tried, key=lambda item: item[0].weight, default=None)
        if best is None or best[0].weight <= now.weight:
            break
        now, postures[best[1]] = best[0], best[2]
    if not postures:
        return []
    joints = {
        station: postures.get(row, usual[row])
        for row, station in enumerate(scene.ids)
        if np.isfinite(postures.get(row, usual[row])).all()
    }
    observations = tuple(
        replace(item, joints=joints.get(item.id)) for item in found.problem.observations
    )
    problem = replace(found.problem, observations=observations)
    return [Cause(now.weight, (), problem, texts_of(scene), kept=True)]


@dataclass(frozen=True, slots=True, eq=False)
class _Standing:
    """Stations with the arm's postures as taken so far, those used (n,), their fit and weight."""

    stations: Stations
    used: NDArray[np.bool_]
    fit: Fit
    weight: float
    share: float = 0.0  # how common the postures taken are

    def turned(self, arm: Kinematics, row: int, q: Array, prior: NoisePrior) -> _Standing:
        """Return the same with the arm in posture ``q`` (axes,) at station ``row``."""
        systematic, used = self.stations.systematic.copy(), self.used.copy()
        systematic[row], used[row] = error_columns(arm, q[None])[0], True
        stations = replace(self.stations, systematic=systematic)
        ended = fit(stations.take(used), self.fit.state, prior, noise=self.fit.noise)
        share = self.share + OTHER_SHARE
        return _Standing(
            stations, used, ended, evidence(stations, used, ended, prior) + share, share
        )


def _others(arm: Kinematics, pose: Array, usual: Array) -> list[Array]:
    """Return the postures (axes,) within the limits that hold ``pose``, the usual one apart."""
    try:
        branches = arm.branches(pose)
    except StationbookError:
        return []
    return [q for q in branches if not np.abs(np.sin((q - usual) / 2.0)).max() <= SAME_RAD]


LEAST_MM = 0.1  # mm; below, a robot is as good as compensated (Slamani, Nubiola, Bonev 2012)
SMOOTH_SHARE = -3.0  # log of how common it is among sessions, common practice, no source
LEVER_MM = 400.0  # mm; over it errors of an arm change by their own size: common practice
# What a robot of 0.5 mm turns the flange (Slamani, Nubiola, Bonev 2012: 0.65 mm and 0.16°).
RAD_PER_MM = float(np.radians(0.16)) / 0.65


def smooth_causes(scene: Scene) -> list[Cause]:
    """Return the robot's geometry as a cause, where the estimate does not hold it already."""
    found = scene.found
    if len(found.stations.systematic_sd):
        return []
    columns, sd = _arm_columns(scene) or _any_columns(found.stations)
    stations = with_errors(found.stations, columns, sd)
    errors = np.zeros(len(sd) + len(stations.terms_sd))
    state = State(found.fit.state.camera, found.fit.state.board, errors)
    used = found.used
    ended = fit(stations.take(used), state, found.prior)
    weight = evidence(stations, used, ended, found.prior) + SMOOTH_SHARE
    moved = (columns[used] @ ended.state.errors[: len(sd)])[:, 3:]
    error = float(np.sqrt((moved**2).sum(axis=1).mean()))
    if error < LEAST_MM:
        return []
    known = error <= found.systematic.accuracy_mm  # as the cell says: nothing to tell
    described = () if known else (geometry_finding(found.problem, error),)
    return [Cause(weight, described, found.problem, texts_of(scene), last=True)]


def _arm_columns(scene: Scene) -> tuple[Array, Array] | None:
    """Return the flange's displacement per geometric error of the arm, where it is described."""
    robot = scene.found.problem.robot
    if robot is None or not (robot.geometry_mm or robot.links):
        return None
    model = systematic(replace(robot, accuracy_mm=ASSUMED_ACCURACY_MM))
    seen = tuple(scene.found.problem.observations[i] for i in scene.found.gathered.index)
    return flange_errors(model, scene.stations.typed, typed_joints(seen)), model.sd


def _any_columns(stations: Stations) -> tuple[Array, Array]:
    """Return displacements (n, 6, 18) that grow linearly with the place, for any arm."""
    place = stations.typed[:, :3, 3]
    off = (place - place.mean(axis=0)) / LEVER_MM
    columns = np.zeros((len(place), 6, 18))
    for axis in range(6):
        columns[:, axis, 3 * axis : 3 * axis + 3] = off
    sd = np.repeat([ASSUMED_ACCURACY_MM * RAD_PER_MM, ASSUMED_ACCURACY_MM], 9)
    return columns, sd
