"""A fit laid out for tests: is there anything at all that needs an explanation?

With V the covariance of the residuals r, H the derivative by the unknowns and G their covariance,
``w = P r`` and the blocks of ``P = V⁻¹ − V⁻¹HGHᵀV⁻¹`` answer every question of the form "would a
change with the derivative z explain this?": it is estimated as zᵀw / zᵀPz and has the normal
deviate zᵀw / √(zᵀPz) (Baarda's w-test for any direction). No refit is needed.

Every alarm carries the chance that a clean session raises one as strong somewhere: the tests of one
family are corrected for their number (Bonferroni).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..camera.lens import CENTRES, DEPTH_SHIFTS, DEPTH_TILTS, NAMES, SHAPES
from ..camera.views import Gaussian, linearised
from ..cell.stations import Layout, Observation, layout, normal_fields, numbers
from ..errors import SolveError
from ..estimate.drift import drift_share
from ..estimate.fit import SCALE_SPREAD, Stations, System, beforehand
from ..estimate.problem import Problem
from ..estimate.solver import Solution
from ..frames import displacement, skew
from ..pendant.entry import format_joints, format_pose
from ..pendant.settings import ANGLE_RAD
from ..tails import chi2_sf, f_sf, t_sf

DIFFERENCE_STEP = 1e-4  # [field units] of numerical derivatives: rounding and curvature below 1e-6
Texts = dict[int, tuple[str, ...]]


@dataclass(frozen=True, slots=True, eq=False)
class Inside:
    """What images tell by themselves of a change: score (q,), information (q, q), both with the
    unknowns (k, q)."""

    score: Array
    information: Array
    shared: Array


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """One fit with its typed texts.

    ``ids`` (n,) of the gathered stations and ``fields`` (n,) their texts. ``system`` linearises all
    of them at the fit. ``views`` (n, 4, 4) is camera_T_board of each image by itself. ``V``
    (n, 6, 6), ``w`` (n, 6) and ``P`` (n, 6, 6) as in the module's text: for a station left out of
    the fit they are taken against the fit of the others. ``V_inverse`` (n, 6, 6) is V⁻¹. ``prior``
    (k, k) is what is known of the unknowns beside the stations, and ``slope`` (k,)
    the likelihood's gradient, zero but for rounding.
    """

    found: Solution
    layout: Layout
    ids: tuple[int, ...]
    fields: tuple[tuple[str, ...], ...]
    system: System
    views: Array
    V: Array
    V_inverse: Array
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

    def decimals(self) -> tuple[int, ...]:
        """Return the decimals of each field: the pendant's, or more where they were typed."""
        told = self.layout.pendant.decimals
        columns = zip(*self.fields, strict=True)
        typed = [max(len(text.partition(".")[2]) for text in column) for column in columns]
        return tuple(max(pair) for pair in zip(told, typed, strict=True))

    def field_rows(self) -> Array:
        """Return the view's displacement (n, 6, k) per unit of each station's typed fields."""
        values = np.array([numbers(fields) for fields in self.fields])
        n, k = values.shape
        moved = self.layout.poses((values[:, None] + DIFFERENCE_STEP * np.eye(k)).reshape(-1, k))
        here = self.layout.poses(values)[:, None]
        motion = displacement(moved.reshape(n, k, 4, 4), here) / DIFFERENCE_STEP
        return np.asarray(self.system.by_flange @ np.swapaxes(motion, 1, 2))

    def test(self, Z: Array, inside: Inside | None = None) -> tuple[Array, Array]:
        """Return Zᵀ P r (q,) and Zᵀ P Z (q, q) of changes Z (n, 6, q).

        Only the stations used count. What the unknowns can take over is subtracted from Z before it
        is squared, which keeps the digits that Zᵀ V⁻¹ Z − .. would cancel.
        """
        used, q = self.used, Z.shape[2]
        Z, H, V_inverse = Z[used], self.system.rows[used], self.V_inverse[used]
        k = H.shape[2]
        both = (V_inverse @ H).reshape(-1, k).T @ Z.reshape(-1, q)
        if inside is not None:
            both = both + inside.shared
        shared = self.found.fit.covariance @ both
        rest = Z - (H.reshape(-1, k) @ shared).reshape(Z.shape)
        information = rest.reshape(-1, q).T @ (V_inverse @ rest).reshape(-1, q)
        information += shared.T @ self.prior @ shared
        score = self.w[used].ravel() @ Z.reshape(-1, q)
        if inside is not None:
            cross = shared.T @ inside.shared
            information += inside.information - cross - cross.T
            score = score + inside.score
        return score - self.slope @ shared, information

    def test_shares(self, Z: Array, shares: Array) -> tuple[Array, Array]:
        """Return `test` of m changes Z (n, 6, q), each station by its share (m, n) of it.

        (m, q) and (m, q, q), from sums over the stations. They cancel digits where the unknowns can
        take over nearly all of Z: that a part of the stations has moved, they cannot.
        """
        used, m, q = self.used, len(shares), Z.shape[2]
        Z, H, V_inverse = Z[used], self.system.rows[used], self.V_inverse[used]
        n, k, share = len(Z), H.shape[2], shares[:, used]
        Z_t, H_t, VZ = np.swapaxes(Z, 1, 2), np.swapaxes(H, 1, 2), V_inverse @ Z
        own = (share**2 @ (Z_t @ VZ).reshape(n, -1)).reshape(m, q, q)
        both = (share @ (H_t @ VZ).reshape(n, -1)).reshape(m, k, q)
        score = share @ (Z_t @ self.w[used, :, None])[..., 0]
        shared = self.found.fit.covariance @ both
        M = H.reshape(-1, k).T @ (V_inverse @ H).reshape(-1, k) + self.prior
        back = np.swapaxes(shared, 1, 2)
        cross = back @ both
        information = own - cross - np.swapaxes(cross, 1, 2) + back @ M @ shared
        return score - self.slope @ shared, information


def scene(found: Solution, texts: Texts) -> Scene:
    """Return the scene of a fit; stations without a text get the one the pendant would show."""
    problem, fit, used = found.problem, found.fit, found.used
    system = found.system
    V = system.covariance(fit.noise)
    S = system.rows @ fit.covariance @ np.swapaxes(system.rows, 1, 2)
    V_inverse = np.asarray(np.linalg.inv(V), float)
    P, weight = V_inverse - V_inverse @ S @ V_inverse, V_inverse.copy()
    P[~used] = weight[~used] = np.linalg.inv((V + S)[~used])
    w = (weight @ system.residual[..., None])[..., 0]
    prior, pull = beforehand(found.stations.take(used), fit.state, fit.noise)
    seen = [problem.observations[i] for i in found.gathered.index]
    pendant_layout = layout(problem.pendant, problem.robot)
    return Scene(
        found=found,
        layout=pendant_layout,
        ids=tuple(item.id for item in seen),
        fields=tuple(fields_of(problem, item, texts) for item in seen),
        system=system,
        views=found.gathered.own_views(found.turn),
        V=V,
        V_inverse=V_inverse,
        w=w,
        P=P,
        prior=prior,
        slope=np.einsum("nik,ni->k", system.rows[used], w[used]) + pull,
    )


def fields_of(problem: Problem, seen: Observation, texts: Texts) -> tuple[str, ...]:
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


Family = Literal["field", "station", "split", "pitch", "lens", "term", "noise", "whole"]
# What may lie off any way is tested together.
WATCHED = (*((name,) for name in SHAPES), CENTRES, DEPTH_TILTS, DEPTH_SHIFTS)
TOLD = 0.05  # [-] of a prior variance that the data must have taken away to tell anything

# The noise of rotation and of position are estimated apart, so a test of one field has about half
# of the session's degrees of freedom behind it.
SHARE_OF_DEGREES = 0.5
LEAST_DEGREES = 2.0  # [-] below, no noise level is known at all
LEAST_DRIFT = 4  # stations that tell a drift from a bad station
LEAST_BLOCK = 2  # stations on either side of a change: one alone is a bad station
MOST_SPLITS = 40  # places of a change that are tested in a long session, evenly spread
LEAST_SPLIT = 8.0  # [-] degrees of freedom; a move takes 6 of them
LENS_STATIONS = 40  # stations that test the lens; more change nothing
FOCAL = NAMES.index("focal length")


@dataclass(frozen=True, slots=True)
class Alarm:
    """One test that stands out: ``chance`` that a clean session shows it, and where."""

    family: Family
    chance: float
    station: int | None = None
    field: int | None = None
    side: str | None = None


def field_deviates(scene: Scene) -> tuple[Array, Array]:
    """Return (n, k) deviates of every typed field and the shifts [field units] that undo them.

    A deviate is studentised without its own contribution, so that a large one does not hide itself.
    """
    degrees = max(SHARE_OF_DEGREES * scene.redundancy, LEAST_DEGREES)
    Z = scene.field_rows()
    size = np.maximum((Z * (scene.P @ Z)).sum(axis=1), 1e-300)
    score = (Z * scene.w[..., None]).sum(axis=1)
    plain = score / np.sqrt(size)
    rest = np.maximum(degrees - plain**2, 1e-6 * degrees)
    alone = plain * np.sqrt((degrees - 1.0) / rest)
    return np.where(scene.used[:, None], alone, plain), score / size


def field_alarms(scene: Scene) -> list[Alarm]:
    """Return one alarm per station used: its most deviating field."""
    deviate, _ = field_deviates(scene)
    degrees = max(SHARE_OF_DEGREES * scene.redundancy - 1.0, 1.0)
    chance = deviate.size * 2.0 * t_sf(np.abs(deviate), degrees)
    worst = np.abs(deviate).argmax(axis=1)
    return [
        Alarm("field" if scene.used[row] else "station", float(chance[row, k]), row, int(k))
        for row, k in enumerate(worst)
    ]


def split_columns(scene: Scene) -> dict[str, Array]:
    """Return the view's displacement (n, 6, 6) by a change on the flange's and the base's side.

    The flange's side: board or tool (eye-to-hand), camera or tool (eye-in-hand). The base's side:
    camera or user frame, board or user frame.
    """
    typed, by_flange = scene.stations.typed, scene.system.by_flange
    columns = side_columns(typed)
    return {side: by_flange @ J for side, J in columns.items()}


def side_columns(typed: Array) -> dict[str, Array]:
    """Return the displacement (n, 6, 6) of flange poses by a motion of the flange or of the base.

    The flange's: F' = F · D with D = [Exp(r) | t], exact for any size. The base's: F' = E · F, the
    rotation about the middle of the poses, exact for small ones.
    """
    n = len(typed)
    flange, base = np.zeros((n, 6, 6)), np.zeros((n, 6, 6))
    flange[:, :3, :3] = flange[:, 3:, 3:] = typed[:, :3, :3]
    base[:, :3, :3] = base[:, 3:, 3:] = np.eye(3)
    base[:, 3:, :3] = -skew(typed[:, :3, 3] - typed[:, :3, 3].mean(axis=0))
    return {"flange": flange, "base": base}


def split_places(n: int) -> NDArray[np.int64]:
    """Return the rows k at which a change from station k on is tested."""
    places = np.arange(LEAST_BLOCK, n - LEAST_BLOCK + 1)
    if len(places) <= MOST_SPLITS:
        return places
    return np.unique(np.linspace(places[0], places[-1], MOST_SPLITS).round().astype(int))


def split_tests(scene: Scene) -> dict[str, Array]:
    """Return, for each side, T (places + 1,) = score² of a change at each place, and a drift's."""
    n, places = len(scene.used), split_places(len(scene.used))
    steps = (np.arange(n) >= places[:, None]).astype(float)
    later = np.concatenate([steps, drift_share(n)[None]])
    answer = {}
    for side, Z in split_columns(scene).items():
        score, M = scene.test_shares(Z, later)
        answer[side] = quadratic(M, score)
    return answer


def quadratic(M: Array, score: Array) -> Array:
    """Return scoreᵀ M⁻¹ score (n,); directions that the data do not tell count for nothing."""
    scale = np.sqrt(np.maximum(np.einsum("nii->ni", M), 1e-300))
    value, vectors = np.linalg.eigh(M / (scale[:, :, None] * scale[:, None, :]))
    part = np.einsum("nij,ni->nj", vectors, score / scale)
    return np.asarray((np.where(value > 1e-6, part**2 / np.maximum(value, 1e-6), 0.0)).sum(axis=1))


def split_alarms(scene: Scene) -> list[Alarm]:
    """Return the strongest place of a change for each side."""
    if not len(split_places(len(scene.used))):
        return []
    tests = split_tests(scene)
    places = split_places(len(scene.used))
    items = []
    for side, T in tests.items():
        best = int(T.argmax())
        chance = split_chance(scene, T)
        place = int(places[best]) if best < len(places) else None
        items.append(Alarm("split", chance, place, None, side))
    return items


def split_chance(scene: Scene, T: Array) -> float:
    """Return the chance of the largest of ``T`` (k,), looked for on two sides, where all is well.

    Infinite where too little is left to tell a move from noise.
    """
    if scene.redundancy <= LEAST_SPLIT:
        return np.inf
    return 2 * len(T) * f_chance(float(T.max()), 6, scene.redundancy)


def f_chance(T: float, q: int, degrees: float) -> float:
    """Return the chance of T = score² of q changes where the noise is estimated from the rest."""
    rest = max(degrees - T, 1e-6 * degrees)
    return f_sf(T / q * (degrees - q) / rest, q, degrees - q)


def scale_rows(scene: Scene) -> Array:
    """Return the view's displacement (n, 6, 1) by the logarithm of the board's pitch."""
    Z = np.zeros((len(scene.ids), 6, 1))
    Z[:, 3:, 0] = -scene.views[:, :3, 3]
    return Z


def pitch_alarm(scene: Scene) -> Alarm:
    """Return how far the board's scale deviates.

    An arm's lengths take a wrong scale over where they may be many times as wrong as the cell says:
    that they are, is as much of an alarm.
    """
    larger = max(float(scene.found.fit.noise.log_scale[0]), 0.0) / (2.0 * SCALE_SPREAD)
    score, size = scene.test(scale_rows(scene))
    T = float(score[0] ** 2 / max(size[0, 0], 1e-300))
    degrees = max(SHARE_OF_DEGREES * scene.redundancy, LEAST_DEGREES)
    return Alarm("pitch", min(f_chance(T, 1, degrees), chi2_sf(larger**2, 1)))


def lens_test(scene: Scene) -> tuple[float, float, float]:
    """Return score and information of log focal length, and the redundancy of the pixels used.

    The image tells of the focal length twice: by how far away the board seems, station against
    station, and by the perspective inside each image.
    """
    found = scene.found
    n, known = len(scene.ids), found.gathered.terms
    rows = np.unique(np.linspace(0, n - 1, min(n, LENS_STATIONS)).round().astype(int))
    rows = rows[scene.used[rows] & (found.gathered.dof[rows] > 0)]
    if not len(rows):
        return 0.0, 1.0, 0.0
    both, focal = focal_views(scene, rows)
    others = np.ones(both.by_terms.shape[2], bool)
    others[focal] = known.kept[FOCAL]
    gradient, curve = both.rest_gradient.sum(axis=0), both.rest_information.sum(axis=0)
    p, variance = len(found.systematic.sd), found.fit.noise.pixel_px**2
    shared = np.zeros((len(found.fit.covariance), 1))
    shared[12 + p :, 0] = curve[others, focal] / variance
    now = curve[focal, others] @ found.fit.state.errors[p:]
    Z = np.zeros((n, 6, 1))
    Z[rows, :, 0] = both.by_terms[:, :, focal]
    inside = Inside(
        (gradient[focal, None] - now) / variance, curve[focal, focal, None, None] / variance, shared
    )
    score, size = scene.test(Z, inside)
    return float(score[0]), max(float(size[0, 0]), 1e-300), float(found.gathered.dof[rows].sum())


def focal_views(scene: Scene, rows: NDArray[np.int64]) -> tuple[Gaussian, int]:
    """Return the images of ``rows`` with the focal length as a term, and which of them it is."""
    found, known = scene.found, scene.found.gathered.terms
    both = scene.stations.views.take(rows)
    if not known.kept[FOCAL] or found.gathered.foreign[rows].any():
        views, terms = found.views.take(rows), known.only((*known.names, NAMES[FOCAL]))
        both = linearised(views, both.pose, found.gathered.lens, terms)
    return both, int(known.kept[:FOCAL].sum())


def term_alarms(scene: Scene) -> list[Alarm]:
    """Return how far image centre, shape of the board and depth lie from what the cell says.

    An error e with prior variance s² and variance g after the fit was told by e² / (s² − g) normal
    deviates squared. Most of that is what the cell allows, so a few stations tell it as many do.
    """
    found, kept = scene.found, scene.found.gathered.terms.kept
    first = 12 + len(found.systematic.sd)
    prior = found.gathered.terms.sd**2
    told = prior - np.diag(found.fit.covariance)[first:]
    square = np.where(told > TOLD * prior, found.fit.state.errors[first - 12 :] ** 2, 0.0)
    size = square / np.maximum(told, TOLD * prior)
    groups = [np.isin(found.gathered.terms.names, names) for names in WATCHED]
    return [
        Alarm("term", int(kept.sum()) * chi2_sf(float(size[group].sum()), int(group.sum())))
        for group in groups
        if group.any()
    ]


def lens_alarm(scene: Scene) -> Alarm:
    """Return how far the focal length deviates."""
    score, information, _ = lens_test(scene)
    degrees = max(SHARE_OF_DEGREES * scene.redundancy, LEAST_DEGREES)
    return Alarm("lens", f_chance(score**2 / information, 1, max(degrees, 2.0)))
