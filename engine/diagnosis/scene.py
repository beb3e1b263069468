"""A fit laid out for tests, and one competing explanation of it.

With V the covariance of the residuals r, H the derivative by the unknowns and G their covariance,
``w = P r`` and the blocks of ``P = V⁻¹ − V⁻¹HGHᵀV⁻¹`` answer every question of the form "would a
change with the derivative z explain this?": it is estimated as zᵀw / zᵀPz and has the normal
deviate zᵀw / √(zᵀPz) (Baarda's w-test for any direction). No refit is needed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..cell.stations import Observation
from ..checks.layout import Layout, layout, normal_fields, numbers
from ..errors import SolveError
from ..estimate.fit import SCALE_SPREAD, VAGUE, Fit, Stations, System, linear_system
from ..estimate.noise import NoisePrior
from ..estimate.problem import Problem, constraint_rows
from ..estimate.solver import Solution
from ..findings import Finding
from ..frames import displacement
from ..pendant.entry import format_joints, format_pose
from ..pendant.settings import ANGLE_RAD
from .sane import own_views, sane_solution

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


DIFFERENCE_STEP = 1e-4  # [field units] of numerical derivatives: rounding and curvature below 1e-6
# Uniform density of where a station that fits nothing may lie: any rotation, any place of a cell.
ANYWHERE_RAD, ANYWHERE_MM = 2.0 * np.pi, 1000.0
LOG_ANYWHERE = -3.0 * float(np.log(ANYWHERE_RAD) + np.log(ANYWHERE_MM))
LOG_2PI = float(np.log(2.0 * np.pi))

Texts = dict[int, tuple[str, ...]]


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """One fit with its typed texts.

    ``ids`` (n,) of the gathered stations and ``fields`` (n,) their texts. ``system`` linearises all
    of them at the fit. ``views`` (n, 4, 4) is camera_T_board of each image by itself. ``V``
    (n, 6, 6), ``w`` (n, 6) and ``P`` (n, 6, 6) as in the module's text: for a station left out of
    the fit they are taken against the fit of the others. ``VH`` (n, 6, 12 + p) is V⁻¹H. ``prior``
    (12 + p, 12 + p) is what is known of the unknowns beside the stations, and ``slope`` (12 + p,)
    the likelihood's gradient, zero but for rounding.
    """

    found: Solution
    layout: Layout
    ids: tuple[int, ...]
    fields: tuple[tuple[str, ...], ...]
    system: System
    views: Array
    V: Array
    VH: Array
    w: Array
    P: Array
    prior: Array
    slope: Array

    @property
    def used(self) -> NDArray[np.bool_]:
        """Which stations the fit holds (n,)."""
        return self.found.used

    @property
    def stations(self) -> Stations:
        """The stations behind the fit."""
        return self.found.stations

    @property
    def redundancy(self) -> float:
        """Degrees of freedom of the fit: 6 for each station used, less 12."""
        return max(6.0 * float(self.used.sum()) - 12.0, 0.0)

    def field_rows(self, row: int) -> Array:
        """Return the view's displacement (6, k) per unit of each typed field of one station."""
        return np.asarray(self.system.by_flange[row] @ self.field_motion(row).T)

    def field_motion(self, row: int) -> Array:
        """Return the flange's displacement (k, 6) per unit of each typed field, base axes."""
        values = numbers(self.fields[row])
        moved = self.layout.poses(values + DIFFERENCE_STEP * np.eye(len(values)))
        return displacement(moved, self.layout.poses(values)) / DIFFERENCE_STEP

    def test(self, Z: Array) -> tuple[Array, Array]:
        """Return Zᵀ P r (..., q) and Zᵀ P Z (..., q, q) of changes Z (..., n, 6, q).

        Only the stations used count. What the unknowns can take over is subtracted from Z before it
        is squared, which keeps the digits that Zᵀ V⁻¹ Z − .. would cancel.
        """
        use = self.used
        Z, H, VH = Z[..., use, :, :], self.system.rows[use], self.VH[use]
        V_inverse = np.linalg.inv(self.V[use])
        shared = self.found.fit.covariance @ np.einsum("nik,...niq->...kq", VH, Z)
        rest = Z - np.einsum("nik,...kq->...niq", H, shared)
        information = np.einsum("...niq,nij,...njs->...qs", rest, V_inverse, rest, optimize=True)
        information += np.einsum("...kq,kl,...ls->...qs", shared, self.prior, shared)
        score = np.einsum("...niq,ni->...q", Z, self.w[use])
        return score - np.einsum("...kq,k->...q", shared, self.slope), information


def scene(found: Solution, texts: Texts) -> Scene:
    """Return the scene of a fit; stations without a text get the one the pendant would show."""
    problem, fit, used = found.problem, found.fit, found.used
    system = linear_system(found.stations, fit.state)
    V = system.covariance(fit.noise)
    S = system.rows @ fit.covariance @ np.swapaxes(system.rows, 1, 2)
    V_inverse = np.linalg.inv(V)
    apart = np.linalg.inv(V + S)
    inside = used[:, None, None]
    weight = np.where(inside, V_inverse, apart)
    w = (weight @ system.residual[..., None])[..., 0]
    prior, pull = _prior(found)
    seen = [problem.observations[i] for i in found.gathered.index]
    pendant_layout = layout(problem.pendant, problem.robot)
    return Scene(
        found=found,
        layout=pendant_layout,
        ids=tuple(item.id for item in seen),
        fields=tuple(_fields(problem, item, texts) for item in seen),
        system=system,
        views=own_views(found.gathered, found.turn),
        V=V,
        VH=V_inverse @ system.rows,
        w=w,
        P=np.where(inside, V_inverse - V_inverse @ S @ V_inverse, apart),
        prior=prior,
        slope=np.einsum("nik,ni->k", system.rows[used], w[used]) + pull,
    )


def _prior(found: Solution) -> tuple[Array, Array]:
    """Return the precision (12 + p, 12 + p) of what is known beside the stations, and its pull."""
    stations, fit = found.stations, found.fit
    vague = np.repeat(1.0 / np.array([*VAGUE, *VAGUE]) ** 2, 3)
    errors = 1.0 / (stations.systematic_sd**2 * np.exp(fit.noise.log_scale))
    precision = np.diag(np.concatenate([vague, errors]))
    pull = np.concatenate([np.zeros(12), -errors * fit.state.errors])
    ties = constraint_rows(stations.constraints, fit.state.camera, fit.state.board)
    for residual, rows in ties:
        precision[:12, :12] += rows.T @ rows
        pull[:12] += rows.T @ residual
    return precision, pull


def _fields(problem: Problem, seen: Observation, texts: Texts) -> tuple[str, ...]:
    """Return the normalised texts of one station."""
    pendant = problem.pendant
    if seen.id in texts:
        return normal_fields(texts[seen.id], pendant)
    if not pendant.shows_joints:
        return format_pose(seen.base_T_flange, pendant)
    if seen.joints is None:
        raise SolveError(f"station {seen.id}: this pendant shows joints, and none were typed")
    turning = np.array([unit in ANGLE_RAD for unit in layout(pendant, problem.robot).units])
    shown = np.where(turning, np.degrees(seen.joints), seen.joints)
    return format_joints(shown.tolist(), pendant, problem.robot)


def evidence(stations: Stations, used: NDArray[np.bool_], fit: Fit, prior: NoisePrior) -> float:
    """Return the logarithm of how probable the data are under a fit, unknowns integrated out.

    Restricted likelihood of the residuals at the most likely noise levels (Harville 1977), the
    pixels' own residuals, the priors of noise and systematic errors; a station left out may lie
    anywhere. Only differences between fits of the same images mean something.
    """
    system = linear_system(stations.take(used), fit.state)
    V = system.covariance(fit.noise)
    r = system.residual
    size = np.einsum("ni,ni->", r, np.linalg.solve(V, r[..., None])[..., 0])
    total = -0.5 * (float(np.linalg.slogdet(V)[1].sum()) + float(size) + r.size * LOG_2PI)
    total += 0.5 * float(np.linalg.slogdet(fit.covariance)[1]) + 6.0 * LOG_2PI
    total += LOG_ANYWHERE * float((~used).sum())
    return total + _priors(stations, fit, prior) + _pixels(stations, fit)


def _priors(stations: Stations, fit: Fit, prior: NoisePrior) -> float:
    offset = fit.noise.log_variance - 2.0 * np.log(np.array(prior.median))
    total = -0.5 * float((offset**2).sum()) / (2.0 * prior.spread) ** 2
    if len(stations.systematic_sd):
        sd = stations.systematic_sd * np.exp(0.5 * fit.noise.log_scale)
        total -= 0.5 * float(((fit.state.errors / sd) ** 2).sum()) + float(np.log(sd).sum())
        total -= 0.5 * (fit.noise.log_scale / (2.0 * SCALE_SPREAD)) ** 2
    return total


def _pixels(stations: Stations, fit: Fit) -> float:
    log_variance = float(fit.noise.log_variance[0])
    rest = float(stations.views.rss.sum()) / float(np.exp(log_variance))
    return -0.5 * (float(stations.dof.sum()) * log_variance + rest)
