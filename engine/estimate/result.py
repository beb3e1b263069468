"""What an estimate found, how far a pick with it is off, and what that is made of.

The camera sees a part, the transform says where that is, the robot goes there, and is off by its
systematic error. To first order, at a place p and with displacements of the delivered transform,

    e(p) = M(p) · (delivered − true) + S(p) · errors,

M: what a displacement of the transform does to p, S: what a systematic error of the arm does to
the flange when it picks at p as `work_volume.approach` says (eye-in-hand: less what it did to the
flange when the camera looked, from the mean place of the stations), and what wrong lens data do to
where the camera sees the part, if parts are located by them. The transform that picks best
is ``true − B · errors`` with B the rigid motion nearest to S over the work volume (least squares);
what remains, (S − M·B) · errors, no single transform can take away.

The budget says what this uncertainty is made of and which single measurement would shrink it most.
The estimate is linear in what was measured and in what was known beforehand, so its covariance is
the sum of what each contributes: G (Σ WᵀV_k W) G of a noise V_k, with W = V⁻¹H, and G P_j G of a
prior P_j (GUM, JCGM 100:2008, 5.1). Noise levels are themselves estimated; the effective degrees of
freedom follow from theirs (Welch-Satterthwaite, GUM annex G.4), those of priors are infinite, but
for the size of the arm's errors, as far as the data tell it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cache
from itertools import product

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..camera.lens import lens
from ..cell.cell import EYE_TO_HAND, Mount, Tolerance
from ..cell.result import (
    Convergence,
    Matrix,
    NoiseLevels,
    Part,
    Placed,
    Rows,
    StationResult,
    StoredBudget,
    StoredResult,
    SystematicError,
    Uncertainty,
    Verdict,
    verdict,
    widening,
)
from ..depth.plane import Weighed
from ..findings import Finding, by_gravity
from ..frames import (
    apply,
    displaced,
    inverse,
    mean_rotation,
    point_rows,
    quaternion_xyzw,
    skew,
    transform,
)
from ..pendant.conventions import flange_of, to_matrix
from ..tails import t_isf
from .fit import in_the_images, measured_numbers
from .problem import Noise, Problem, terms_of
from .solver import Solution
from .systematic import (
    OF_THE_FIELD,
    UNEXPLAINED,
    ZERO_RAD,
    Systematic,
    flange_errors,
    usual_posture,
)
from .ties import HEIGHT

# What an arm that is off by 1 mm turns the flange: six zeros of 0.02° that give 0.5 mm, see
# `systematic`. (One arm was measured at 0.65 mm and 0.16°: Slamani, Nubiola, Bonev 2012.)
RAD_PER_MM = float(6**0.5 * ZERO_RAD) / 0.5
REMAINS = "what no single transform takes away"  # of estimated errors, over the work volume
GRID = (-0.5, 0.0, 0.5)  # [-] of the work volume's sides: corners, edges, faces and centre


DRAWS, PART = 4000, 500  # of the errors at all corners; their quantile is then good to 1 %
# [-] of cases in which all corners keep U: half of the 5 % that U = 2u leaves is left to what no
# model of an arm or a lens holds.
KEPT = 0.975


@cache
def _draws(count: int) -> tuple[Array, ...]:
    """Return DRAWS normal deviates in parts (count, PART) that stay in the cache.

    They are always the same: the same data give the same U.
    """
    drawn = np.random.default_rng(95).standard_normal((DRAWS, count))
    return tuple(np.ascontiguousarray(part.T) for part in np.split(drawn, DRAWS // PART))


@dataclass(frozen=True, slots=True, eq=False)
class PickModel:
    """The pick error at 27 places of the work volume, on the axes of the transform.

    ``moved`` M (27, 3, 6); ``off`` S (27, 3, p + q); ``rigid`` B (6, p + q); ``corner`` (27,) marks
    the eight corners. ``floor_mm``: what the arm is off where its geometry is not
    known, ``unseen`` (6, 6) what that adds to the transform's covariance.
    """

    moved: Array
    off: Array
    rigid: Array
    corner: Array
    floor_mm: float
    unseen: Array

    def delivered(self, camera: Array, errors: Array) -> Array:
        """Return the transform (4, 4) that picks best, from the geometric one."""
        return displaced(camera, -self.rigid @ errors)

    def delivered_covariance(self, covariance: Array) -> Array:
        """Return the delivered transform's covariance (6, 6) from the fit's (12 + p, 12 + p)."""
        rows = np.concatenate([np.eye(6), np.zeros((6, 6)), -self.rigid], axis=1)
        return np.asarray(rows @ covariance @ rows.T + self.unseen)

    def terms_covariance(self, covariance: Array, arm: int) -> Array:
        """Return the covariance (q, 6 + q) of lens and board with the delivered transform and all.

        From the fit's (12 + p + q, 12 + p + q), the arm's ``arm`` errors (p) left out.
        """
        with_all = covariance[12 + arm :]
        delivered = with_all[:, :6] - with_all[:, 12:] @ self.rigid.T
        return np.concatenate([delivered, with_all[:, 12 + arm :]], axis=1)

    def work_volume_mm(self, covariance: Array) -> float:
        """Return u at the worst corner [mm] from the delivered transform's covariance (6, 6)."""
        return float(np.sqrt(self._traces(self.moved, covariance).max()))

    def pick_mm(self, covariance: Array, errors: Array, least: float = np.inf) -> float:
        """Return u of a pick at the worst corner [mm] from the fit's covariance (12 + p, 12 + p).

        Variance of M·camera − S·errors, plus the square of what is known to remain. Where one
        direction makes most of it, 2u is exceeded at one of eight corners too often; u is then half
        of what all corners keep in 97.5 % of cases (propagation of distributions, JCGM 101). What
        turns out to be ``least`` [mm] or more is worked out no further, and may come as ∞.
        """
        index = np.r_[0:6, 12 : 12 + len(errors)]
        rows = np.concatenate([self.moved, -self.off], axis=2)[self.corner]
        flat = rows.reshape(-1, len(index))
        joint = flat @ covariance[np.ix_(index, index)] @ flat.T
        left = ((self.off - self.moved @ self.rigid) @ errors)[self.corner]
        spread = joint.diagonal().reshape(left.shape).sum(axis=1)
        camera = self.work_volume_mm(self.delivered_covariance(covariance))
        total = float((spread + (left**2).sum(axis=1)).max()) + self.floor_mm**2
        worst = max(float(np.sqrt(total)), camera)
        if worst >= least:
            return worst
        return max(worst, 0.5 * self._kept_by_all(joint, left, 2.0 * least))

    def _kept_by_all(self, joint: Array, left: Array, least: float) -> float:
        """Return the size [mm] that the errors at all corners keep in the share `KEPT` of cases.

        ``joint`` (3c, 3c) is their covariance, ``left`` (c, 3) what is known to remain. ∞ as soon
        as so many cases exceed ``least`` [mm] that the size does.
        """
        common = np.tile(np.eye(3), (len(left), len(left))) * self.floor_mm**2 / 3.0
        sizes, axes = np.linalg.eigh(joint + common)
        root, largest = axes * np.sqrt(np.maximum(sizes, 0.0)) @ axes.T, []  # alike for any axes
        spare, above = DRAWS - int(KEPT * (DRAWS - 1)), 0  # cases above the size, and above least
        for drawn in _draws(left.size):
            off = root @ drawn
            off += left.reshape(-1, 1)
            off *= off
            largest.append(off.reshape(len(left), 3, -1).sum(axis=1).max(axis=0))
            above += int((largest[-1] > least**2).sum())
            if above >= spare:
                return np.inf
        return float(np.sqrt(np.quantile(np.concatenate(largest), KEPT)))

    def parts(self, parts: dict[str, Array], covariance: Array, errors: Array) -> dict[str, float]:
        """Return u² [mm²] of a pick at the worst corner of each part of ``covariance``.

        And of `REMAINS`: what is known to remain of estimated errors.
        """
        index = np.r_[0:6, 12 : 12 + len(errors)]
        rows = np.concatenate([self.moved, -self.off], axis=2)
        left = ((self.off - self.moved @ self.rigid) @ errors)[self.corner]
        whole = self._traces(rows, covariance[np.ix_(index, index)]) + (left**2).sum(axis=1)
        corner = int(whole.argmax())
        return {
            name: float(self._traces(rows, part[np.ix_(index, index)])[corner])
            for name, part in parts.items()
        } | {REMAINS: float((left[corner] ** 2).sum())}

    def _traces(self, rows: Array, covariance: Array) -> Array:
        corner = rows[self.corner]
        return np.asarray(np.einsum("nij,jk,nik->n", corner, covariance, corner))


def pick_model(
    problem: Problem,
    model: Systematic,
    camera: Array,
    typed: Array,
    joints: list[Array | None] | None = None,
) -> PickModel:
    """Return the pick model around ``camera`` (4, 4), for stations at ``typed`` (n, 4, 4).

    ``joints`` typed with the poses, if any. The arm is taken to pick in the configuration in which
    it visits the stations.
    """
    looking = transform(approach(problem, typed), typed[:, :3, 3].mean(axis=0))
    seen, corner = _places(problem, camera, looking)
    moved = point_rows(camera, seen)
    near = None
    if model.arm is not None:
        near = usual_posture(model.arm, typed, joints or [None] * len(typed))
    arm = _arm_errors(problem, model, camera, looking, seen, near)
    off = np.concatenate([arm, _located(problem, camera, seen)], axis=2)
    flat = moved.reshape(-1, 6)
    rigid = np.linalg.pinv(flat) @ off.reshape(len(flat), -1)
    floor = model.accuracy_mm * (1.0 if model.arm is None else UNEXPLAINED)
    lever = camera[:3, 3] - looking[:3, 3] if problem.mount == EYE_TO_HAND else np.zeros(3)
    return PickModel(moved, off, rigid, corner, floor, _unseen(floor, lever))


def _unseen(error_mm: float, lever: Array) -> Array:
    """Return the covariance (6, 6) of a transform ``lever`` (3,) [mm] away from an arm's error."""
    rows = np.eye(6)
    rows[3:, :3] = -skew(lever)
    turn = (RAD_PER_MM * error_mm) ** 2
    return np.asarray(rows @ np.diag([turn] * 3 + [error_mm**2] * 3) @ rows.T / 3.0)


def _located(problem: Problem, camera: Array, seen: Array) -> Array:
    """Return how far off parts at ``seen`` (27, 3) are located by wrong lens data, (27, 3, q).

    On the axes of the transform's first frame. Points in space are off by the scale of depth.
    """
    terms = terms_of(problem)
    if problem.by_depth:
        return np.asarray(camera[:3, :3] @ terms.located_by_depth(seen))
    return np.asarray(camera[:3, :3] @ terms.located(seen, lens(problem.camera)))


def approach(problem: Problem, typed: Array) -> Array:
    """Return the flange's rotation (3, 3) when picking: as described, or the stations' mean."""
    fields = problem.work_volume.approach
    if fields is None:
        return mean_rotation(typed[:, :3, :3])
    values = [0.0, 0.0, 0.0, *(float(field) for field in fields)]
    shown = transform(to_matrix(values[3:], problem.pendant), np.zeros(3))
    return np.asarray(flange_of(shown, problem.pendant)[:3, :3])


def _places(problem: Problem, camera: Array, looking: Array) -> tuple[Array, Array]:
    """Return the places in the camera frame (27, 3) [mm] and which of them are corners (27,)."""
    volume = problem.work_volume
    unit = np.array(list(product(GRID, repeat=3)))
    places = np.asarray(volume.center_mm) + unit * np.asarray(volume.size_mm)
    corner = (unit != 0.0).all(axis=1)
    if volume.frame == "camera":
        return places, corner
    base_T_camera = camera if problem.mount == EYE_TO_HAND else looking @ camera
    return apply(inverse(base_T_camera), places), corner


def _arm_errors(
    problem: Problem,
    model: Systematic,
    camera: Array,
    looking: Array,
    seen: Array,
    near: Array | None,
) -> Array:
    """Return S (27, 3, p) on the axes of the transform's first frame."""
    if model.arm is None:
        return np.zeros((len(seen), 3, 0))
    fixed = problem.mount == EYE_TO_HAND
    base = apply(camera if fixed else looking @ camera, seen)
    picking = flange_errors(model, transform(looking[:3, :3], base), near=near)[:, 3:]
    if fixed:
        return picking
    J = flange_errors(model, looking[None], near=near)[0]
    lever = base - looking[:3, 3]
    looked = J[3:] - skew(lever) @ J[:3]
    return np.asarray(looking[:3, :3].T @ (picking - looked))


PIXELS, TURNS, PLACES = "pixels", "rotation of the stops", "position of the stops"
ARM, BOARD, LENS, NUMBERS = "robot accuracy", "board", "lens data", "measured numbers"
NORMAL_95 = 1.96  # [-] of a normal deviate; U = 2u rounds it up
AGREES = 0.02  # [-] share by which the parts may miss the whole; several cameras are no such sum
MEASURED_U_MM = 0.1  # mm; a length over the whole board, or its height, with a calliper, CP
FRESH_FOCAL, FRESH_PX = 0.0003, 0.5  # [-], px; a fresh lens calibration of 20 images, CP
MOSTLY = 0.8  # [-] of u: the rest of it, and so what further stations gain, is a fifth at most
LEAST_STATED = 1e-9  # [-] of a part that is nothing


@dataclass(frozen=True, slots=True)
class Budget:
    """The parts of a pick's uncertainty, the largest first; their squares add up.

    ``degrees`` are the effective degrees of freedom, ``coverage`` the factor that makes 95 % of
    them. ``help_`` is the part (board, lens or height) whose measurement would shrink u most, to
    ``after_mm``; None: none by a tenth. ``length_mm`` the board's longer side.
    """

    parts: tuple[Part, ...]
    degrees: float
    coverage: float
    length_mm: float
    help_: str | None = None
    after_mm: float | None = None

    @property
    def wider(self) -> float:
        """How much larger u is stated than it is, so that U = 2u covers 95 %."""
        return widening(self.coverage)

    def wider_after(self, more: float) -> float:
        """Return `wider` once there is ``more`` times the information: so grow the degrees."""
        return widening(coverage(self.degrees * max(more, 1.0)))

    @property
    def mostly_arm(self) -> bool:
        """Whether the robot's accuracy would leave most of u if nothing else were open."""
        squares = {part.name: part.u_mm**2 for part in self.parts}
        return squares.get(ARM, 0.0) > MOSTLY**2 * sum(squares.values())

    def stored(self) -> StoredBudget:
        """Return the budget as it is stored and shown."""
        return StoredBudget(self.parts, self.degrees, self.coverage)


def budget(found: Solution, pick: PickModel, pick_mm: float) -> Budget | None:
    """Return the budget of a pick that is off by ``pick_mm``.

    None where the covariance is no sum of such parts.
    """
    covariances = _covariances(found)
    whole = found.fit.covariance
    if np.abs(np.diag(sum(covariances.values()) - whole)).max() > AGREES * np.diag(whole).max():
        return None
    errors = found.fit.state.errors
    squares = pick.parts(covariances, whole, errors)
    squares[ARM] += pick.floor_mm**2
    total = sum(squares.values())
    degrees = _effective(squares, found.fit.degrees, total)
    corners = pick_mm / np.sqrt(total)  # what all corners at once take more
    parts = sorted(
        (Part(name, float(corners * np.sqrt(max(v, 0.0)))) for name, v in squares.items()),
        key=lambda part: -part.u_mm,
    )
    told = tuple(part for part in parts if part.u_mm > LEAST_STATED)
    best = _best_help(found, pick, pick_mm)
    return Budget(told, degrees, coverage(degrees), found.problem.board.length_mm, *best)


def coverage(degrees: float) -> float:
    """Return the factor of U = k·u for 95 %: 2 for many degrees of freedom, more for few."""
    return float(2.0 * t_isf(0.025, max(degrees, 1.0)) / NORMAL_95)


def _covariances(found: Solution) -> dict[str, Array]:
    """Return what each part contributes to the covariance (k, k) of all unknowns."""
    stations, fit, noise = found.stations.take(found.used), found.fit, found.fit.noise
    system = found.system.take(found.used)
    W = np.linalg.solve(system.covariance(noise), system.rows)
    by_stop = np.swapaxes(system.by_flange, 1, 2) @ W
    p, G = len(stations.systematic_sd), fit.covariance
    images = in_the_images(stations, fit.state.errors[p:], noise)[0]
    by_pixel = noise.pixel_px * np.swapaxes(system.view_factor, 1, 2) @ W
    pixels = _summed(by_pixel)
    pixels[12 + p :, 12 + p :] += images
    turns, places = by_stop[:, :3], by_stop[:, 3:]
    board = 12 + p + found.gathered.terms.of_board
    blocks = {ARM: slice(12, 12 + p), BOARD: slice(12 + p, board), LENS: slice(board, None)}
    arm_sd = np.sqrt(stations.systematic_variance(noise))
    sd = np.concatenate([np.ones(12), arm_sd, stations.terms_sd])
    parts = {
        PIXELS: pixels,
        TURNS: noise.rotation**2 * _summed(turns),
        PLACES: noise.position**2 * _summed(places),
        NUMBERS: measured_numbers(stations, fit.state)[0],
    }
    for name, block in blocks.items():
        parts[name] = np.zeros_like(G)
        parts[name][block, block] = np.diag(sd[block] ** -2.0)
    return {name: G @ part @ G for name, part in parts.items()}


def _summed(rows: Array) -> Array:
    """Return the sum of rowsᵀ rows (k, k) of all ``rows`` (n, i, k)."""
    flat = rows.reshape(-1, rows.shape[2])
    return flat.T @ flat


def _effective(squares: dict[str, float], degrees: Array, total: float) -> float:
    """Return the effective degrees of freedom (Welch-Satterthwaite)."""
    own = zip((PIXELS, TURNS, PLACES, ARM), degrees, strict=True)
    spent = sum((squares[name] / total) ** 2 / max(float(nu), 1.0) for name, nu in own)
    return float(1.0 / max(spent, 1e-6))


def _best_help(found: Solution, pick: PickModel, now: float) -> tuple[str | None, float | None]:
    """Return the measurement after which u of a pick, ``now`` [mm], is least, and that u [mm]."""
    errors, information = found.fit.state.errors, np.linalg.inv(found.fit.covariance)
    best: tuple[str | None, float | None] = (None, None)
    least = 0.9 * now
    for name, rows in _measurements(found):
        more = information + rows.T @ rows
        after = pick.pick_mm(np.asarray(np.linalg.inv(more)), errors, least)
        if after < least:
            best, least = (name, after), after
    return best


def _measurements(found: Solution) -> list[tuple[str, Array]]:
    """Return what could be measured: its name, and what it tells (i, k), in its own u."""
    terms, first = found.gathered.terms, 12 + len(found.systematic.sd)
    lens, items = terms.names[terms.of_board :], list[tuple[str, Array]]()
    unknowns = np.eye(first + terms.count)
    if terms.kept[0]:
        length = found.problem.board.length_mm
        items.append((BOARD, unknowns[first : first + 1] * length / MEASURED_U_MM))
    if lens:
        fresh = np.array([FRESH_FOCAL if name == "focal length" else FRESH_PX for name in lens])
        items.append((LENS, unknowns[-len(lens) :] / fresh[:, None]))
    for tie in found.stations.constraints:
        if tie.name == HEIGHT:
            more = (found.problem.board.height_u_mm / MEASURED_U_MM) ** 2 - 1.0
            state = found.fit.state
            rows = tie.whitened(state.camera, state.board, state.errors[first - 12 :])[1]
            items.append((NUMBERS, np.sqrt(max(more, 0.0)) * rows[:, :12] @ unknowns[:12]))
    return items


SHOWN_UNITS = {"mm": "mm", "rad": "deg", "px": "px", "": "ratio"}


@dataclass(frozen=True, slots=True, eq=False)
class SystematicErrors:
    """Estimated errors that all stations share: values and standard uncertainties (p + q,).

    The first ``arm`` are the robot's [rad or mm], the others those of board and lens [-, mm, px].
    """

    names: tuple[str, ...]
    units: tuple[str, ...]
    value: Array
    sd: Array
    prior_sd: Array  # the robot's times ``scale``
    scale: float  # estimated size over what accuracy_mm says [-]
    arm: int


@dataclass(frozen=True, slots=True, eq=False)
class Result:
    """The estimate of one problem.

    Attributes:
        mount: eye-to-hand or eye-in-hand.
        tolerance: what the verdict was judged by.
        camera: (4, 4) delivered transform, base_T_camera or flange_T_camera [mm]. All NaN where
            nothing could be solved.
        board: (4, 4) flange_T_board or base_T_board [mm].
        covariance: (6, 6) of ``camera``; see `frames` for order and axes.
        terms_covariance: (q, 6 + q) of what board and lens are off with ``camera`` and each other.
        geometric: (4, 4) where the camera is, robot errors estimated apart; equals ``camera`` for a
            robot without systematic errors.
        joint_covariance: (12, 12) of [geometric, board].
        full_covariance: (12 + p + q, 12 + p + q) of [geometric, board, systematic errors].
        known: (4,) which of x, y, z and the rotation of ``camera`` the data tell.
        board_known: the same of ``board``.
        uncertainty, noise, stations, systematic, convergence: see their types.
        budget: what the uncertainty of a pick is made of; None where that is not known.
        pick: the pick error's model; None where nothing could be solved.
        depth: how depth joined; None where no station carries any.
        findings: by gravity. verdict: accepted or not-accepted. proven: always False here.
    """

    mount: Mount
    tolerance: Tolerance
    camera: Array
    board: Array
    covariance: Array
    terms_covariance: Array
    geometric: Array
    joint_covariance: Array
    full_covariance: Array
    known: NDArray[np.bool_]
    board_known: NDArray[np.bool_]
    uncertainty: Uncertainty
    noise: Noise | None
    stations: tuple[StationResult, ...]
    systematic: SystematicErrors
    convergence: Convergence
    pick: PickModel | None
    budget: Budget | None
    findings: tuple[Finding, ...]
    verdict: Verdict
    proven: bool = False
    depth: Weighed | None = None

    @property
    def solved(self) -> bool:
        """Whether there is a transform at all."""
        return bool(np.isfinite(self.camera).all())

    def stored(self) -> StoredResult:
        """Return the result as it is shown and stored: what is not known is None."""
        board = self.joint_covariance[6:, 6:]
        arm = self.systematic.arm
        return StoredResult(
            mount=self.mount,
            verdict=self.verdict,
            camera=placed(self.camera, self.known),
            board=placed(self.board, self.board_known),
            covariance=_rows(self.covariance) if self.known.all() else None,
            uncertainty=self.uncertainty,
            proven=self.proven,
            noise=self._noise_levels(),
            stations=self.stations,
            findings=self.findings,
            geometric=placed(self.geometric, self.known),
            board_covariance=_rows(board) if self.board_known.all() else None,
            systematic=self._shared(slice(None, arm)),
            board_and_lens=self._shared(slice(arm, None)),
            board_and_lens_covariance=self._of_terms() if self.known.all() else None,
            budget=self.budget.stored() if self.budget and self.known.all() else None,
            decision=verdict(self.uncertainty, self.tolerance, self.findings)[1],
            convergence=self.convergence,
        )

    def _of_terms(self) -> Rows:
        return tuple(map(tuple, self.terms_covariance.tolist()))

    def _noise_levels(self) -> NoiseLevels:
        if self.noise is None:
            return NoiseLevels()
        degrees = float(np.degrees(self.noise.rotation))
        return NoiseLevels(self.noise.pixel_px, self.noise.position, degrees)

    def _shared(self, which: slice) -> tuple[SystematicError, ...]:
        """Return the robot's lengths and zeros, or the errors of board and lens."""
        found, items = self.systematic, []
        for row in range(len(found.names))[which]:
            if found.names[row].startswith(OF_THE_FIELD):
                continue
            key = SHOWN_UNITS[found.units[row]]
            factor = float(np.degrees(1.0)) if key == "deg" else 1.0
            value, u = float(found.value[row] * factor), float(found.sd[row] * factor)
            items.append(
                SystematicError(found.names[row], **{f"value_{key}": value, f"u_{key}": u})
            )
        return tuple(items)


def placed(T: Array, known: NDArray[np.bool_]) -> Placed | None:
    """Return a transform with None for what is not known; None if nothing is."""
    if not np.isfinite(T).all() or not known.any():
        return None
    position = tuple(float(v) if ok else None for v, ok in zip(T[:3, 3], known[:3], strict=True))
    turned = bool(known[3])
    rows = tuple(
        (*(float(v) if turned else None for v in T[row, :3]), position[row]) for row in range(3)
    )
    quaternion = tuple(quaternion_xyzw(T[:3, :3]).tolist()) if turned else None
    return Placed(position, quaternion, (*rows, (0.0, 0.0, 0.0, 1.0)))


def _rows(matrix: Array) -> Matrix:
    return tuple(map(tuple, matrix.tolist()))


def judged(result: Result, findings: Iterable[Finding]) -> Result:
    """Return ``result`` with these findings instead of its own, and the verdict they give."""
    found = tuple(by_gravity(findings))
    said, _ = verdict(result.uncertainty, result.tolerance, found)
    return replace(result, findings=found, verdict=said)
