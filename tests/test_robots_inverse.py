"""Inverse kinematics: no reachable pose refused, every solution reproduces the pose."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from robots_samples import (
    CHAIN,
    DEMO,
    MODIFIED,
    PALLETISER,
    SCARA,
    UNEVEN,
    puma_chain,
    puma_from_toolbox,
    puma_spherical,
    random_joints,
    urdf_arms,
)
from scipy.spatial.transform import Rotation

from engine.errors import StationbookError
from engine.frames import transform
from engine.robots.kinematics import kinematics

CLOSED = (DEMO, UNEVEN, SCARA, PALLETISER)
POSE_MM = 2e-6  # [mm] loss at which the search stops; closed forms do better
SAME = 1e-5  # [rad, mm] two postures are the same
FULL = 2 * np.pi


@pytest.fixture
def rng():
    return np.random.default_rng(23)


def turned_apart(found, q):
    """Return how far each posture (k, n) is from q, whole turns aside."""
    apart = np.abs(found - q)
    return np.minimum(apart % FULL, FULL - apart % FULL).max(axis=-1)


@pytest.mark.parametrize("robot", CLOSED, ids=lambda robot: robot.name)
def test_random_poses_are_solved_and_reproduced(robot, rng):
    # 10,000 of each: tests/bench/bench_robots.py. 2,000 miss a branch lost in 1 of 500 poses with
    # a chance of 2 %.
    arm = kinematics(robot)
    q = random_joints(arm, rng, 2_000)
    for posture, T in zip(q, arm.forward(q), strict=True):
        found = arm.branches(T)
        assert turned_apart(found, posture).min() < SAME
        assert np.abs(arm.forward(found) - T).max() < POSE_MM


@pytest.mark.parametrize("robot", [CHAIN, MODIFIED], ids=lambda robot: robot.name)
def test_random_poses_of_a_chain_are_solved_and_reproduced(robot, rng):
    # 10,000 of each: tests/bench/bench_robots.py.
    arm = kinematics(robot)
    for T in arm.forward(random_joints(arm, rng, 120)):
        found = arm.inverse(T)
        assert len(found) > 0
        assert arm.joints.inside(found).all()
        assert np.abs(arm.forward(found) - T).max() < POSE_MM


@pytest.mark.parametrize("described", [puma_chain, puma_spherical])
def test_puma_560_solutions_reproduce_the_pose_in_the_robotics_toolbox(described, rng):
    model = puma_from_toolbox()
    arm = kinematics(described(model))
    for pose in model.fkine(random_joints(arm, rng, 60)):
        found = arm.inverse(transform(pose[:3, :3], 1000 * pose[:3, 3]))
        assert len(found) > 0
        assert np.abs(model.fkine(found) - pose).max() < 1e-8  # [m]


def test_puma_560_branches_are_those_of_the_robotics_toolbox(rng):
    # `ikine_a` is the toolbox's own closed form, from Paul & Zhang 1986.
    model = puma_from_toolbox()
    arm = kinematics(puma_spherical(model))
    poses = model.fkine(random_joints(arm, rng, 20))
    for pose, theirs in zip(poses, model.ikine_a(poses), strict=True):
        found = arm.branches(transform(pose[:3, :3], 1000 * pose[:3, 3]), limited=False)
        assert len(found) == len(theirs)
        for solution in theirs:
            assert turned_apart(found, solution).min() < 1e-6


def test_chain_search_finds_the_branches_of_the_closed_form(rng):
    model = puma_from_toolbox()
    searched, closed = kinematics(puma_chain(model)), kinematics(puma_spherical(model))
    total = missed = 0
    for T in closed.forward(random_joints(closed, rng, 60)):
        found = searched.branches(T)
        for branch in closed.branches(T):
            total += 1
            missed += turned_apart(found, branch).min() > 1e-3
    assert missed < 0.1 * total


def test_search_always_continues_from_the_posture_given(rng):
    arm = kinematics(puma_chain(puma_from_toolbox()))
    for q in random_joints(arm, rng, 60):
        nearby = q + np.deg2rad(rng.uniform(-2, 2, 6))
        if not arm.joints.inside(nearby) or abs(np.sin(q[4])) < 0.2:
            continue
        found = arm.branches(arm.forward(q), near=nearby)
        assert turned_apart(found, q).min() < 1e-4


def test_straight_wrist_is_solved(rng):
    arm = kinematics(DEMO)
    for bend in (0.0, 1e-9, 1e-7, 1e-5, 1e-3):
        q = random_joints(arm, rng, 100) * [0.9, 0.9, 0.9, 0.9, 0.0, 0.4] + [0, 0, 0, 0, bend, 0]
        for posture, T in zip(q, arm.forward(q), strict=True):
            found = arm.branches(T)
            assert np.abs(arm.forward(found) - T).max() < POSE_MM
            assert np.abs(found[:, :3] - posture[:3]).max(axis=1).min() < SAME


def test_wrist_centre_on_the_first_axis_is_solved():
    arm = kinematics(replace(DEMO, geometry_mm={**DEMO.geometry_mm, "a1": 0, "a2": 0}))
    T = arm.forward(np.deg2rad([30, 20, -40, 10, 50, 70]))
    wrist = T[:3, 3] - 95 * T[:3, 2]
    T[:3, 3] -= [wrist[0], wrist[1], 0]
    found = arm.branches(T)
    assert len(found) > 0
    assert np.abs(arm.forward(found) - T).max() < POSE_MM


def test_last_joint_with_two_turns_is_given_at_each():
    arm = kinematics(DEMO)
    T = arm.forward(np.deg2rad([20, 10, 70, 30, 40, 100]))
    found = np.rad2deg(arm.inverse(T))
    same = found[np.abs(found[:, :5] - [20, 10, 70, 30, 40]).max(axis=1) < 1e-6]
    assert sorted(same[:, 5]) == pytest.approx([-260, 100])


def test_every_turn_within_six_wide_limits_is_listed():
    arm = kinematics(replace(UNEVEN, coupling=None, limits=((-360, 360),) * 6))
    T = arm.forward(np.deg2rad([20, 10, 70, 30, 40, 100]))
    assert len(arm.inverse(T)) == 2**6 * len(arm.branches(T))
    assert arm.joints.inside(arm.inverse(T)).all()


def test_coupled_arm_respects_its_limits_in_shown_values(rng):
    arm = kinematics(PALLETISER)
    for T in arm.forward(random_joints(arm, rng, 200)):
        found = np.rad2deg(arm.inverse(T))
        assert (found[:, 2] >= -20 - 1e-6).all()
        assert (found[:, 2] <= 120 + 1e-6).all()


@pytest.mark.parametrize("robot", [SCARA, PALLETISER], ids=lambda robot: robot.name)
def test_level_arms_take_the_flange_axis_named_up_or_down(robot, rng):
    arm = kinematics(robot)
    half_turn = transform(Rotation.from_euler("x", np.pi).as_matrix(), np.zeros(3))
    for q in random_joints(arm, rng, 20):
        T = arm.forward(q)
        assert arm.branches(T @ half_turn) == pytest.approx(arm.branches(T), abs=1e-9)


@pytest.mark.parametrize("robot", [SCARA, PALLETISER], ids=lambda robot: robot.name)
def test_level_arms_refuse_a_tilted_flange(robot, rng):
    arm = kinematics(robot)
    T = arm.forward(random_joints(arm, rng, 1)[0])
    T[:3, :3] = T[:3, :3] @ Rotation.from_euler("y", 2, degrees=True).as_matrix()
    assert len(arm.branches(T, limited=False)) == 0


@pytest.mark.parametrize("robot", [*CLOSED, MODIFIED], ids=lambda robot: robot.name)
def test_a_pose_beyond_the_stretched_arm_has_no_solution(robot):
    arm = kinematics(robot)
    T = arm.forward(np.zeros(arm.axes))
    T[:3, 3] = [4000, 0, 500]
    assert arm.branches(T, limited=False).shape == (0, arm.axes)
    assert arm.inverse(T).shape == (0, arm.axes)


@settings(max_examples=60, deadline=None)
@given(st.tuples(*(st.floats(low, high) for low, high in DEMO.limits)))
def test_any_posture_within_limits_is_among_the_solutions_of_its_pose(degrees):
    arm = kinematics(DEMO)
    q = np.deg2rad(degrees)
    T = arm.forward(q)
    found = arm.branches(T)
    assert np.abs(arm.forward(found) - T).max() < POSE_MM
    assert np.abs(found[:, :3] - q[:3]).max(axis=1).min() < 1e-3 or abs(degrees[4]) < 0.1


def test_a_matrix_that_is_no_pose_is_refused():
    with pytest.raises(StationbookError, match="not a rigid transform"):
        kinematics(DEMO).inverse(np.diag([1, 1, 2, 1]))


def test_level_arm_with_its_plane_beside_the_first_axis_is_solved(rng):
    size = {**PALLETISER.geometry_mm, "b": 35.0, "a2": -60.0}
    arm = kinematics(replace(PALLETISER, geometry_mm=size))
    q = random_joints(arm, rng, 200)
    for posture, T in zip(q, arm.forward(q), strict=True):
        found = arm.branches(T)
        assert turned_apart(found, posture).min() < SAME
        assert np.abs(arm.forward(found) - T).max() < POSE_MM


def test_chain_table_of_an_arm_is_the_same_in_every_run():
    arm, again = kinematics(CHAIN), kinematics.__wrapped__(CHAIN)
    T = arm.forward(np.array([0.2, 0.3, 150, 0.4, 0.5, 0.6]))
    assert arm is not again
    assert np.array_equal(arm.branches(T), again.branches(T))


def test_equal_robots_share_their_kinematics():
    assert kinematics(replace(DEMO)) is kinematics(DEMO)
    assert kinematics(replace(DEMO, limits=())) is not kinematics(DEMO)


def test_chain_beside_a_singularity_is_not_refused():
    # Found among random poses: a wrist almost straight, where the last millimetre is slow.
    arm = next(kinematics(r) for r, *_ in urdf_arms() if r.name == "z1")
    q = np.deg2rad([108.73881345, 44.07961945, -40.93141628, -66.61100767, -71.31476913, 56.33626])
    T = arm.forward(q)
    found = arm.branches(T)
    assert len(found) > 0
    assert np.abs(arm.forward(found) - T).max() < POSE_MM
