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
from ..robots.arms import FULL_TURN, configuration, wrist_bend
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
JUMP_RAD = np.radians(60.0)  # [rad] change of a joint between them that is no steady move

Labels = tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class ArmCheck:
    """What the arm can do from how it stands. ``arm`` None: nothing is known, everything passes.

    ``ways`` are the configurations it may be in: the one that typed joints show, or all likely
    ones in which every recorded station is within reach. ``seeds`` (k, axes) are its postures at
    ``present`` (4, 4) in each of them.
    """

    arm: Kinematics | None
    ways: tuple[Labels, ...]
    seeds: Array
    present: Array

    def promising(self, flange: Array) -> NDArray[np.bool_]:
        """Tell at which flange poses (n, 4, 4) `stands` is worth asking: quick for many at once."""
        good = np.ones(len(flange), bool)
        if self.arm is None or self.arm.robot.kind != "chain":
            return good  # whose branches are cheap
        for seed in self.seeds:
            q = reached(self.arm, seed, flange[good])
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

    def postures(self, start: Array) -> Array:
        """Return the postures (k, axes) from which legs from ``start`` (4, 4) are followed."""
        if self.arm is None or not self.ways:
            return np.empty((0, 0))
        found = self._held(self.arm, start)
        if self.arm.robot.kind != "chain":
            one = {configuration(self.arm, q): q for q in found}
            found = [one[way] for way in self.ways if way in one]
        return np.array(found).reshape(-1, self.arm.axes)

    def leads(self, held: Array, end: Array) -> bool:
        """Tell whether a way from ``held`` (k, axes) to ``end`` (4, 4) is worth looking for.

        It is not where a joint would have to turn round the other way, by more than half a turn.
        """
        if self.arm is None or not len(held) or self.arm.robot.kind == "chain":
            return True  # a chain is led there
        there = self._held(self.arm, end)
        return any(self._inside(self.arm, self._onward(self.arm, q, there)).any() for q in held)

    def along(self, poses: Array, held: Array) -> Array | None:
        """Return the postures after a leg through ``poses`` (n, 4, 4) from ``held`` (k, axes).

        None where it breaks reach or limits, or folds the arm another way. That a joint leaves its
        limits on one side and comes in again on the other is held against a leg where it does so in
        every one of ``ways``: of those that are likely only one is true.
        """
        if self.arm is None or not self.ways:
            return held
        if self.arm.robot.kind == "chain":
            return self._led_along(self.arm, poses, held)
        if not self._all_ways(self.arm, list(held)):
            return None
        shift = float(np.linalg.norm(poses[-1, :3, 3] - poses[0, :3, 3])) / APART_MM
        turn = float(rotation_angle(poses[-1, :3, :3] @ poses[0, :3, :3].T)) / APART_RAD
        pieces = int(np.ceil(max(shift, turn, LEG_PIECES)))
        some = poses[np.unique(np.linspace(0, len(poses) - 1, pieces + 1).astype(int))][1:]
        found = [self._held(self.arm, pose) for pose in some]
        steady = [self._steady(self.arm, q, found) for q in held]
        after = np.array([q for q, _ in steady if q is not None])
        return after if len(after) == len(held) and any(inside for _, inside in steady) else None

    def _led_along(self, arm: Kinematics, poses: Array, held: Array) -> Array | None:
        turn = float(rotation_angle(poses[-1, :3, :3] @ poses[0, :3, :3].T))
        pieces = max(int(np.ceil(turn / LED_RAD)), 1)
        some = poses[np.linspace(0, len(poses) - 1, pieces + 1).astype(int)]
        for before, pose in pairwise(some):
            held = led(arm, held, before, pose) if len(held) else held
            held = held[arm.joints.inside(held)]
            if not self._all_ways(arm, list(held)):
                return None
        return held

    def _held(self, arm: Kinematics, flange: Array, *, limited: bool = True) -> list[Array]:
        """Return the postures that hold ``flange``; a chain is led there from where it stands."""
        if arm.robot.kind != "chain":
            return list(arm.branches(flange, limited=limited))
        found = led(arm, self.seeds, self.present, flange)
        return list(found[arm.joints.inside(found)] if limited else found)

    def _all_ways(self, arm: Kinematics, found: list[Array]) -> bool:
        return {configuration(arm, q) for q in found}.issuperset(self.ways)

    @staticmethod
    def _onward(arm: Kinematics, before: Array, options: list[Array]) -> Array:
        """Return those ``options`` in the configuration of ``before``, their joints turned on."""
        way = configuration(arm, before)
        same = np.array([q for q in options if configuration(arm, q) == way])
        same = same.reshape(-1, arm.axes)
        return arm.joints.turned_towards(before, same[arm.joints.room(same) >= TOLD])

    @staticmethod
    def _inside(arm: Kinematics, q: Array) -> NDArray[np.bool_]:
        """Tell at which of ``q`` (..., axes), turned on, no joint has left its limits.

        Of a joint that may turn round twice nobody knows how often it has been turned round.
        """
        twice = arm.joints.turning & (np.diff(arm.joints.limits)[:, 0] >= 2 * FULL_TURN)
        room = np.where(twice, np.inf, arm.joints.margins(q) * arm.joints.degrees)
        return np.asarray(room.min(axis=-1) >= TOLD)

    def _steady(
        self, arm: Kinematics, before: Array, found: list[list[Array]]
    ) -> tuple[Array | None, bool]:
        """Return the posture after steady moves from ``before`` on, and whether all are inside.

        No posture: there are no steady moves.
        """
        inside = True
        for options in found:
            on = self._onward(arm, before, options)
            step = np.where(arm.joints.turning, np.abs(on - before), 0.0).max(axis=1)
            if not len(on) or step.min() > JUMP_RAD:
                return None, False
            before = on[int(step.argmin())]
            inside = inside and bool(self._inside(arm, before))
        return before, inside

    @staticmethod
    def _roomy(arm: Kinematics, q: Array) -> bool:
        if arm.joints.room(q) < LIMIT_MARGIN:
            return False
        bend = wrist_bend(arm, arm.jacobian(q))
        return bend is None or abs(bend) > WRIST_BENT


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
    found = _led_on(arm, *shown[-1], typed) if shown else _likely(arm, typed)
    seeds = np.array(list(found.values())).reshape(len(found), arm.axes)
    return ArmCheck(arm, tuple(found), seeds, present)


def _led_on(arm: Kinematics, index: int, q: Array, typed: Array) -> dict[Labels, Array]:
    """Return the configuration of joints typed at station ``index``, and the posture at the last.

    Where it does not hold the last station, the posture is the typed one.
    """
    way = configuration(arm, q)
    if index == len(typed) - 1:
        return {way: q}
    check = ArmCheck(arm, (way,), q[None], typed[index])
    here = (p for p in check._held(arm, typed[-1]) if configuration(arm, p) == way)
    return {way: next(here, q)}


def _likely(arm: Kinematics, typed: Array) -> dict[Labels, Array]:
    """Return the configurations that hold every station, and the posture at the last.

    Those that come far nearer to a limit than another one are left out.
    """
    found = {configuration(arm, q): (float(arm.joints.room(q)), q) for q in arm.branches(typed[0])}
    before = typed[0]
    for flange in typed[1:]:
        seeds = np.array([q for _, q in found.values()]).reshape(len(found), arm.axes)
        check = ArmCheck(arm, tuple(found), seeds, before)
        here = {configuration(arm, q): q for q in check._held(arm, flange)}
        found = {
            way: (min(room, float(arm.joints.room(here[way]))), here[way])
            for way, (room, _) in found.items()
            if way in here
        }
        before = flange
    most = max((room for room, _ in found.values()), default=0.0)
    return {way: q for way, (room, q) in sorted(found.items()) if room >= LIKELY * most}


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
