"""How far a pick is off: what the transform, the arm and the lens data do to it.

The camera sees a part, the transform says where that is, the robot goes there, and is off by its
systematic error. To first order, at a place p and with displacements of the delivered transform,

    e(p) = M(p) · (delivered − true) + S(p) · errors,

M: what a displacement of the transform does to p, S: what a systematic error of the arm does to
the flange when it picks at p as `work_volume.approach` says (eye-in-hand: less what it did to the
flange when the camera looked, from the mean place of the stations), and what wrong lens data do to
where the camera sees the part, if parts are located by them. The transform that picks best
is ``true − B · errors`` with B the rigid motion nearest to S over the work volume (least squares);
what remains, (S − M·B) · errors, no single transform can take away.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import product

import numpy as np

from ..arrays import Array
from ..camera.lens import lens
from ..cell.budget import KEPT
from ..cell.mount import EYE_TO_HAND
from ..frames import (
    apply,
    displaced,
    inverse,
    mean_rotation,
    point_rows,
    skew,
    transform,
)
from ..pendant.conventions import flange_of, to_matrix
from .problem import Problem, terms_of
from .systematic import (
    UNEXPLAINED,
    ZERO_RAD,
    Systematic,
    flange_errors,
    usual_posture,
)

# What an arm that is off by 1 mm turns the flange: six zeros of 0.02° that give 0.5 mm, see
# `systematic`. (One arm was measured at 0.65 mm and 0.16°: Slamani, Nubiola, Bonev 2012.)
RAD_PER_MM = float(6**0.5 * ZERO_RAD) / 0.5
REMAINS = "what no single transform takes away"  # of estimated errors, over the work volume
GRID = (-0.5, 0.0, 0.5)  # [-] of the work volume's sides: corners, edges, faces and centre


DRAWS, PART = 32000, 500  # of the errors at all corners; their quantile is then good to 1 %


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
    the eight corners. ``stays`` (p + q,) tells which estimated errors stay in a pick: not those of
    a lens that is only guessed, for no part is located with it. ``turning`` (p + q,) tells which
    turn parts as they move them: not those of the lens, by which a part is seen elsewhere but as it
    lies (an image centre moves its image, and turns nothing). ``floor_mm``: what no model of the
    arm explains, and ripple, eye-in-hand where it looks and where it picks; ``unseen`` (6, 6) what
    that adds to the transform's covariance.
    """

    moved: Array
    off: Array
    rigid: Array
    corner: Array
    stays: Array
    turning: Array
    floor_mm: float
    unseen: Array

    @property
    def lever(self) -> Array:
        """The places (27, 3) [mm] from the transform's origin, on the axes of its first frame.

        The rotation part of M is minus their cross-product matrix.
        """
        turned = -self.moved[:, :, :3]
        return np.stack([turned[:, 2, 1], turned[:, 0, 2], turned[:, 1, 0]], axis=1)

    def delivered(self, camera: Array, errors: Array) -> Array:
        """Return the transform (4, 4) that picks best, from the geometric one."""
        return displaced(camera, -self.rigid @ errors)

    def delivered_covariance(self, covariance: Array) -> Array:
        """Return the delivered transform's covariance (6, 6) from the fit's (12 + p, 12 + p)."""
        rows = np.concatenate([np.eye(6), np.zeros((6, 6)), -self.rigid], axis=1)
        return np.asarray(rows @ covariance @ rows.T + self.unseen)

    def angle_deg(self, covariance: Array, errors: Array) -> float:
        """Return u of how a picked part is turned [deg], from the fit's (12 + p, 12 + p).

        The delivered transform's rotation; what it is turned to make up for the lens turns every
        part, and is known to remain.
        """
        rows = self.rigid[:3] * self.turning
        rows = np.concatenate([np.eye(3), np.zeros((3, 9)), -rows], axis=1)
        turned = self.rigid[:3] @ ((1.0 - self.turning) * errors)
        spread = float(np.trace(rows @ covariance @ rows.T + self.unseen[:3, :3]))
        return float(np.degrees(np.sqrt(spread + turned @ turned)))

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
        of what all corners keep in 99.5 % of cases (propagation of distributions, JCGM 101). What
        turns out to be ``least`` [mm] or more is worked out no further, and may come as ∞.
        """
        index = np.r_[0:6, 12 : 12 + len(errors)]
        rows = np.concatenate([self.moved, -self.off], axis=2)[self.corner]
        flat = rows.reshape(-1, len(index))
        joint = flat @ covariance[np.ix_(index, index)] @ flat.T
        left = self._left(errors)
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
        left = self._left(errors)
        whole = self._traces(rows, covariance[np.ix_(index, index)]) + (left**2).sum(axis=1)
        corner = int(whole.argmax())
        return {
            name: float(self._traces(rows, part[np.ix_(index, index)])[corner])
            for name, part in parts.items()
        } | {REMAINS: float((left[corner] ** 2).sum())}

    def _left(self, errors: Array) -> Array:
        """Return what is known to remain (c, 3) [mm] of estimated errors at the corners."""
        rows = (self.off - self.moved @ self.rigid)[self.corner]
        return np.asarray(rows @ (self.stays * errors))

    def _traces(self, rows: Array, covariance: Array) -> Array:
        corner = rows[self.corner]
        return np.asarray(np.einsum("nij,jk,nik->n", corner, covariance, corner))


def pick_model(
    problem: Problem,
    model: Systematic,
    camera: Array,
    typed: Array,
    joints: list[Array | None] | None = None,
    ripple: float = 0.0,
) -> PickModel:
    """Return the pick model around ``camera`` (4, 4), for stations at ``typed`` (n, 4, 4).

    ``joints`` typed with the poses, if any. The arm is taken to pick in the configuration in which
    it visits the stations. ``ripple`` [rad]: how far each of its joints is off anew at any posture;
    where it is not described, how much the flange is turned.
    """
    looking = transform(approach(problem, typed), typed[:, :3, 3].mean(axis=0))
    seen, corner = _places(problem, camera, looking)
    moved = point_rows(camera, seen)
    near = None
    if model.arm is not None:
        near = usual_posture(model.arm, typed, joints or [None] * len(typed))
    picked, looked = _arm_errors(problem, model, camera, looking, seen, near)
    arm = picked - looked
    off = np.concatenate([arm, _located(problem, camera, seen)], axis=2)
    flat = moved.reshape(-1, 6)
    nearest = np.asarray(np.linalg.pinv(flat))
    rigid = nearest @ off.reshape(len(flat), -1)
    stays, turning = np.ones((2, off.shape[2]))
    if not problem.by_depth:
        turning[len(model.sd) :] = 0.0
        if problem.camera.guessed:
            stays[len(model.sd) :] = 0.0
            rigid[:, len(model.sd) :] = 0.0
    floor = model.accuracy_mm * (1.0 if model.arm is None else UNEXPLAINED)
    fixed = problem.mount == EYE_TO_HAND
    lever = camera[:3, 3] - looking[:3, 3] if fixed else np.zeros(3)
    unseen = _unseen(floor, lever)
    if model.arm is not None and not fixed:
        floor = float(np.hypot(floor, _looked(floor, apply(camera, seen[13:14])[0])))
    if ripple and model.arm is None and not fixed:
        turned = ripple * np.linalg.norm(apply(camera, seen[13:14])[0])
        floor = float(np.hypot(floor, turned * np.sqrt(2.0 / 3.0)))
    elif ripple:
        joint = ripple * model.of_joints
        more, size = _rippled(nearest, picked * joint, looked * joint)
        unseen, floor = unseen + more, float(np.hypot(floor, size))
    return PickModel(moved, off, rigid, corner, stays, turning, floor, unseen)


def _rippled(nearest: Array, picked: Array, looked: Array) -> tuple[Array, float]:
    """Return what joints that ripple add to the transform's covariance (6, 6) and to a pick [mm].

    ``picked``, ``looked`` (27, 3, p): what they do where the arm picks and where the camera looked;
    ``nearest`` (6, 81) the rigid motion nearest to that. Picks may be off alike or each otherwise,
    as the waves are longer or shorter than the work volume: both count.
    """
    alike = [nearest @ part.reshape(nearest.shape[1], -1) for part in (picked, looked)]
    each = nearest.reshape(6, -1, 3).transpose(1, 0, 2) @ picked
    ways = np.concatenate([*alike, *each], axis=1)
    squares = (picked**2 + looked**2).sum(axis=(1, 2))
    return ways @ ways.T, float(np.sqrt(squares.mean()))


def _looked(error_mm: float, part: Array) -> float:
    """Return how far off [mm] a ``part`` (3,) on the flange's axes is seen by an arm's error.

    Of no model, which is another one where the camera looked and where the arm picks.
    """
    return float(np.sqrt(np.trace(_unseen(error_mm, part)[3:, 3:])))


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
) -> tuple[Array, Array]:
    """Return S (27, 3, p) on the axes of the transform's first frame, S = picked − looked.

    What the arm's errors do where it picks, and what they did where the camera looked.
    """
    if model.arm is None:
        return (np.zeros((len(seen), 3, 0)),) * 2
    fixed = problem.mount == EYE_TO_HAND
    base = apply(camera if fixed else looking @ camera, seen)
    picking = flange_errors(model, transform(looking[:3, :3], base), near=near)[:, 3:]
    if fixed:
        return picking, np.zeros_like(picking)
    J = flange_errors(model, looking[None], near=near)[0]
    lever = base - looking[:3, 3]
    back = looking[:3, :3].T
    return back @ picking, np.asarray(back @ (J[3:] - skew(lever) @ J[:3]))
