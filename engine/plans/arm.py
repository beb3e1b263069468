"""Where the arm can stand without folding another way, with room to its limits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..frames import Array, rotation_exp, rotation_log, transform
from ..robots.arms import LEVEL_KINDS
from ..robots.configuration import configuration, wrist_bend
from ..robots.kinematics import Kinematics, kinematics
from ..robots.model import Robot

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
    ones in which every recorded station is within reach.
    """

    arm: Kinematics | None
    ways: tuple[Labels, ...]

    def stands(self, flange: Array) -> bool:
        """Tell whether base_T_flange (4, 4) is held in every one of ``ways``, with margins."""
        if self.arm is None or not self.ways:
            return True
        found = self.arm.branches(flange)
        roomy = {configuration(self.arm, q) for q in found if self._roomy(self.arm, q)}
        if not roomy.issuperset(self.ways):
            return False
        farther = self.arm.branches(self._outward(self.arm, flange), limited=False)
        return {configuration(self.arm, q) for q in farther}.issuperset(self.ways)

    def passes(self, start: Array, end: Array) -> bool:
        """Tell whether a straight move between two poses (4, 4) keeps limits and configuration."""
        if self.arm is None or not self.ways:
            return True
        arm, steps = self.arm, straight(start, end, LEG_STEPS)
        found = [arm.branches(pose) for pose in steps]
        return all(self._steady(arm, found, way) for way in self.ways)

    def _steady(self, arm: Kinematics, found: list[Array], way: Labels) -> bool:
        before: Array | None = None
        for options in found:
            same = np.array([q for q in options if configuration(arm, q) == way])
            if not len(same):
                return False
            if before is not None:
                same = arm.joints.turned_towards(before, same)
                step = np.where(arm.joints.turning, np.abs(same - before), 0.0).max(axis=1)
                if step.min() > JUMP_RAD:
                    return False
                before = same[int(step.argmin())]
            else:
                before = same[0]
        return True

    @staticmethod
    def _roomy(arm: Kinematics, q: Array) -> bool:
        unit = np.where(arm.joints.turning, np.radians(1.0), 1.0)
        if (arm.joints.margins(q) / unit).min() < LIMIT_MARGIN:
            return False
        bend = wrist_bend(arm, arm.jacobian(q))
        return bend is None or abs(bend) > WRIST_BENT

    @staticmethod
    def _outward(arm: Kinematics, flange: Array) -> Array:
        away = flange.copy()
        distance = max(arm.distance_from_first_joint(flange), 1.0)
        lever = flange[:3, 3] / max(float(np.linalg.norm(flange[:3, 3])), 1.0)
        away[:3, 3] += lever * min(SPARE_MM, distance)
        return away


def arm_check(robot: Robot | None, typed: Array, joints: Array | None) -> ArmCheck:
    """Return the check for an arm that stood at ``typed`` (n, 4, 4), with the last typed joints.

    Where no configuration holds all recorded stations, the robot's description is in doubt, and
    nothing is refused by it.
    """
    if robot is None:
        return ArmCheck(None, ())
    arm = kinematics(robot)
    if joints is not None:
        return ArmCheck(arm, (configuration(arm, joints),))
    return ArmCheck(arm, _likely(arm, typed))


def _likely(arm: Kinematics, typed: Array) -> tuple[Labels, ...]:
    """Return the configurations that hold every station, but for those far nearer to a limit."""
    shared: dict[Labels, float] | None = None
    unit = np.where(arm.joints.turning, np.radians(1.0), 1.0)
    for flange in typed:
        here: dict[Labels, float] = {}
        for q in arm.branches(flange):
            way, room = configuration(arm, q), float((arm.joints.margins(q) / unit).min())
            here[way] = max(room, here.get(way, 0.0))
        if shared is not None:
            here = {way: min(room, shared[way]) for way, room in here.items() if way in shared}
        shared = here
    shared = shared or {}
    most = max(shared.values(), default=0.0)
    return tuple(sorted(way for way, room in shared.items() if room >= LIKELY * most))


def is_level(robot: Robot | None) -> bool:
    """Tell whether the arm holds its flange level, so that it can turn about the vertical only."""
    return robot is not None and robot.kind in LEVEL_KINDS


def straight(start: Array, end: Array, steps: int) -> Array:
    """Return ``steps`` poses (steps, 4, 4) after ``start`` on the straight way to ``end``.

    Position and rotation move evenly; the last pose is ``end``.
    """
    share = np.linspace(0.0, 1.0, steps + 1)[1:, None]
    turn = rotation_log(end[:3, :3] @ start[:3, :3].T)
    R = rotation_exp(share * turn) @ start[:3, :3]
    return transform(R, start[:3, 3] + share * (end[:3, 3] - start[:3, 3]))
