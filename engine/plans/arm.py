"""Where the arm can stand without folding another way, and without entering a forbidden box."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..cell.cell import KeepOut
from ..frames import apply, rotation_angle, straight
from ..robots.arms import LEVEL_KINDS, configuration, wrist_bend
from ..robots.kinematics import Kinematics, kinematics, led, reached
from ..robots.model import Robot

CLEAR_MM = 20.0  # mm kept from every box: a jog by hand strays from its line, common practice
FAR_MM = 1e6  # mm; farther than any arm reaches
STEP_MM, STEP_RAD = 20.0, np.radians(4.0)  # between the poses looked at; below CLEAR_MM


def below(height_mm: float) -> KeepOut:
    """Return the box below a height [mm] in the base; points at that height keep clear of it."""
    top = height_mm - CLEAR_MM
    return KeepOut("below", (-FAR_MM, -FAR_MM, -FAR_MM), (FAR_MM, FAR_MM, top))


def clear(boxes: Sequence[KeepOut], points_base: Array) -> NDArray[np.bool_]:
    """Tell for which rows of points (n, m, 3) [mm] in the base none lies in or near a box."""
    good = np.ones(len(points_base), bool)
    for box in boxes:
        low, high = np.asarray(box.min_mm) - CLEAR_MM, np.asarray(box.max_mm) + CLEAR_MM
        inside = np.asarray(((points_base > low) & (points_base < high)).all(axis=2))
        good &= ~inside.any(axis=1)
    return good


def way_clear(boxes: Sequence[KeepOut], start: Array, end: Array, on_flange: Array) -> bool:
    """Tell whether points (m, 3) on the flange keep clear on the straight way between two poses.

    ``start`` and ``end`` are base_T_flange (4, 4).
    """
    if not boxes:
        return True
    travel = np.linalg.norm(end[:3, 3] - start[:3, 3]) / STEP_MM
    turn = rotation_angle(end[:3, :3] @ start[:3, :3].T) / STEP_RAD
    lever = np.linalg.norm(on_flange, axis=1).max() * turn * STEP_RAD / STEP_MM
    steps = int(np.ceil(max(travel + lever, turn, 1.0)))
    return bool(clear(boxes, apply(straight(start, end, steps), on_flange)).all())


LIMIT_MARGIN = 5.0  # [deg, mm] kept from joint limits: a jog by hand overshoots, common practice
SPARE_MM = 20.0  # mm the arm could still reach farther out: not stretched, room for the jog
WRIST_BENT = float(np.sin(np.radians(8.0)))  # [-] nearer to straight, J4 and J6 race each other
LIKELY = 0.5  # [-] of the most room to the limits: nobody parks an arm far nearer to one (CP)
LEG_STEPS = 5  # postures looked at along one straight move
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
        """Tell whether base_T_flange (4, 4) is held in every one of ``ways``, with margins.

        And reached on the straight way from where the arm stands.
        """
        if self.arm is None or not self.ways:
            return True
        roomy = [q for q in self._held(self.arm, flange) if self._roomy(self.arm, q)]
        if not self._all_ways(self.arm, roomy):
            return False
        away = flange.copy()  # a little farther from the base
        away[:3, 3] *= 1.0 + SPARE_MM / max(float(np.linalg.norm(flange[:3, 3])), SPARE_MM)
        if not self._all_ways(self.arm, self._held(self.arm, away, limited=False)):
            return False
        return self.arm.robot.kind == "chain" or self.passes(self.present, flange)

    def posture(self, flange: Array) -> Array | None:
        """Return one posture (axes,) that holds ``flange`` (4, 4), in ``ways`` if there is one."""
        if self.arm is None:
            return None
        found = self._held(self.arm, flange) if self.ways else list(self.arm.branches(flange))
        same = [q for q in found if configuration(self.arm, q) in self.ways]
        return next(iter(same or found), None)

    def passes(self, start: Array, end: Array) -> bool:
        """Tell whether a straight move between two poses (4, 4) keeps limits and configuration."""
        if self.arm is None or not self.ways:
            return True
        found = self._on_the_way(self.arm, start, straight(start, end, LEG_STEPS))
        return all(self._steady(self.arm, found, way) for way in self.ways)

    def _on_the_way(self, arm: Kinematics, start: Array, poses: Array) -> list[list[Array]]:
        """Return the postures that hold each of ``poses`` (n, 4, 4), a chain's one by one."""
        if arm.robot.kind != "chain":
            return [self._held(arm, pose) for pose in poses]
        q, found = np.array(self._held(arm, start)), []
        for before, pose in pairwise([start, *poses]):
            if len(q):
                q = led(arm, q, before, pose)
                q = q[arm.joints.inside(q)]
            found.append(list(q))
        return found

    def _held(self, arm: Kinematics, flange: Array, *, limited: bool = True) -> list[Array]:
        """Return the postures that hold ``flange``; a chain is led there from where it stands."""
        if arm.robot.kind != "chain":
            return list(arm.branches(flange, limited=limited))
        found = led(arm, self.seeds, self.present, flange)
        return list(found[arm.joints.inside(found)] if limited else found)

    def _all_ways(self, arm: Kinematics, found: list[Array]) -> bool:
        return {configuration(arm, q) for q in found}.issuperset(self.ways)

    @staticmethod
    def _steady(arm: Kinematics, found: list[list[Array]], way: Labels) -> bool:
        before: Array | None = None
        for options in found:
            same = np.array([q for q in options if configuration(arm, q) == way])
            if not len(same):
                return False
            if before is None:
                before = same[0]
                continue
            same = arm.joints.turned_towards(before, same)
            step = np.where(arm.joints.turning, np.abs(same - before), 0.0).max(axis=1)
            if step.min() > JUMP_RAD:
                return False
            before = same[int(step.argmin())]
        return True

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


def is_level(robot: Robot | None) -> bool:
    """Tell whether the arm holds its flange level, so that it can turn about the vertical only."""
    return robot is not None and robot.kind in LEVEL_KINDS
