"""The postures that an arm may be in, and where they lead, followed step by step."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from robots_samples import DEMO

from engine.arrays import Array
from engine.frames import transform
from engine.plans.arm import ArmCheck, arm_check
from engine.plans.way import Leg, told_way
from engine.robots.arms import configuration
from engine.robots.kinematics import improved, kinematics
from engine.robots.model import ChainLink, Robot

SIX_TURNS = Robot(
    "six turns and no wrist in one point",
    "chain",
    convention="standard",
    links=(
        ChainLink(0, 90, 120),
        ChainLink(-450, 0, 0),
        ChainLink(-400, 0, 0),
        ChainLink(0, 90, 110),
        ChainLink(0, -90, 100),
        ChainLink(0, 0, 85),
    ),
    directions=(1,) * 6,
    limits=((-360, 360),) * 6,
)
GANTRY = Robot(
    "gantry",
    "chain",
    convention="standard",
    links=(
        ChainLink(0, -90, 0, 0, "lift"),
        ChainLink(0, -90, 0, -90, "lift"),
        ChainLink(0, 0, 0, 0, "lift"),
        ChainLink(0, 90, 150),
        ChainLink(0, -90, 0),
        ChainLink(0, 0, 120),
    ),
    directions=(1,) * 6,
    limits=((-1000, 1000), (-1000, 1000), (-900, 900), (-180, 180), (-120, 120), (-360, 360)),
    base_T_first_mm_deg=(0, 0, 900, 0, 0, 0),
)


def shown(arm: Robot, degrees: list[float]) -> Array:
    return np.where(kinematics(arm).joints.turning, np.radians(degrees), degrees)


def followed(robot: Robot, q: Array, poses: Array) -> Array:
    """Return the joints (n, axes) along poses (n, 4, 4), each the start of the next."""
    arm, way = kinematics(robot), [q]
    for pose in poses[1:]:
        after, loss = improved(arm, pose, way[-1][None], 20)
        assert loss[0] < 1e-6
        way.append(after[0])
    return np.array(way)


def test_a_chain_is_led_out_of_its_limits_and_in_again_in_the_middle_of_no_leg() -> None:
    rng, swung = np.random.default_rng(3), 0
    for _ in range(60):
        q = np.array([100.0, 50.0, -300.0, *np.radians(rng.uniform(-110.0, 110.0, 3))])
        start = kinematics(GANTRY).forward(q)
        leg = Leg(int(rng.integers(3)), np.radians(55.0), True).poses(start, 200.0)
        lifts = followed(GANTRY, q, leg)[:, :3]
        for k in range(3):
            over = lifts[:, k].max() - max(lifts[0, k], lifts[-1, k])
            if over < 5.0:
                continue
            swung += 1
            for room, free in ((-2.0, False), (2.0, True)):  # beyond the farthest place
                limits = list(GANTRY.limits)
                limits[k] = (-2000.0, float(lifts[:, k].max()) + room)
                check = arm_check(replace(GANTRY, limits=tuple(limits)), start[None], [q])
                assert (check.along(leg, check.held) is not None) is free
    assert swung


def test_all_branches_of_a_chain_are_held_though_some_have_the_same_labels() -> None:
    arm = kinematics(SIX_TURNS)
    q = shown(SIX_TURNS, [40.0, -107.0, 139.0, -127.0, 43.0, -29.0])
    flange = arm.forward(q)
    found = arm.branches(flange)
    assert len({configuration(arm, one) for one in found}) < len(found)
    check = arm_check(SIX_TURNS, flange[None], [None])
    assert len(np.unique(check.branch)) == len(found)
    off = (check.held - q + np.pi) % (2 * np.pi) - np.pi
    assert np.abs(off).max(axis=1).min() < 1e-3


@pytest.mark.parametrize("room", [38.0, 24.0])
def test_a_posture_with_room_enough_is_likely_whatever_room_another_has(room: float) -> None:
    arm = kinematics(DEMO)
    q = shown(DEMO, [-33.0, 100.0, -70.0 + room, -135.0, -67.0, 43.0])
    check = arm_check(DEMO, arm.forward(q)[None], [None])
    assert arm.joints.room(check.held).max() > 2.0 * room
    assert np.abs(check.held - q).max(axis=1).min() < 1e-6


def test_a_joint_that_turned_farther_than_half_a_turn_is_not_told() -> None:
    arm = kinematics(DEMO)
    start = np.radians([[0.0, 20.0, 60.0, 0.0, 50.0, -20.0], [0.0, 20.0, 60.0, 0.0, 50.0, 340.0]])
    there = start + np.radians([0.0, 0.0, 0.0, 0.0, 0.0, 190.0])
    check = ArmCheck(arm, start, np.zeros(2, int), arm.forward(start[0]))
    assert check.unwound(start[:1], there) == pytest.approx(np.empty((0, 6)))
    assert check.unwound(start, there) == pytest.approx(there[:1])


def test_what_one_posture_cannot_do_is_not_taken_for_what_another_can() -> None:
    start, end = transform(np.eye(3), np.zeros(3)), transform(np.eye(3), [50.0, 60.0, 70.0])

    def clear(poses: Array, held: Array) -> Array | None:
        """Posture 1 goes along Y first, then X, then Z; posture 0 along X first, and never Z."""
        (x, y, _), (dx, _, dz) = poses[0, :3, 3], poses[-1, :3, 3] - poses[0, :3, 3]
        if dz:
            left = held[held[:, 0] == 1.0] if x and y else held[:0]
        elif x == 0.0 and y == 0.0:
            left = held[held[:, 0] == (0.0 if dx else 1.0)]
        else:
            left = held
        return left if len(left) else None

    told = told_way(start, end, clear, np.array([[0.0], [1.0]]))
    assert told is not None
    assert [leg.axis for leg in told.legs] == [1, 0, 2]
    assert told.held.tolist() == [[1.0]]


def test_a_posture_that_a_plan_led_near_a_limit_stays_likely() -> None:
    arm = kinematics(DEMO)
    degrees = [[35.0, -5.0, 125.0, -131.0, -87.0, -114.0], [10.0, -9.0, 93.0, -166.0, -96.0, -93.0]]
    first, last = (shown(DEMO, one) for one in degrees)
    check = arm_check(DEMO, arm.forward(np.array([first, last])), [None, None])
    assert arm.joints.room(last) < 15.0
    assert arm.joints.room(check.held).max() > 35.0
    assert np.abs(check.held - last).max(axis=1).min() < 1e-6


def test_a_joint_that_a_plan_turned_towards_a_limit_may_still_be_there() -> None:
    arm = kinematics(DEMO)
    first, last = [-33.0, 100.0, -25.0, -135.0, -67.0, -150.0], [-30.0, 98.0, -22.0, -130.0, -60.0]
    past = np.array([shown(DEMO, one) for one in (first, [*last, -310.0])])
    held = arm_check(DEMO, arm.forward(past), [None, None]).held
    assert np.abs(held - past[-1]).max(axis=1).min() < 1e-6
    assert np.abs(held - past[-1] - shown(DEMO, [0.0] * 5 + [360.0])).max(axis=1).min() < 1e-6
