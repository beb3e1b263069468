"""Reach, limits, singular wrist and the comparison of typed joints with a typed pose."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from robots_samples import (
    CHAIN,
    DEMO,
    MODIFIED,
    PALLETISER,
    SCARA,
    UNEVEN,
    puma_chain,
    puma_from_toolbox,
    random_joints,
)
from scipy.spatial.transform import Rotation

from engine.findings import Level
from engine.frames import transform
from engine.robots.arms import configuration
from engine.robots.kinematics import kinematics
from engine.robots.model import ChainLink, Robot
from engine.robots.reach import reach, reach_findings

TYPICAL = np.deg2rad([20, 25, 60, 30, 50, 70])


def pose(robot, degrees):
    return kinematics(robot).forward(np.deg2rad(degrees))


def codes(found):
    return [(item.code, item.level) for item in found]


def test_an_ordinary_pose_has_no_finding():
    assert reach_findings(DEMO, kinematics(DEMO).forward(TYPICAL)) == []


@pytest.mark.parametrize("robot", [DEMO, UNEVEN, SCARA, PALLETISER, CHAIN, MODIFIED])
def test_no_posture_within_limits_is_refused(robot):
    arm = kinematics(robot)
    q = random_joints(arm, np.random.default_rng(8), 40)
    for T in arm.forward(q):
        report = reach(robot, T)
        assert report.best is not None
        assert arm.joints.inside(report.solutions).all()
        assert not any(item.level == Level.ERROR for item in reach_findings(robot, T))


def test_out_of_reach_names_how_far():
    T = kinematics(DEMO).forward(TYPICAL)
    T[:3, 3] = [2000, 0, 390]
    (found,) = reach_findings(DEMO, T)
    assert codes([found]) == [("reach", Level.ERROR)]
    assert "the nearest pose it reaches is" in found.message


def test_miss_is_the_distance_to_the_stretched_arm():
    # Straight out along X at shoulder height with the flange ahead: reach a1 + c2 + |a2, c3| + c4.
    forward_x = Rotation.from_euler("y", 90, degrees=True).as_matrix()
    stretched = 70 + 410 + np.hypot(20, 375) + 95
    report = reach(DEMO, transform(forward_x, [stretched + 300, 0, 390]))
    assert report.best is None
    assert report.miss_mm == pytest.approx(300, abs=5)  # a tilt is traded for some of it
    assert reach(DEMO, transform(forward_x, [stretched - 3, 0, 390])).miss_mm == 0


def test_a_pose_beyond_the_stretched_arm_by_rounding_is_within_reach():
    forward_x = Rotation.from_euler("y", 90, degrees=True).as_matrix()
    stretched = 70 + 410 + np.hypot(20, 375) + 95
    report = reach(DEMO, transform(forward_x, [stretched + 0.02, 0, 390]))
    assert report.best is not None


def test_broken_limit_names_joint_value_and_limit():
    robot = replace(DEMO, limits=(*DEMO.limits[:4], (-30, 30), DEMO.limits[5]))
    T = pose(robot, [20, 25, 60, 30, 31.5, 70])
    broken = reach(robot, T).broken
    assert (broken.joint, broken.unit) == ("J5", "deg")
    assert broken.limit == pytest.approx(30)
    assert broken.value == pytest.approx(31.5)
    assert broken.margin == pytest.approx(-1.5)
    (found,) = reach_findings(robot, T)
    assert codes([found]) == [("joint-limit", Level.ERROR)]
    assert found.field == "J5"
    assert "J5 would stand at 31.5 deg, outside its limit of 30 deg" in found.message


def test_the_branch_that_breaks_its_limit_least_is_named():
    robot = replace(DEMO, limits=((-10, 10), *DEMO.limits[1:]))
    T = pose(robot, [15, 25, 60, 25, 50, 70])
    arm = kinematics(robot)
    every = arm.branches(T, limited=False)
    assert len(every) > 1
    worst = np.rad2deg(arm.joints.margins(every)).min(axis=1)
    assert reach(robot, T).broken.margin == pytest.approx(worst.max())
    assert worst.max() == pytest.approx(-5)


def test_broken_lift_is_named_in_mm():
    T = kinematics(SCARA).forward([0.3, 0.5, 20.0, 0.1])
    T[2, 3] += 35
    (found,) = reach_findings(SCARA, T)
    assert "J3 would stand at 55.0 mm, outside its limit of 20 mm" in found.message


def test_broken_limit_of_a_chain_is_named():
    robot = replace(puma_chain(puma_from_toolbox()), limits=((-1, 1),) * 6)
    (found,) = reach_findings(robot, pose(robot, [0.5, 0.5, 40, 0.5, 0.5, 0.5]))
    assert found.code == "joint-limit"


def test_a_limit_passed_by_rounding_is_no_error():
    T = pose(DEMO, [160.004, 25, 60, 30, 50, 70])
    found = reach_findings(DEMO, T, near=np.deg2rad([159, 25, 60, 30, 50, 70]))
    assert [item.level for item in found if item.field == "J1"] == [Level.NOTE]


def test_near_a_limit_is_a_note_with_the_margin():
    near = np.deg2rad([150, 25, 60, 30, 50, 70])
    (found,) = reach_findings(DEMO, pose(DEMO, [158, 25, 60, 30, 50, 70]), near=near)
    assert codes([found]) == [("joint-limit", Level.NOTE)]
    assert "J1 stands at 158.0 deg, 2.0 deg from its limit of 160 deg" in found.message


def test_a_typed_joint_beyond_its_limit_is_named_though_another_posture_would_do():
    q = [158, 25, -74, 30, 50, 70]
    assert reach(DEMO, pose(DEMO, q)).best is not None
    (found,) = reach_findings(DEMO, pose(DEMO, q), near=np.deg2rad(q))
    assert "J3 would stand at -74.0 deg, outside its limit of -70 deg" in found.message


@pytest.mark.parametrize("bend", [0.0, 2.0, -3.0])
def test_straight_wrist_is_a_note(bend):
    (found,) = reach_findings(DEMO, pose(DEMO, [20, 25, 60, 30, bend, 70]), near=TYPICAL)
    assert codes([found]) == [("joint-limit", Level.NOTE)]
    assert "wrist is near its singular position (J5" in found.message


def test_best_continues_from_the_posture_given():
    low, high = kinematics(DEMO).joints.limits.T
    for q in random_joints(kinematics(DEMO), np.random.default_rng(5), 40):
        if abs(np.sin(q[4])) < 0.3 or abs(np.sin(q[2] + np.arctan2(-20, 375))) < 0.1:
            continue
        before = np.clip(q + np.deg2rad([2, -2, 1, 2, -1, 2]), low, high)
        assert reach(DEMO, kinematics(DEMO).forward(q), near=before).best == pytest.approx(q)


def test_tilted_flange_of_a_level_arm_is_explained():
    T = kinematics(PALLETISER).forward(np.deg2rad([10, 20, 70, 5]))
    T[:3, :3] = Rotation.from_euler("x", 12.5, degrees=True).as_matrix() @ T[:3, :3]
    (found,) = reach_findings(PALLETISER, T)
    assert "would be tilted by 12.5°, this arm holds it level" in found.message


@pytest.mark.parametrize("robot", [SCARA, PALLETISER], ids=lambda robot: robot.name)
def test_miss_of_a_level_arm_does_not_depend_on_how_the_flange_axis_is_named(robot):
    q = random_joints(kinematics(robot), np.random.default_rng(1), 1)[0]
    T = kinematics(robot).forward(q)
    T[:2, 3] *= 3000 / np.linalg.norm(T[:2, 3])
    other = T @ np.diag([1.0, -1, -1, 1])
    stretched = 600 if robot is SCARA else 420 + 1100 + np.hypot(50, 1200)
    for named in (T, other):
        report = reach(robot, named)
        assert report.miss_deg < 1
        assert report.miss_mm >= 3000 - stretched - 1e-6
    assert reach(robot, other).miss_mm == pytest.approx(reach(robot, T).miss_mm, abs=1e-3)


def test_small_tilt_of_a_level_arm_is_overlooked():
    T = kinematics(SCARA).forward([0.3, 0.5, -40.0, 0.1])
    T[:3, :3] = Rotation.from_euler("x", 0.05, degrees=True).as_matrix() @ T[:3, :3]
    assert reach(SCARA, T).best is not None


def rounded(T, decimals_mm, decimals_deg):
    angles = Rotation.from_matrix(T[:3, :3]).as_euler("xyz", degrees=True)
    R = Rotation.from_euler("xyz", np.round(angles, decimals_deg), degrees=True).as_matrix()
    return transform(R, np.round(T[:3, 3], decimals_mm))


def test_chain_with_five_joints_takes_a_rounded_pose_but_no_other():
    turns = CHAIN.links[:2] + CHAIN.links[3:]
    five = replace(CHAIN, links=turns, directions=(), limits=((-170, 170),) * 5)
    T = rounded(kinematics(five).forward(np.deg2rad([20, -30, 40, 50, 60])), 2, 2)
    assert reach(five, T).best is not None
    T[:3, 3] += [0, 0, 30]
    assert reach(five, T).miss_mm + reach(five, T).miss_deg > 1


def test_eight_branches_of_a_six_axis_arm_carry_eight_labels():
    arm = kinematics(replace(DEMO, limits=()))
    found = arm.branches(arm.forward(np.deg2rad([20, -30, 100, 30, 50, 70])))
    assert len(found) == 8
    assert len({configuration(arm, q) for q in found}) == 8


@pytest.mark.parametrize("robot", [SCARA, PALLETISER], ids=lambda robot: robot.name)
def test_branches_of_a_four_axis_arm_carry_different_labels(robot):
    arm = kinematics(replace(robot, limits=()))
    found = arm.branches(
        arm.forward(random_joints(kinematics(robot), np.random.default_rng(2), 1)[0])
    )
    assert len({configuration(arm, q) for q in found}) == len(found) > 1


@pytest.mark.parametrize("robot", [DEMO, UNEVEN])
def test_configuration_changes_only_through_a_singularity(robot):
    arm = kinematics(robot)
    rng = np.random.default_rng(9)
    q = random_joints(arm, rng, 300)
    ends = q + np.deg2rad(rng.uniform(-15, 15, q.shape))
    for start, end in zip(q, ends, strict=True):
        path = start + np.linspace(0, 1, 60)[:, None] * (end - start)
        signs = np.sign(np.linalg.det(arm.jacobian(path)))
        if configuration(arm, start) != configuration(arm, end):
            labels = [
                a != b
                for a, b in zip(configuration(arm, start), configuration(arm, end), strict=False)
            ]
            assert (signs != signs[0]).any() or sum(labels) > 1


def test_chain_labels_tell_the_elbows_of_the_puma_apart():
    arm = kinematics(puma_chain(puma_from_toolbox()))
    T = arm.forward([0.3, -0.5, 0.2, 0.4, 0.5, 0.6])
    found = arm.branches(T, limited=False)
    labels = {configuration(arm, q) for q in found}
    assert len(labels) == 4  # the sign of the determinant and the side of the wrist
    assert configuration(kinematics(MODIFIED), np.zeros(7)) == ()


def test_links_of_zero_limits_do_not_divide_by_zero():
    robot = Robot("one turn", "chain", convention="standard", links=(ChainLink(300, 0, 0),))
    report = reach(robot, kinematics(robot).forward([0.4]))
    assert report.best == pytest.approx([0.4])
    assert report.nearest_limit is None
