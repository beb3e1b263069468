"""Where the arm can stand and go without folding another way, and the foot it stands on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..cell.cell import Cell, KeepOut
from ..frames import rotation_angle
from ..robots.arms import FULL_TURN, LIMIT_SLACK, sides, wrist_bend
from ..robots.kinematics import HELD_MM, Kinematics, improved, kinematics, led, reached
from ..robots.model import Robot
from .way import CLEAR_MM, FAR_MM, Bodies

LIMIT_MARGIN = 5.0  # [deg, mm] kept from joint limits: a jog by hand overshoots, common practice
TOLD = 1.0  # [deg, mm] kept from them on the way: what is told is rounded to that
SPARE_MM = 20.0  # mm the arm could still reach farther out: not stretched, room for the jog
WRIST_BENT = float(np.sin(np.radians(8.0)))  # [-] nearer to straight, J4 and J6 race each other
# Nobody parks an arm far nearer to a limit than need be, nor near one at all: of the most room that
# there is, and [deg, mm] that are room enough in any case (common practice, no source).
LIKELY, ROOM_ENOUGH = 0.5, 20.0
LEG_PIECES = 3  # of one leg of a jog between which postures are looked at, at least
APART_MM, APART_RAD = 50.0, np.radians(12.0)  # most between: J5 rose and fell by 2° in 88 mm
LED_RAD = np.radians(60.0)  # [rad] of a turn along which a chain is led at once
RACES_RAD = 2.0 * LED_RAD  # [rad] of a joint meanwhile: a wrist that is nearly straight races
JUMP_RAD = np.radians(60.0)  # [rad] change of a joint between them that is no steady move
NARROWER = tuple(np.linspace(1.0, 0.3, 8).tolist())  # [-] of the foot's width, tried in turn
ON_A_LEG = 5  # [-] steps towards each of them from between a chain's ends


@dataclass(frozen=True, slots=True, eq=False)
class ArmCheck:
    """What the arm can do from how it stands. ``arm`` None: nothing is known, everything passes.

    ``held`` (k, axes) are the postures at ``present`` (4, 4) that it may be in: the one that typed
    joints show, or all likely ones that lead on from station to station, their joints turned as few
    and as many times as is likely. ``branch`` (k,) numbers them; those that differ by full turns
    only have the same number. A leg goes on from those that it can be made from; only one is true.
    ``known`` keeps where a chain was led.
    """

    arm: Kinematics | None
    held: Array
    branch: NDArray[np.int64]
    present: Array
    known: dict[bytes, Array] = field(default_factory=dict)

    def promising(self, flange: Array) -> NDArray[np.bool_]:
        """Tell at which flange poses (n, 4, 4) `stands` is worth asking: quick for many at once."""
        if self.arm is None or self.arm.robot.kind != "chain" or not len(self.held):
            return np.ones(len(flange), bool)  # whose branches are cheap
        good = np.zeros(len(flange), bool)
        for number in np.unique(self.branch):
            held = self.held[self.branch == number]
            there = reached(self.arm, held[0], flange)[:, None]
            room = self.arm.joints.room(self.arm.joints.turned_towards(held, there))
            good |= (room >= LIMIT_MARGIN).any(axis=1)
        return good

    def stands(self, flange: Array) -> NDArray[np.bool_]:
        """Tell which branches (b,) hold base_T_flange (4, 4) with margins."""
        if self.arm is None or not len(self.held):
            return np.ones(1, bool)
        there = self._there(self.arm, flange)
        roomy = self._roomy(self.arm, there)
        away = flange.copy()  # a little farther from the base
        away[:3, 3] *= 1.0 + SPARE_MM / max(float(np.linalg.norm(flange[:3, 3])), SPARE_MM)
        standing = replace(self, held=there[roomy], branch=self.branch[roomy], present=flange)
        stretched = np.isfinite(standing._there(self.arm, away)).all(axis=1)
        return np.isin(np.unique(self.branch), standing.branch[stretched])

    def posture(self, flange: Array) -> Array | None:
        """Return one posture (axes,) that holds ``flange`` (4, 4), a likely one if there is one."""
        if self.arm is None:
            return None
        likely = self._there(self.arm, flange)
        likely = likely[self.arm.joints.inside(likely)]
        return next(iter(likely if len(likely) else self.arm.branches(flange)), None)

    def leads(self, held: Array, end: Array) -> NDArray[np.bool_]:
        """Tell from which of ``held`` (k, axes) a way to ``end`` (4, 4) is worth looking for.

        It is not where a joint would have to turn round the other way, by more than half a turn.
        """
        if self.arm is None or not len(held):
            return np.ones(1, bool)
        if self.arm.robot.kind == "chain":
            options = self._there(self.arm, end)
            options = options[np.isfinite(options).all(axis=1)]
        else:
            options = self.arm.branches(end)
        there, step = _onward(self.arm, held, options)
        return np.asarray(np.isfinite(step) & (self.arm.joints.room(there) >= TOLD))

    def unwound(self, start: Array, end: Array) -> Array:
        """Return those postures ``end`` (m, axes) that are within half a turn of one of ``start``.

        Of a joint that turned farther on its way nobody knows later how often it has turned.
        """
        if self.arm is None or not len(end):
            return end
        way = np.where(self.arm.joints.turning, np.abs(end[:, None] - start), 0.0).max(axis=2)
        return np.asarray(end[way.min(axis=1) <= np.pi])

    def resting(self, held: Array) -> Array | None:
        """Return those of ``held`` (k, axes) with a station's margin to limits, if any."""
        if self.arm is None or not len(held):
            return held
        held = held[self.arm.joints.room(held) >= LIMIT_MARGIN]
        return held if len(held) else None

    def unsure(self, held: Array) -> bool:
        """Tell whether ``held`` (k, axes) are fewer postures than are likely."""
        return len(held) < len(self.held)

    def along(self, poses: Array, held: Array) -> Array | None:
        """Return the postures after a leg through ``poses`` (n, 4, 4) from ``held`` (k, axes).

        Without those from which it breaks reach or limits, or folds the arm another way; None:
        from all of them.
        """
        if self.arm is None or not len(held):
            return held
        some = poses[_apart_enough(poses)]
        if self.arm.robot.kind == "chain":
            return _led_along(self.arm, some, held)
        way = _folded_alike(self.arm, held, self.arm.branches_of(some[1:]))
        step = np.where(self.arm.joints.turning, np.abs(np.diff(way, axis=0)), 0.0)
        good = (step <= JUMP_RAD).all(axis=(0, 2))  # NaN is not
        good &= (self.arm.joints.room(way[1:]) >= TOLD).all(axis=0)
        return way[-1, good] if good.any() else None

    def _there(self, arm: Kinematics, flange: Array) -> Array:
        """Return the postures (k, axes) at ``flange`` in the branches of ``held``; NaN: none.

        Whatever the limits. A chain is led there from where it stands.
        """
        if arm.robot.kind == "chain":
            key = self.held.tobytes() + self.present.tobytes() + flange.tobytes()
            if key not in self.known:
                _, first, back = np.unique(self.branch, return_index=True, return_inverse=True)
                there = led(arm, self.held[first], self.present, flange)
                self.known[key] = there[back] + self.held - self.held[first][back]
            return self.known[key]
        options = arm.branches(flange, limited=False)
        there = np.full_like(self.held, np.nan)
        if len(options):
            same = (sides(arm, self.held)[:, None] == sides(arm, options)).all(axis=2)
            found = same.any(axis=1)
            there[found] = options[same.argmax(axis=1)[found]]
        return there

    @staticmethod
    def _roomy(arm: Kinematics, q: Array) -> NDArray[np.bool_]:
        """Tell which postures (k, axes) keep off the limits and have their wrist bent; NaN: not."""
        roomy = np.array(arm.joints.room(q) >= LIMIT_MARGIN)
        bend = wrist_bend(arm, arm.jacobian(q[roomy]))
        if bend is not None:
            roomy[roomy] = np.abs(bend) > WRIST_BENT
        return roomy


def _apart_enough(poses: Array) -> NDArray[np.int64]:
    """Return the indices of the ``poses`` (n, 4, 4) of a leg at which postures are looked at."""
    shift = float(np.linalg.norm(poses[-1, :3, 3] - poses[0, :3, 3])) / APART_MM
    turn = float(rotation_angle(poses[-1, :3, :3] @ poses[0, :3, :3].T)) / APART_RAD
    pieces = int(np.ceil(max(shift, turn, LEG_PIECES)))
    return np.unique(np.linspace(0, len(poses) - 1, pieces + 1).astype(int))


def _onward(arm: Kinematics, held: Array, options: Sequence[Array] | Array) -> tuple[Array, Array]:
    """Return the ``options`` that postures ``held`` (k, axes) turn on to, and how far.

    The nearest of the same configuration, (k, axes), and the largest turn of a joint (k,)
    [rad]; infinite where there is none.
    """
    if not len(options):
        return held, np.full(len(held), np.inf)
    same = (sides(arm, held)[:, None] == sides(arm, np.array(options))).all(axis=2)
    on = arm.joints.turned_towards(held[:, None], np.array(options))
    step = np.where(arm.joints.turning, np.abs(on - held[:, None]), 0.0).max(axis=2)
    step[~same] = np.inf
    each, best = np.arange(len(held)), step.argmin(axis=1)
    return on[each, best], step[each, best]


def _folded_alike(arm: Kinematics, held: Array, branches: Sequence[Array]) -> Array:
    """Return the postures (1 + n, k, axes) through which ``held`` (k, axes) turn on, it first.

    Those of ``branches`` (each (m, axes), of an arm with a closed form) that are folded as it is,
    by full turns as near the one before as can be; NaN where there is none.
    """
    options = np.full((len(branches), max([1, *map(len, branches)]), arm.axes), np.nan)
    for here, found in zip(options, branches, strict=True):
        here[: len(found)] = found
    same = (sides(arm, options)[:, None] == sides(arm, held)[:, None]).all(axis=3)
    same &= np.isfinite(options).all(axis=2)[:, None]
    on = options[np.arange(len(options))[:, None], same.argmax(axis=2)]
    way = np.concatenate([held[None], np.where(same.any(axis=2)[..., None], on, np.nan)])
    turns = np.cumsum(np.round(-np.diff(way, axis=0) / FULL_TURN), axis=0)
    way[1:] += np.where(arm.joints.turning, FULL_TURN * turns, 0.0)
    return way


def _led_along(arm: Kinematics, poses: Array, held: Array) -> Array | None:
    """Return where ``held`` (k, axes) are led through ``poses`` (n, 4, 4), as `ArmCheck.along`."""
    turn = float(rotation_angle(poses[-1, :3, :3] @ poses[0, :3, :3].T))
    pieces = min(max(int(np.ceil(turn / LED_RAD)), 1), len(poses) - 1)
    ends = np.linspace(0, len(poses) - 1, pieces + 1).astype(int)
    for start, end in pairwise(ends):
        after = led(arm, held, poses[start], poses[end])
        step = np.where(arm.joints.turning, np.abs(after - held), 0.0).max(axis=1)
        good = (step <= RACES_RAD) & (arm.joints.room(after) >= TOLD)  # NaN is neither
        held, after = held[good], after[good]
        if len(held):
            held = after[_steady(arm, poses[start : end + 1], held, after)]
        if not len(held):
            return None
    return held


def _steady(arm: Kinematics, poses: Array, start: Array, end: Array) -> NDArray[np.bool_]:
    """Tell which arms pass all ``poses`` (n, 4, 4) from ``start`` to ``end`` (k, axes) unfolded.

    Within the limits, and without a jump of a joint.
    """
    n, k = len(poses), len(start)
    share = np.linspace(0.0, 1.0, n)[:, None, None]
    q = (start + share * (end - start)).reshape(n * k, arm.axes)
    q, loss = improved(arm, np.repeat(poses, k, axis=0), q, ON_A_LEG, done_mm=HELD_MM)
    way = q.reshape(n, k, arm.axes)
    good = (loss.reshape(n, k) < HELD_MM**2) & (arm.joints.room(way) >= TOLD)
    folded = sides(arm, way)
    good &= (folded == folded[0]).all(axis=2)
    step = np.where(arm.joints.turning, np.abs(np.diff(way, axis=0)), 0.0).max(axis=(0, 2))
    return np.asarray(good[1:].all(axis=0) & (step <= JUMP_RAD))


def arm_check(robot: Robot | None, typed: Array, joints: Sequence[Array | None]) -> ArmCheck:
    """Return the check for an arm that stood at ``typed`` (n, 4, 4), with joints where typed.

    Where no posture leads through all recorded stations, the robot's description is in doubt, and
    nothing is refused by it.
    """
    present = typed[-1]
    if robot is None:
        return ArmCheck(None, np.empty((0, 0)), np.empty(0, int), present)
    arm = kinematics(robot)
    shown = [(index, q) for index, q in enumerate(joints) if q is not None]
    if not shown:
        return ArmCheck(arm, *_likely(arm, typed), present)
    index, q = shown[-1]
    past = _followed(arm, q[None], typed[index:])
    return ArmCheck(arm, past[:1, -1] if len(past) else q[None], np.zeros(1, int), present)


def _followed(arm: Kinematics, first: Array, poses: Array) -> Array:
    """Return the postures (k, n, axes) at all ``poses`` (n, 4, 4) from ``first`` (m, axes) on.

    Those are postures at the first pose, or as good as; of them only those that come to every
    pose. No joint turns round between two poses unless its limits would have it.
    """
    past = first[:, None]
    for before, flange in pairwise([poses[0], *poses]):
        last = past[:, -1]
        on = ArmCheck(arm, last, np.arange(len(last)), before)._there(arm, flange)
        lost = ~np.isfinite(on).all(axis=1)
        if lost.any() and arm.robot.kind == "chain":  # the robot did not come by the straight way
            on[lost] = _onward(arm, last[lost], arm.branches(flange))[0]
        on = arm.joints.continued(last, on)
        good = arm.joints.inside(on)
        past = np.concatenate([past[good], on[good, None]], axis=1)
    return past[:, 1:]


def _likely(arm: Kinematics, typed: Array) -> tuple[Array, NDArray[np.int64]]:
    """Return the postures (k, axes) at the last station that come to every one, and their branches.

    Those that came far nearer to a limit than another one at the first station are left out: a hand
    chose it. Plans lead nearer to limits.
    """
    past = _followed(arm, arm.branches(typed[0]), typed)
    room = arm.joints.room(past[:, 0])
    past = past[room >= min(LIKELY * room.max(initial=0.0), ROOM_ENOUGH)]
    held = [_turned(arm, one) for one in past]
    branch = np.repeat(np.arange(len(held)), [len(one) for one in held])
    return np.concatenate([np.empty((0, arm.axes)), *held]), branch


def _turned(arm: Kinematics, past: Array) -> Array:
    """Return the last of ``past`` (n, axes) with the fewest and most likely turns, (1 or 2, axes).

    What stays within the limits from both does so from those between. Turns with which a joint came
    far nearer to a limit than with others are left out, unless it was not so at the first station:
    plans lead nearer to limits, and hands may have moved the robot otherwise than by jogs.
    """
    span = np.diff(arm.joints.limits)[:, 0]
    free = arm.joints.turning & np.isfinite(span)
    most = int(span[free].max(initial=0.0) // FULL_TURN)
    turns = FULL_TURN * np.arange(-most, most + 1)[:, None] * free
    room = arm.joints.margins(past + turns[:, None])
    least, likely = room.min(axis=1), np.zeros(turns.shape, bool)
    for some in (room[:, 0], least):
        some = np.where(least >= -LIMIT_SLACK, some, -np.inf)
        best = some.max(axis=0)
        likely |= (some >= LIKELY * best) | (some == best)
    ends = np.where(likely, turns, np.inf).min(axis=0), np.where(likely, turns, -np.inf).max(axis=0)
    return np.asarray(past[-1] + np.unique(ends, axis=0))


FOOT = 0.25  # [-] of the height of the second axis: how far a foot stands out (CP, no source)
UPRIGHT = 0.99  # [-] cosine within which the first axis stands on the base plane


def foot(robot: Robot | None) -> KeepOut | None:
    """Return the box of the arm's own foot [mm, base]: a column about the first axis.

    It reaches up to the second axis, and beyond that axis's offset from the first by a quarter of
    its height (of the upper arm's length where both axes are upright). None for an arm that is not
    described, or does not stand on the base plane.
    """
    if robot is None:
        return None
    arm = kinematics(robot)
    first, second = arm.joint_frames(arm.joints.to_shown(np.zeros(arm.axes)))[:2]
    if first[2, 2] < UPRIGHT:
        return None
    offset = float(np.linalg.norm(second[:2, 3] - first[:2, 3]))
    top = float(second[2, 3])
    radius = FOOT * offset if abs(second[2, 2]) > UPRIGHT else offset + FOOT * max(top, 0.0)
    x, y = first[:2, 3]
    return KeepOut(
        "the arm's own foot", (x - radius, y - radius, -FAR_MM), (x + radius, y + radius, top)
    )


def around(cell: Cell, bodies: Bodies, typed: Array) -> tuple[KeepOut, ...]:
    """Return the boxes to keep out of: the cell's, and the arm's own foot.

    ``bodies`` were at the recorded poses ``typed`` (n, 4, 4): a foot in which the flange was, or
    what rides on it wherever that may be, is not as wide as thought. It counts as far as they were
    clear of it.
    """
    own = foot(cell.robot)
    if own is None:
        return cell.keep_out
    for share in NARROWER:
        (x0, y0, low), (x1, y1, top) = own.min_mm, own.max_mm
        x, y, half = (x0 + x1) / 2.0, (y0 + y1) / 2.0, share * (x1 - x0) / 2.0
        box = replace(own, min_mm=(x - half, y - half, low), max_mm=(x + half, y + half, top))
        hit = bodies.hit(typed, (box,))
        rides = hit[:, 1:].all(axis=1) if hit.shape[1] > 1 else np.zeros(len(hit), bool)
        if not (hit[:, 0] | rides).any():
            return (*cell.keep_out, box)
    return cell.keep_out


def floor_mm(cell: Cell, bodies: Bodies, typed: Array) -> float:
    """Return the height [mm, base] below which no station is planned.

    Most arms stand on the table or floor that bears the work, so nothing goes below the base plane
    unless parts are picked there or a body may have been there at a recorded pose ``typed``
    (n, 4, 4): one whose place is doubted may have been so much lower.
    """
    volume = cell.work_volume
    bottom = volume.center_mm[2] - volume.size_mm[2] / 2 if volume.frame == "base" else 0.0
    lowest = bodies.lowest(typed) - (bodies.apart - CLEAR_MM)
    return min(0.0, bottom, float(lowest.min()))
