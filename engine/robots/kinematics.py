"""The kinematics of one robot, every kind: forward, and the postures that hold a pose.

The ways to hold a pose are found in closed form where there is one, by search elsewhere. The search
and the following of a jog share one numerical inverse, damped least squares towards a pose.

Loss of a posture: the squared distance [mm²] of its flange from the wanted pose plus the squared
angle times the square of a lever [mm]. Each step solves (JᵀJ + λ · lever² · I) · step = Jᵀ · error
on the analytic Jacobian (Levenberg 1944, Marquardt 1963); λ falls tenfold after a step that lowers
the loss and rises tenfold after one that does not, which is not taken. Limits are bounds: a joint
that stands at one and would be driven beyond it is held (projected steps, Moré 1978). Stacks of
small matrices are faster by an order of magnitude than one solver call per posture.

A table of random postures is made once per arm; the ones that hold the flange nearest to the
wanted pose are the starts. All of them are improved together, with the arm's own length as the
lever.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy
from numpy.typing import ArrayLike

from ..arrays import Array
from ..frames import checked_transform, displacement, rigid, rotation_angle, straight, turns
from .arms import Forward, build, joints, length_errors
from .model import Robot, checked

LEVER_MM = 500.0  # [mm] weight of an angle of 1 rad: the size of a middle-sized arm
FIRST_DAMPING = 1e-3  # [-] λ of the first step: cautious enough to keep the arm's configuration
EASIEST, HARDEST = 1e-10, 1e3  # [-] least and largest λ
FOUND_MM = 1e-6  # [mm] root of the loss under which a posture holds the pose: rounding
DONE_MM = 0.01 * FOUND_MM  # [mm] where a posture is no longer improved

STEP_MM, STEP_RAD = 200.0, np.radians(40.0)  # between poses on a way: each starts the next
ON_THE_WAY, AT_THE_END = 3, 10  # [-] steps; quadratic convergence needs 4 to 6
AT_ONCE = 16  # [-] steps without poses on the way
HELD_MM = 1e-3  # [mm] root of the loss under which a jog would call the pose held


def improved(
    arm: Forward,
    T: Array,
    q: Array,
    steps: int,
    *,
    lever_mm: float = LEVER_MM,
    bounds: tuple[Array, Array] | None = None,
    done_mm: float = DONE_MM,
) -> tuple[Array, Array]:
    """Return postures ``q`` (k, n) after ``steps`` towards ``T``, and the loss (k,) [mm²] left.

    ``T`` (4, 4) is one pose for all, or (k, 4, 4) one for each. ``bounds``: the least and largest
    shown values (n,) [rad, mm]; None: any. ``done_mm``: root of the loss that is good enough.
    """
    weight = np.array([lever_mm] * 3 + [1.0] * 3)
    scale = np.where(arm.joints.turning, 1.0, lever_mm)
    q, T = q.copy(), np.broadcast_to(T, (len(q), 4, 4))
    damping = np.full(len(q), FIRST_DAMPING)
    error, J = _state(arm, q, T, weight, scale)
    loss = (error**2).sum(axis=1)
    for _ in range(steps):
        rows = np.flatnonzero(loss >= done_mm**2)
        if not len(rows):
            break
        free = J[rows] if bounds is None else _held_back(q[rows], J[rows], error[rows], bounds)
        J_t = np.swapaxes(free, 1, 2)
        normal = J_t @ free + (damping[rows] * lever_mm**2)[:, None, None] * np.eye(arm.axes)
        tried = q[rows] + scale * np.linalg.solve(normal, J_t @ error[rows][..., None])[..., 0]
        tried = tried if bounds is None else np.clip(tried, *bounds)
        tried_error, tried_J = _state(arm, tried, T[rows], weight, scale)
        tried_loss = (tried_error**2).sum(axis=1)
        better = tried_loss < loss[rows]
        damping[rows] = (damping[rows] * np.where(better, 0.1, 10.0)).clip(EASIEST, HARDEST)
        won = rows[better]
        q[won], loss[won] = tried[better], tried_loss[better]
        error[won], J[won] = tried_error[better], tried_J[better]
    return q, loss


def _state(arm: Forward, q: Array, T: Array, weight: Array, scale: Array) -> tuple[Array, Array]:
    pose, J = arm.forward_and_jacobian(q)
    return displacement(T, pose) * weight, J * weight[:, None] * scale


def _held_back(q: Array, J: Array, error: Array, bounds: tuple[Array, Array]) -> Array:
    """Return ``J`` (k, 6, n) without the joints that stand at a bound and would go beyond it."""
    downhill = np.einsum("kij,ki->kj", J, error)
    blocked = ((q <= bounds[0]) & (downhill < 0)) | ((q >= bounds[1]) & (downhill > 0))
    return np.asarray(np.where(blocked[:, None, :], 0.0, J))


def led(arm: Forward, seeds: Array, start: Array, end: Array) -> Array:
    """Return postures (k, n) at ``end`` (4, 4), led from ``seeds`` (k, n) at ``start`` as by a jog.

    Improved at poses along the straight way, so that the arm keeps its configuration and no joint
    skips a turn; without regard to limits. NaN where the arm does not get there.
    """
    shift = float(np.linalg.norm(end[:3, 3] - start[:3, 3])) / STEP_MM
    turn = float(rotation_angle(end[:3, :3] @ start[:3, :3].T)) / STEP_RAD
    *way, last = straight(start, end, int(np.ceil(max(shift, turn, 1.0))))
    q = seeds
    for pose in way:
        q, _ = improved(arm, pose, q, ON_THE_WAY, done_mm=HELD_MM)
    return _held(*improved(arm, last, q, AT_THE_END, done_mm=HELD_MM))


def reached(arm: Forward, seed: Array, poses: Array) -> Array:
    """Return postures (k, n) at ``poses`` (k, 4, 4), all at once from ``seed``; NaN: not found.

    A first look at many poses: the arm may have changed its configuration on the way.
    """
    seeds = np.tile(seed, (len(poses), 1))
    return arm.joints.centred(_held(*improved(arm, poses, seeds, AT_ONCE, done_mm=HELD_MM)))


def _held(q: Array, loss: Array) -> Array:
    return np.asarray(np.where((loss < HELD_MM**2)[:, None], q, np.nan))


STRAIGHT = 1e-9  # [-] sin J5 under which J4 and J6 share their turn as rounding has it
LEVEL_RAD = np.deg2rad(0.5)  # tilt that reading and rounding explain on an arm that cannot tilt

# Each closed form takes the sizes [mm] and one base_T_flange (4, 4) [mm] and returns model values
# (k, axes) [rad, mm], without regard to limits; k is 0 where the pose is out of reach.


def spherical_wrist(size: Mapping[str, float], T: Array) -> Array:
    """Return up to eight branches: those of the arm to the wrist's centre, J5 to either side.

    Parameters as in Brandstötter, Angerer, Hofbaur 2014.
    """
    return spherical_wrists(size, T[None])[0]


def spherical_wrists(size: Mapping[str, float], poses: Array) -> list[Array]:
    """Return the branches of each of the ``poses`` (n, 4, 4), all at once."""
    centres = poses[:, :3, 3] - size["c4"] * poses[:, :3, 2]
    to_centres = [_ways_to(size, centre) for centre in centres]
    counts = np.array([2 * len(found) for found in to_centres])
    flat = np.array([way for found in to_centres for way in found]).reshape(-1, 3)
    ways = np.repeat(flat, 2, axis=0)
    side = np.tile([1.0, -1.0], len(flat))
    R = np.repeat(poses[:, :3, :3], counts, axis=0)
    W = _turned_back(ways[:, 0], ways[:, 1] + ways[:, 2], R)
    bend = np.hypot(W[:, 0, 2], W[:, 1, 2])
    straight_on, ahead = bend < STRAIGHT, W[:, 2, 2] > 0
    t4 = np.where(straight_on, 0.0, np.arctan2(side * W[:, 1, 2], side * W[:, 0, 2]))
    t5 = np.where(straight_on & ahead, 0.0, side * np.arctan2(bend, W[:, 2, 2]))
    last = _turned_back(t4, t5, W)
    found = np.column_stack([ways, t4, t5, np.arctan2(last[:, 1, 0], last[:, 0, 0])])
    return np.split(found, np.cumsum(counts)[:-1])


def _turned_back(about_z: Array, about_y: Array, R: Array) -> Array:
    """Return what turns (n,) about z and the moved y leave of ``R`` (..., 3, 3): (n, 3, 3)."""
    return np.swapaxes(turns("zy", np.column_stack([about_z, about_y])), 1, 2) @ R


def level_flange(size: Mapping[str, float], T: Array) -> Array:
    """Return up to four branches: arm towards the pose or over the back, elbow either way."""
    if tilt(T) > LEVEL_RAD:
        return np.empty((0, 4))
    # The flange hangs below, however its z axis is named.
    ways = _ways_to(size, T[:3, 3] + (0.0, 0.0, size["c4"]))
    return np.array([[*way, yaw(T) - way[0]] for way in ways]).reshape(-1, 4)


def _ways_to(size: Mapping[str, float], place: Array) -> list[tuple[float, float, float]]:
    """Return up to four ways (J1, J2, J3) [rad] to a place (3,) [mm]: ahead or over the back."""
    x, y, z = place
    flat = x * x + y * y - size["b"] ** 2
    if flat < 0:
        return []
    found = []
    for ahead in (np.sqrt(flat), -np.sqrt(flat)):
        t1 = float(np.arctan2(y, x) - np.arctan2(size["b"], ahead))
        links = _two_links(size, ahead - size["a1"], z - size["c1"])
        found += [(t1, t2, t3) for t2, t3 in links]
    return found


def _two_links(size: Mapping[str, float], ahead: float, height: float) -> list[tuple[float, float]]:
    # Law of cosines in the arm's plane; t = 0 points up and grows towards ahead.
    upper, fore = size["c2"], np.hypot(size["a2"], size["c3"])
    bend = np.arctan2(size["a2"], size["c3"])
    cosine = (ahead**2 + height**2 - upper**2 - fore**2) / (2 * upper * fore)
    if abs(cosine) > 1:
        return []
    found = []
    for elbow in (np.arccos(cosine), -np.arccos(cosine)):
        t2 = np.arctan2(ahead, height) - np.arctan2(
            fore * np.sin(elbow), upper + fore * np.cos(elbow)
        )
        found.append((float(t2), float(elbow - bend)))
    return found


def scara(size: Mapping[str, float], T: Array) -> Array:
    """Return up to two branches: elbow to either side."""
    x, y, z = T[:3, 3]
    l1, l2 = size["l1"], size["l2"]
    cosine = (x * x + y * y - l1 * l1 - l2 * l2) / (2 * l1 * l2)
    if tilt(T) > LEVEL_RAD or abs(cosine) > 1:
        return np.empty((0, 4))
    elbows = np.array([1.0, -1.0]) * np.arccos(cosine)
    t1 = np.arctan2(y, x) - np.arctan2(l2 * np.sin(elbows), l1 + l2 * np.cos(elbows))
    return np.stack([t1, elbows, np.full(2, z - size["z0"]), yaw(T) - t1 - elbows], axis=1)


def tilt(T: Array) -> float:
    """Return the angle [rad] between the flange's z axis, or its opposite, and base Z."""
    return float(np.arctan2(np.hypot(T[0, 2], T[1, 2]), abs(T[2, 2])))


def yaw(T: Array) -> float:
    """Return the angle [rad] of a level flange: from base X to the flange's x axis about base Z."""
    return float(np.arctan2(T[1, 0], T[0, 0]))


TABLE = 4096  # [-] postures kept per arm: fewer than 1 in 100 poses then need a second try
FIRST = ((48, 12),)  # [-] (starts, steps): enough for nearly all poses, 3 ms
MORE = ((384, 6), (96, 12), (24, 22))  # [-] before a pose is called out of reach; the best go on
CLOSEST = ((48, 6), (8, 14))  # [-] for the nearest posture to a pose out of reach
SLOW = ((8, 30), (4, 170))  # [-] near a singularity the last millimetre takes many steps
PROMISING_MM = 1.0  # [mm] loss under which that is worth trying
SAME_POSTURE = 1e-3  # [rad; mm over the arm's length] apart at least to be two postures
LIFT_ROOM_MM = 500.0  # [mm] sampled either way where a lift has no limits
SEED = 20250314  # the table is the same in every run


@dataclass(frozen=True, slots=True, eq=False)
class _Table:
    postures: Array  # (TABLE, n) shown values
    tree: scipy.spatial.cKDTree  # over their poses as points
    length: float  # [mm] weight of an angle of 1 rad
    reach: float  # [mm] no flange can be further from the first joint
    bounds: tuple[Array, Array]  # (n,) each

    def starts(self, T: Array, count: int, near: Array | None = None) -> Array:
        """Return ``count`` postures: ``near``, and the nearest ones to the pose ``T`` (4, 4)."""
        chosen = self.postures[self.tree.query(_points(T, self.length), count)[1]]
        if near is None:
            return chosen
        return np.vstack([np.clip(near, *self.bounds), chosen[:-1]])


def searched(arm: Forward, T: Array, limited: bool, near: Array | None = None) -> Array:
    """Return the distinct postures (k, n) found that hold ``T`` (4, 4); k is 0 if none does.

    The posture ``near`` (n,) is one start more.
    """
    table = _table(arm, limited)
    if arm.distance_from_first_joint(T) > table.reach:
        return np.empty((0, arm.axes))
    for rounds in (FIRST, MORE) if limited else (FIRST,):  # without limits starts rarely get stuck
        q, loss = _rounds(arm, table, table.starts(T, rounds[0][0], near), T, rounds)
        if FOUND_MM**2 <= loss[0] < PROMISING_MM**2:
            q, loss = _rounds(arm, table, q, T, SLOW)
        if loss[0] < FOUND_MM**2:
            return _distinct(arm, q[loss < FOUND_MM**2], table.length)
    return q[:0]


def nearest(arm: Forward, T: Array) -> Array:
    """Return the posture (n,) within the limits found that holds the flange nearest to ``T``."""
    table = _table(arm, True)
    starts = table.starts(T, CLOSEST[0][0])
    return np.asarray(_rounds(arm, table, starts, T, CLOSEST)[0][0])


@lru_cache(maxsize=8)
def _table(arm: Forward, limited: bool) -> _Table:
    limits, turning = arm.joints.limits, arm.joints.turning
    low, high = limits.T
    free = turning & ((high - low >= 2 * np.pi) | (not limited))
    room = np.where(turning, np.pi, LIFT_ROOM_MM)
    sample_low = np.where(free | ~np.isfinite(low), -room, low)
    sample_high = np.where(free | ~np.isfinite(high), room, high)
    postures = np.random.default_rng(SEED).uniform(sample_low, sample_high, (TABLE, arm.axes))
    T = arm.forward(postures)
    length = max(float(np.sqrt(T[:, :3, 3].var(axis=0).sum())), 1.0)
    unbounded = free | (not limited)
    bounds = np.where(unbounded, -np.inf, low), np.where(unbounded, np.inf, high)
    reach = arm.stretched(np.abs(bounds).max(axis=0))
    tree = scipy.spatial.cKDTree(_points(T, length))
    return _Table(postures, tree, length, reach, bounds)


def _points(T: Array, length: float) -> Array:
    """Return poses (..., 4, 4) as points (..., 12) whose distances go with the loss."""
    R = T[..., :3, :3].reshape(*T.shape[:-2], 9)
    return np.concatenate([T[..., :3, 3], length / np.sqrt(2.0) * R], axis=-1)


def _rounds(
    arm: Forward, table: _Table, q: Array, T: Array, rounds: tuple[tuple[int, int], ...]
) -> tuple[Array, Array]:
    """Return the starts ``q`` improved, (k, n), and their losses (k,) [mm²], best first."""
    for count, steps in rounds:
        start = q[:count]
        q, loss = improved(arm, T, start, steps, lever_mm=table.length, bounds=table.bounds)
        order = np.argsort(loss)
        q, loss = q[order], loss[order]
    return q, loss


def _distinct(arm: Forward, q: Array, length: float) -> Array:
    q = arm.joints.centred(q)
    scaled = q / np.where(arm.joints.turning, 1.0, length)
    apart = np.abs(scaled[:, None] - scaled[None]).max(axis=-1)
    first = np.argmax(apart < SAME_POSTURE, axis=1)
    return np.asarray(q[first == np.arange(len(q))])


_CLOSED = {"spherical-wrist": spherical_wrist, "level-flange": level_flange, "scara": scara}


@dataclass(frozen=True, slots=True, eq=False)
class Kinematics(Forward):
    """One robot's kinematics; made by `kinematics`."""

    def branches(
        self, T: ArrayLike, *, limited: bool = True, near: ArrayLike | None = None
    ) -> Array:
        """Return the ways (k, axes) to hold base_T_flange ``T`` (4, 4), shown values [rad, mm].

        Joints that turn are given at the turn nearest the middle of their limits. ``limited``
        False: also those that break limits. A chain is searched: its list holds the way that
        continues from the posture ``near`` (axes,) and most others; on an arm with more than six
        axes, a sample of them. On arms that hold the flange level, ``T`` may name its z axis up
        or down, and a tilt within `LEVEL_RAD` is overlooked.
        """
        T = checked_transform(T, "pose")
        if self.robot.kind == "chain":
            hint = None if near is None else self._shown(near)
            found = searched(self, T, limited, hint)
        else:
            found = self.joints.to_shown(_CLOSED[self.robot.kind](self.robot.geometry_mm, T))
        found = self.joints.centred(found)
        return found[self.joints.inside(found)] if limited else found

    def branches_of(self, poses: Array) -> list[Array]:
        """Return `branches` of each pose (n, 4, 4), beyond limits too; none of what is no pose."""
        found = [np.empty((0, self.axes))] * len(poses)
        rows = np.flatnonzero(rigid(poses))
        if self.robot.kind != "spherical-wrist":
            for row in rows:
                found[row] = self.branches(poses[row], limited=False)
        elif len(rows):
            ways = spherical_wrists(self.robot.geometry_mm, poses[rows])
            shown = self.joints.centred(self.joints.to_shown(np.concatenate(ways)))
            parts = np.split(shown, np.cumsum([len(way) for way in ways])[:-1])
            for row, part in zip(rows, parts, strict=True):
                found[row] = part
        return found

    def inverse(self, T: ArrayLike) -> Array:
        """Return `branches` within the limits, with every full turn the limits leave room for."""
        found = [self.joints.all_turns(q) for q in self.branches(T)]
        return np.concatenate(found) if found else np.empty((0, self.axes))


@lru_cache(maxsize=16)
def kinematics(robot: Robot) -> Kinematics:
    """Return the kinematics of ``robot``; the same object for an equal robot.

    Raises StationbookError naming the key and the value where the description does not describe
    an arm.
    """
    checked(robot)
    arm, moved = build(robot), joints(robot)
    lengths = length_errors(robot)
    units = ["rad" if kind == "turn" else "mm" for kind in moved.types]
    return Kinematics(
        robot=robot,
        joints=moved,
        parameter_names=(*lengths, *(f"zero {name}" for name in moved.names)),
        parameter_units=(*("mm" for _ in lengths), *units),
        _moving=arm.without_parameters(),
        _all=arm,
    )
