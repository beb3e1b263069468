"""Where the arm can stand and go without folding another way, and the foot it stands on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..cell.cell import Cell, KeepOut
from ..frames import rotation_angle
from ..robots.arms import FULL_TURN, configuration, sides, wrist_bend
from ..robots.kinematics import Kinematics, kinematics, led, reached
from ..robots.model import Robot
from .way import CLEAR_MM, FAR_MM, Bodies

LIMIT_MARGIN = 5.0  # [deg, mm] kept from joint limits: a jog by hand overshoots, common practice
TOLD = 1.0  # [deg, mm] kept from them on the way: what is told is rounded to that
SPARE_MM = 20.0  # mm the arm could still reach farther out: not stretched, room for the jog
WRIST_BENT = float(np.sin(np.radians(8.0)))  # [-] nearer to straight, J4 and J6 race each other
LIKELY = 0.5  # [-] of the most room to the limits: nobody parks an arm far nearer to one (CP)
LEG_PIECES = 3  # of one leg of a jog between which postures are looked at, at least
APART_MM, APART_RAD = 50.0, np.radians(12.0)  # most between: J5 rose and fell by 2° in 88 mm
LED_RAD = np.radians(60.0)  # [rad] of a turn along which a chain is led at once
RACES_RAD = 2.0 * LED_RAD  # [rad] of a joint meanwhile: a wrist that is nearly straight races
JUMP_RAD = np.radians(60.0)  # [rad] change of a joint between them that is no steady move

Labels = tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class ArmCheck:
    """What the arm can do from how it stands. ``arm`` None: nothing is known, everything passes.

    ``ways`` are the configurations it may be in: the one that typed joints show, or all likely
    ones in which every recorded station is within reach. ``held`` (k, axes) are its postures at
    ``present`` (4, 4) in each of them, their joints turned as few and as many times as is likely:
    as often as typed. A leg goes on from those that it can be made from; only one of them is true.
    """

    arm: Kinematics | None
    ways: tuple[Labels, ...]
    held: Array
    present: Array

    def promising(self, flange: Array) -> NDArray[np.bool_]:
        """Tell at which flange poses (n, 4, 4) `stands` is worth asking: quick for many at once."""
        good = np.ones(len(flange), bool)
        if self.arm is None or self.arm.robot.kind != "chain":
            return good  # whose branches are cheap
        for seed in self.held:
            q = self.arm.joints.turned_towards(seed, reached(self.arm, seed, flange[good]))
            good[good] = np.nan_to_num(self.arm.joints.room(q), nan=-1.0) >= LIMIT_MARGIN
        return good

    def stands(self, flange: Array) -> bool:
        """Tell whether base_T_flange (4, 4) is held in every one of ``ways``, with margins."""
        if self.arm is None or not self.ways:
            return True
        roomy = [q for q in self._held(self.arm, flange) if self._roomy(self.arm, q)]
        if not self._all_ways(self.arm, roomy):
            return False
        away = flange.copy()  # a little farther from the base
        away[:3, 3] *= 1.0 + SPARE_MM / max(float(np.linalg.norm(flange[:3, 3])), SPARE_MM)
        return self._all_ways(self.arm, self._held(self.arm, away, limited=False))

    def posture(self, flange: Array) -> Array | None:
        """Return one posture (axes,) that holds ``flange`` (4, 4), in ``ways`` if there is one."""
        if self.arm is None:
            return None
        found = self._held(self.arm, flange) if self.ways else list(self.arm.branches(flange))
        same = [q for q in found if configuration(self.arm, q) in self.ways]
        return next(iter(same or found), None)

    def leads(self, held: Array, end: Array) -> bool:
        """Tell whether a way from ``held`` (k, axes) to ``end`` (4, 4) is worth looking for.

        It is not where a joint would have to turn round the other way, by more than half a turn.
        """
        if self.arm is None or not len(held):
            return True
        there, step = self._onward(self.arm, held, self._held(self.arm, end))
        return bool((np.isfinite(step) & (self.arm.joints.room(there) >= TOLD)).any())

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
        if self.arm.robot.kind == "chain":
            return self._led_along(self.arm, poses, held)
        shift = float(np.linalg.norm(poses[-1, :3, 3] - poses[0, :3, 3])) / APART_MM
        turn = float(rotation_angle(poses[-1, :3, :3] @ poses[0, :3, :3].T)) / APART_RAD
        pieces = int(np.ceil(max(shift, turn, LEG_PIECES)))
        some = poses[np.unique(np.linspace(0, len(poses) - 1, pieces + 1).astype(int))][1:]
        for options in self.arm.branches_of(some):
            held, step = self._onward(self.arm, held, options)
            held = held[(step <= JUMP_RAD) & (self.arm.joints.room(held) >= TOLD)]
            if not len(held):
                return None
        return held

    def _led_along(self, arm: Kinematics, poses: Array, held: Array) -> Array | None:
        turn = float(rotation_angle(poses[-1, :3, :3] @ poses[0, :3, :3].T))
        pieces = max(int(np.ceil(turn / LED_RAD)), 1)
        some = poses[np.linspace(0, len(poses) - 1, pieces + 1).astype(int)]
        for before, pose in pairwise(some):
            after = led(arm, held, before, pose)
            found = np.isfinite(after).all(axis=1)
            held, after = held[found], after[found]
            step = np.where(arm.joints.turning, np.abs(after - held), 0.0).max(axis=1)
            same = (sides(arm, after) == sides(arm, held)).all(axis=1)
            held = after[same & (step <= RACES_RAD) & (arm.joints.room(after) >= TOLD)]
            if not len(held):
                return None
        return held

    def _held(self, arm: Kinematics, flange: Array, *, limited: bool = True) -> list[Array]:
        """Return the postures that hold ``flange``; a chain is led there from where it stands."""
        if arm.robot.kind != "chain":
            return list(arm.branches(flange, limited=limited))
        found = led(arm, self.held, self.present, flange)
        found = found[np.isfinite(found).all(axis=1)]
        return list(found[arm.joints.inside(found)] if limited else found)

    def _all_ways(self, arm: Kinematics, found: list[Array]) -> bool:
        return {configuration(arm, q) for q in found}.issuperset(self.ways)

    @staticmethod
    def _onward(
        arm: Kinematics, held: Array, options: Sequence[Array] | Array
    ) -> tuple[Array, Array]:
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

    @staticmethod
    def _roomy(arm: Kinematics, q: Array) -> bool:
        if arm.joints.room(q) < LIMIT_MARGIN:
            return False
        bend = wrist_bend(arm, arm.jacobian(q))
        return bend is None or bool(abs(bend) > WRIST_BENT)


def arm_check(robot: Robot | None, typed: Array, joints: Sequence[Array | None]) -> ArmCheck:
    """Return the check for an arm that stood at ``typed`` (n, 4, 4), with joints where typed.

    Where no configuration holds all recorded stations, the robot's description is in doubt, and
    nothing is refused by it.
    """
    present = typed[-1]
    if robot is None:
        return ArmCheck(None, (), np.empty((0, 0)), present)
    arm = kinematics(robot)
    shown = [(index, q) for index, q in enumerate(joints) if q is not None]
    if not shown:
        return ArmCheck(arm, *_likely(arm, typed), present)
    index, q = shown[-1]
    ((way, past),) = _followed(arm, [q], typed[index:]).items() or [(configuration(arm, q), [q])]
    return ArmCheck(arm, (way,), past[-1][None], present)


def _followed(arm: Kinematics, first: Sequence[Array], poses: Array) -> dict[Labels, list[Array]]:
    """Return the postures at all ``poses`` (n, 4, 4), by configuration, from ``first`` on.

    Those are postures (axes,) at the first pose, or as good as. No configuration that does not
    hold every pose. No joint turns round between two poses unless its limits would have it.
    """
    found = {configuration(arm, q): [q] for q in first}
    for before, flange in pairwise([poses[0], *poses]):
        held = np.array([past[-1] for past in found.values()]).reshape(-1, arm.axes)
        here = ArmCheck(arm, tuple(found), held, before)._held(arm, flange)
        on = {configuration(arm, q): q for q in here}
        found = {
            way: [*past, arm.joints.continued(past[-1], on[way])]
            for way, past in found.items()
            if way in on
        }
    return found


def _likely(arm: Kinematics, typed: Array) -> tuple[tuple[Labels, ...], Array]:
    """Return the configurations that hold every station, and the postures (k, axes) at the last.

    Those that come far nearer to a limit than another one are left out.
    """
    found = _followed(arm, list(arm.branches(typed[0])), typed)
    room = {way: float(arm.joints.room(np.array(past)).min()) for way, past in found.items()}
    most = max(room.values(), default=0.0)
    ways = tuple(sorted(way for way in found if room[way] >= LIKELY * most))
    held = [_turned(arm, np.array(found[way])) for way in ways]
    return ways, np.concatenate([np.empty((0, arm.axes)), *held])


def _turned(arm: Kinematics, past: Array) -> Array:
    """Return the last of ``past`` (n, axes) with the fewest and most likely turns, (1 or 2, axes).

    What stays within the limits from both does so from those between. Turns with which a joint
    comes far nearer to a limit than with others are left out.
    """
    span = np.diff(arm.joints.limits)[:, 0]
    free = arm.joints.turning & np.isfinite(span)
    most = int(span[free].max(initial=0.0) // FULL_TURN)
    turns = FULL_TURN * np.arange(-most, most + 1)[:, None] * free
    room = arm.joints.margins(past + turns[:, None]).min(axis=1)
    best = room.max(axis=0)
    likely = (room >= LIKELY * best) | (room == best)
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
    what rides on it wherever that may be, is not as wide as thought.
    """
    own = foot(cell.robot)
    if own is None:
        return cell.keep_out
    hit = bodies.hit(typed, (own,))
    rides = hit[:, 1:].all(axis=1) if hit.shape[1] > 1 else np.zeros(len(hit), bool)
    return cell.keep_out if (hit[:, 0] | rides).any() else (*cell.keep_out, own)


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
