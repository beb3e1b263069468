"""The way that is told: legs in an order that is clear, checked where a hand would really go.

References: where two boxes meet by linear programming (scipy's HiGHS), turns by pytransform3d.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from plan_world import ARM, FOUR_AXIS, cell_of
from scipy.optimize import linprog
from told_jogs import entered, way

from engine.arrays import Array
from engine.cell.cell import KeepOut
from engine.cell.mount import EYE_TO_HAND
from engine.frames import displacement, rotation_exp, transform
from engine.plans.arm import arm_check, around, foot
from engine.plans.way import CLEAR_MM, Bodies, Leg, jog_text, told_way
from engine.robots.kinematics import kinematics

POINT = Bodies(np.eye(4)[None], np.zeros((1, 3)), np.full(1, CLEAR_MM))
NOTHING = np.empty((0, 0))


def turned(rng: np.random.Generator, size: float = 1.0) -> Array:
    return rotation_exp(rng.normal(0.0, size, 3))


def meet(T: Array, half: Array, box: KeepOut) -> bool:
    """Tell by linear programming whether a turned box and one along the axes share a point."""
    low, high = np.array(box.min_mm) - CLEAR_MM, np.array(box.max_mm) + CLEAR_MM
    corners = T[:3, :3]  # p = t + R q with q in the box of half sides
    found = linprog(
        np.zeros(3),
        A_ub=np.vstack([corners, -corners]),
        b_ub=np.concatenate([high - T[:3, 3], T[:3, 3] - low]),
        bounds=[(-h, h) for h in half],
    )
    return found.status == 0


def test_bodies_meet_boxes_exactly_where_they_share_a_point() -> None:
    rng = np.random.default_rng(1)
    hits = 0
    for _ in range(250):
        half = rng.uniform(0.0, 150.0, 3) * [1, 1, rng.integers(0, 2)]
        size = rng.uniform(2.0, 200.0, 3)
        box = KeepOut("box", tuple(-size / 2), tuple(size / 2))
        T = transform(turned(rng), rng.normal(0.0, 130.0, 3))
        body = Bodies(np.eye(4)[None], half[None], np.full(1, CLEAR_MM))
        hit = bool(body.hit(T[None], (box,))[0, 0])
        assert hit is meet(T, half, box)
        hits += hit
    assert 60 < hits < 190


def test_legs_lead_to_the_pose_however_far_it_is_turned() -> None:
    rng = np.random.default_rng(2)
    for _ in range(100):
        start, end = (transform(turned(rng), rng.uniform(-400, 400, 3)) for _ in range(2))
        told = told_way(start, end, lambda poses, held: held, NOTHING)
        assert told is not None
        legs = told.legs
        off = displacement(way(start, jog_text(legs))[-1], end)
        assert np.abs(off[3:]).max() <= 0.51  # rounded to 1 mm and 1°
        assert np.degrees(np.linalg.norm(off[:3])) < 1.6


def clear_of(*boxes: KeepOut) -> object:
    return lambda poses, held: held if POINT.clear(poses, boxes).all() else None


def test_the_order_is_changed_where_a_box_stands_in_the_way() -> None:
    start, end = transform(np.eye(3), np.zeros(3)), transform(np.eye(3), [300.0, 200.0, 100.0])
    free = told_way(start, end, lambda poses, held: held, NOTHING)
    assert free is not None
    assert jog_text(free.legs) == "base X +300 mm, base Y +200 mm, base Z +100 mm"
    wall = KeepOut("wall", (100.0, -50.0, -50.0), (140.0, 50.0, 50.0))
    told = told_way(start, end, clear_of(wall), NOTHING)
    assert told is not None
    legs = told.legs
    assert not entered(way(start, jog_text(legs)), np.zeros((1, 3)), (wall,))
    assert legs[0].axis != 0
    room = [KeepOut(f"{k}", *sides) for k, sides in enumerate((
        ((60.0, -900.0, -900.0), (80.0, 900.0, 900.0)),
    ))]  # fmt: skip
    assert told_way(start, end, clear_of(*room), NOTHING) is None


def test_the_arm_follows_only_legs_from_which_the_others_are_free() -> None:
    start, end = transform(np.eye(3), np.zeros(3)), transform(np.eye(3), [300.0, 200.0, 100.0])
    low = KeepOut("low", (-50.0, 100.0, -50.0), (900.0, 120.0, 50.0))  # Y is free above it only
    high = KeepOut("high", (-900.0, -900.0, 70.0), (200.0, 900.0, 900.0))  # and Z beyond it
    followed = []

    def arm(poses: Array, held: Array) -> Array:
        followed.append(poses[-1, :3, 3])
        return held

    def free(*boxes: KeepOut) -> Callable[[Array], bool]:
        return lambda poses: bool(POINT.clear(poses, boxes).all())

    told = told_way(start, end, arm, NOTHING, free=free(low, high))
    assert told is not None
    assert [leg.axis for leg in told.legs] == [0, 2, 1]
    assert np.array(followed) == pytest.approx(
        np.array([[300.0, 0.0, 0.0], [300.0, 0.0, 100.0], [300.0, 200.0, 100.0]])
    )
    followed.clear()
    lid = KeepOut("lid", (-900.0, -900.0, 60.0), (900.0, 900.0, 80.0))
    assert told_way(start, end, arm, NOTHING, free=free(lid)) is None
    assert not followed


def test_turns_are_made_where_there_is_room_for_them() -> None:
    plate = Bodies(np.eye(4)[None], np.array([[150.0, 10.0, 10.0]]), np.full(1, CLEAR_MM))
    start = transform(np.eye(3), np.zeros(3))
    end = transform(rotation_exp([0.0, 0.0, np.pi / 2]), [0.0, 0.0, 400.0])
    posts = (KeepOut("post", (-20.0, 90.0, -50.0), (20.0, 130.0, 50.0)),)
    told = told_way(
        start, end, lambda poses, held: held if plate.clear(poses, posts).all() else None,
        NOTHING, plate.reach_mm,
    )  # fmt: skip
    assert told is not None
    legs = told.legs
    assert [leg.turns for leg in legs] == [False, True]  # up first, then the turn


def test_legs_keep_within_reach_and_limits_though_the_straight_way_does_not_tell() -> None:
    arm, down = kinematics(ARM), np.diag([1.0, -1.0, -1.0])
    start = transform(down, [740.0, 0.0, 250.0])
    end = transform(down, [430.0, 620.0, 250.0])
    corner = transform(down, [740.0, 620.0, 250.0])  # Y first would lead through here
    assert len(arm.branches(corner)) == 0
    check = arm_check(ARM, start[None], [None])
    told = told_way(start, end, check.along, check.held)
    assert told is not None
    poses = way(start, jog_text(told.legs))
    assert all(len(arm.branches(pose)) > 0 for pose in poses[::5])
    check = arm_check(ARM, end[None], [None])
    blocked = told_way(end, start, check.along, check.held)
    assert blocked is not None
    assert [leg.axis for leg in blocked.legs] == [1, 0]  # Y first


def test_no_leg_leads_a_joint_out_of_its_limits_and_in_again_on_the_other_side() -> None:
    behind = transform(np.diag([-1.0, 1.0, -1.0]), [-100.0, 150.0, 600.0])
    across = behind.copy()
    across[1, 3] = -150.0  # J1 turns from 124° to 236°: from 160° to 200° it cannot stand
    check = arm_check(ARM, behind[None], [None])
    shift = Leg(1, -300.0, False).poses(behind, 0.0)
    held = kinematics(ARM).branches(shift[0]), kinematics(ARM).branches(shift[-1])
    assert all(len(postures) > 0 for postures in held)
    assert check.along(shift, check.held) is None
    assert check.along(shift[:8], check.held) is not None
    assert not check.leads(check.held, across).any()


def test_a_stop_at_the_pose_that_is_told_next_keeps_every_posture() -> None:
    start = kinematics(ARM).forward(np.radians([10.0, 30.0, 80.0, 20.0, 60.0, 30.0]))
    check = arm_check(ARM, start[None], [None])
    assert len(check.held)
    assert check.along(start[None], check.held) == pytest.approx(check.held)


def test_no_joint_swings_out_of_its_limits_and_back_in_the_middle_of_a_leg() -> None:
    arm = kinematics(ARM)
    outermost = arm.forward(np.radians([0.8, 54.8, 165.9, 158.4, 134.8, 13.5]))  # J5 may have 135
    start = outermost.copy()
    start[1, 3] -= 200.0
    leg = Leg(1, 440.0, False).poses(start, 0.0)
    assert any(len(arm.branches(pose)) == 0 for pose in leg)
    for q in arm.branches(start):
        check = arm_check(ARM, start[None], [q])
        assert check.along(leg, check.held) is None


def test_a_joint_that_may_turn_twice_is_led_on_from_the_turns_that_were_typed() -> None:
    arm, q = kinematics(ARM), np.radians([10.0, 30.0, 80.0, 20.0, 60.0, -350.0])  # of ±360°
    start = arm.forward(q)
    check = arm_check(ARM, start[None], [q])
    assert check.held == pytest.approx(q[None], abs=1e-9)
    seen = 0
    for axis, turn in product(range(3), (-20.0, 20.0)):
        leg = Leg(axis, np.radians(turn), True).poses(start, 100.0)
        there = check.along(leg, check.held)
        led = [q]
        for pose in leg:
            options = arm.joints.turned_towards(led[-1], arm.branches(pose, limited=False))
            led.append(options[np.abs(options - led[-1]).max(axis=1).argmin()])
        outside = np.degrees(min(p[5] for p in led)) < -359.0
        seen += outside
        assert (there is None) == outside
        if there is not None:  # what the pendant is to show is near what it shows
            assert there == pytest.approx(led[-1][None], abs=1e-6)
    assert 0 < seen < 6


def test_joints_that_were_not_typed_are_turned_as_few_and_as_many_times_as_is_likely() -> None:
    arm = kinematics(ARM)
    for last, turned in ((150.0, [-210.0, 150.0]), (30.0, [30.0])):
        start = arm.forward(np.radians([10.0, 30.0, 80.0, 20.0, 60.0, last]))
        held = arm_check(ARM, start[None], [None]).held
        same = np.abs(held[:, 3] - np.radians(20.0)) < 1e-6
        assert np.degrees(held[same, 5]) == pytest.approx(turned, abs=1e-6)


def test_the_foot_is_a_column_that_the_geometry_gives_and_a_recorded_stop_can_refute() -> None:
    size = ARM.geometry_mm
    column = foot(ARM)
    assert column is not None
    radius = size["a1"] + size["c1"] / 4.0
    assert column.max_mm == pytest.approx((radius, radius, size["c1"]))
    scara = foot(FOUR_AXIS)
    assert scara is not None
    assert scara.max_mm[0] == pytest.approx(FOUR_AXIS.geometry_mm["l1"] / 4.0)
    assert foot(None) is None
    cell = replace(cell_of(EYE_TO_HAND), keep_out=())
    far, near = (transform(np.eye(3), [x, 0.0, 200.0])[None] for x in (500.0, 120.0))
    assert around(cell, POINT, far) == (column,)
    (narrower,) = around(cell, POINT, near)
    assert narrower.max_mm[0] < 120.0 - CLEAR_MM + 1e-9
    assert narrower.max_mm[0] > 0.7 * (120.0 - CLEAR_MM)
    assert narrower.max_mm[2] == column.max_mm[2]
    assert around(cell, POINT, transform(np.eye(3), [5.0, 0.0, 200.0])[None]) == ()


def test_where_every_place_of_what_rides_was_in_the_foot_it_is_not_as_wide_as_thought() -> None:
    column = foot(ARM)
    assert column is not None
    cell = replace(cell_of(EYE_TO_HAND), keep_out=())
    stop = transform(np.eye(3), [column.max_mm[0] + 60.0, 0.0, 200.0])[None]
    shifts = ([0.0, 0.0, 0.0], [-80.0, 0.0, 0.0], [-80.0, 0.0, 50.0])  # the flange, and two places
    frame = np.array([transform(np.eye(3), shift) for shift in shifts])
    riding = Bodies(frame, np.zeros((3, 3)), np.full(3, CLEAR_MM))
    (narrower,) = around(cell, riding, stop)
    assert not riding.hit(stop, (narrower,))[:, 1:].all()
    assert around(cell, riding.take(slice(1)), stop) == (column,)
    assert len(riding.possible(stop, (column,), 0.0).apart) == 3  # else nothing rode at all
    frame[2, 0, 3] = 0.0
    assert around(cell, riding, stop) == (column,)
    assert len(riding.possible(stop, (column,), 0.0).apart) == 2
