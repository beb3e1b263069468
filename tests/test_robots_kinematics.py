"""Forward kinematics and derivatives against independent libraries and finite differences."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import py_opw_kinematics as opw
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from robots_samples import (
    ALL,
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
)
from scipy.spatial.transform import Rotation

from engine.errors import StationbookError
from engine.frames import displaced, displacement, transform
from engine.robots.kinematics import kinematics
from engine.robots.model import ChainLink, Robot

STEP = 1e-5  # [rad, mm] of the central differences
DIFFERENCE = 1e-6  # [rad, mm per unit] what STEP and double precision leave at arm lengths of 2 m
EXACT_MM = 1e-9
names = [robot.name for robot in ALL]


@pytest.fixture
def rng():
    return np.random.default_rng(11)


@pytest.mark.parametrize("described", [puma_chain, puma_spherical])
def test_puma_560_agrees_with_the_robotics_toolbox(described, rng):
    model = puma_from_toolbox()
    q = rng.uniform(-np.pi, np.pi, (200, 6))
    reference = model.fkine(q)
    reference[:, :3, 3] *= 1000
    assert np.abs(kinematics(described(model)).forward(q) - reference).max() < EXACT_MM


@pytest.mark.parametrize("described", [puma_chain, puma_spherical])
def test_puma_560_jacobian_agrees_with_the_robotics_toolbox(described, rng):
    model = puma_from_toolbox()
    q = rng.uniform(-np.pi, np.pi, 6)
    reference = model.jacob0(q)  # rows: velocity [m], then turn rate
    ours = kinematics(described(model)).jacobian(q)
    assert np.abs(ours[:3] - reference[3:]).max() < 1e-12
    assert np.abs(ours[3:] - 1000 * reference[:3]).max() < EXACT_MM


def test_spherical_wrist_agrees_with_the_opw_library(rng):
    # Brandstötter, Angerer, Hofbaur 2014, as py-opw-kinematics holds it: direction, offset, b.
    offsets, flips = (0.1, -0.2, 0.3, 0.4, 0.5, 0.6), (True, False, True, False, False, True)
    model = opw.KinematicModel(
        **{**UNEVEN.geometry_mm, "c1": 451.5}, offsets=offsets, flip_axes=flips
    )
    robot = replace(
        UNEVEN,
        geometry_mm={**UNEVEN.geometry_mm, "c1": 451.5},
        offsets_deg=tuple(np.rad2deg(offsets)),
        directions=tuple(-1 if flip else 1 for flip in flips),
        coupling=None,
    )
    q = rng.uniform(-np.pi, np.pi, (200, 6))
    library, arm = opw.Robot(model, degrees=False), kinematics(robot)
    poses = library.batch_forward(q)
    assert np.abs(arm.forward(q) - poses.as_matrix()).max() < EXACT_MM
    theirs = np.asarray(library.reach(poses).joints)
    for T, expected in zip(poses.as_matrix(), theirs, strict=True):
        ours = arm.branches(T, limited=False)
        for way in expected[~np.isnan(expected).any(axis=1)]:
            apart = np.abs((ours - way + np.pi) % (2 * np.pi) - np.pi).max(axis=1)
            assert apart.min() < 1e-6


def test_demo_arm_stands_where_its_lengths_put_it():
    # By hand: straight up at zero; then J2 and J3 at 90°: forearm down, flange down.
    arm = kinematics(DEMO)
    up = arm.forward(np.zeros(6))
    assert up == pytest.approx(transform(np.eye(3), [70 - 20, 0, 390 + 410 + 375 + 95]))
    bent = arm.forward([0, np.pi / 2, np.pi / 2, 0, 0, 0])
    assert bent[:3, 3] == pytest.approx([70 + 410 + 20, 0, 390 - 375 - 95])
    assert bent[:3, 2] == pytest.approx([0, 0, -1])


def test_scara_agrees_with_the_chain_of_the_same_arm(rng):
    size = SCARA.geometry_mm
    links = (
        ChainLink(size["l1"], 0, size["z0"]),
        ChainLink(size["l2"], 0, 0),
        ChainLink(0, 0, 0, 0, "lift"),
        ChainLink(0, 0, 0),
    )
    chain = replace(SCARA, kind="chain", geometry_mm={}, convention="standard", links=links)
    q = random_joints(kinematics(SCARA), rng, 100)
    difference = kinematics(SCARA).forward(q) - kinematics(chain).forward(q)
    assert np.abs(difference).max() < EXACT_MM


def test_level_flange_agrees_with_the_chain_whose_wrist_is_turned_back_by_hand(rng):
    size = PALLETISER.geometry_mm
    links = (
        ChainLink(size["a1"], -90, size["c1"]),
        ChainLink(size["c2"], 0, size["b"], -90),
        ChainLink(float(np.hypot(size["a2"], size["c3"])), 0, 0, 0),
        ChainLink(0, 90, 0, 0),
        ChainLink(0, 180, 0, 0),
    )
    bend = np.rad2deg(np.arctan2(size["a2"], size["c3"]))  # elbow to wrist against the forearm
    flat = Robot("five turns", "chain", convention="standard", links=links)
    q = random_joints(kinematics(PALLETISER), rng, 100)
    t1, t2, t3, t4 = kinematics(PALLETISER).joints.to_model(q).T
    five = np.stack([t1, t2, t3 + np.deg2rad(bend), np.pi / 2 - t2 - t3 - np.deg2rad(bend), t4])
    reference = kinematics(flat).forward(five.T) @ transform(np.eye(3), [0, 0, size["c4"]])
    assert np.abs(kinematics(PALLETISER).forward(q) - reference).max() < EXACT_MM


def test_level_flange_points_down_in_every_posture(rng):
    arm = kinematics(PALLETISER)
    T = arm.forward(random_joints(arm, rng, 100))
    assert np.abs(T[:, :3, 2] - [0, 0, -1]).max() < 1e-12


def test_coupled_j3_keeps_the_forearm_attitude_when_only_j2_moves():
    for directions in ((1, 1, 1, 1, 1, 1), (1, 1, -1, 1, 1, 1), (1, -1, 1, 1, 1, 1)):
        arm = kinematics(replace(DEMO, coupling={"J3": "J2"}, directions=directions))
        before, after = arm.forward(
            [[0.3, 0.1, 0.4, 0.2, 0.5, 0.6], [0.3, 0.7, 0.4, 0.2, 0.5, 0.6]]
        )
        assert after[:3, :3] == pytest.approx(before[:3, :3])
        assert np.linalg.norm(after[:3, 3] - before[:3, 3]) == pytest.approx(2 * 410 * np.sin(0.3))


def test_uncoupled_j3_turns_the_forearm_with_j2():
    before, after = kinematics(DEMO).forward([[0, 0.1, 0.4, 0, 0, 0], [0, 0.7, 0.4, 0, 0, 0]])
    turned = Rotation.from_matrix(after[:3, :3] @ before[:3, :3].T).as_rotvec()
    assert turned == pytest.approx([0, 0.6, 0])


@pytest.mark.parametrize("robot", ALL, ids=names)
def test_model_and_shown_values_are_each_others_inverse(robot, rng):
    joints = kinematics(robot).joints
    q = random_joints(kinematics(robot), rng, 20)
    assert joints.to_shown(joints.to_model(q)) == pytest.approx(q)


@pytest.mark.parametrize("robot", ALL, ids=names)
def test_jacobian_agrees_with_finite_differences(robot, rng):
    arm = kinematics(robot)
    q = random_joints(arm, rng, 20)
    J = arm.jacobian(q)
    assert J.shape == (20, 6, arm.axes)
    for k, step in enumerate(STEP * np.eye(arm.axes)):
        slope = displacement(arm.forward(q + step), arm.forward(q - step)) / (2 * STEP)
        assert np.abs(slope - J[..., k]).max() < DIFFERENCE


@pytest.mark.parametrize("robot", ALL, ids=names)
def test_parameter_jacobian_agrees_with_finite_differences(robot, rng):
    arm = kinematics(robot)
    q = random_joints(arm, rng, 20)
    P = arm.parameter_jacobian(q)
    assert P.shape == (20, 6, len(arm.parameter_names))
    assert len(arm.parameter_units) == P.shape[-1]
    for k, step in enumerate(STEP * np.eye(P.shape[-1])):
        slope = displacement(arm.forward(q, step), arm.forward(q, -step)) / (2 * STEP)
        assert np.abs(slope - P[..., k]).max() < DIFFERENCE


def test_length_error_equals_the_arm_of_that_length(rng):
    arm = kinematics(UNEVEN)
    q = random_joints(arm, rng, 10)
    for key in ("a1", "a2", "b", "c1", "c2", "c3", "c4"):
        errors = np.array([0.7 if name == key else 0.0 for name in arm.parameter_names])
        longer = replace(
            UNEVEN, geometry_mm={**UNEVEN.geometry_mm, key: UNEVEN.geometry_mm[key] + 0.7}
        )
        assert np.abs(arm.forward(q, errors) - kinematics(longer).forward(q)).max() < EXACT_MM


def test_zero_error_equals_the_arm_with_that_offset(rng):
    arm = kinematics(UNEVEN)
    q = random_joints(arm, rng, 10)
    for k in range(6):
        errors = np.array([0.01 if n == f"zero J{k + 1}" else 0.0 for n in arm.parameter_names])
        offsets = np.array(UNEVEN.offsets_deg, float)
        offsets[k] -= np.rad2deg(0.01)
        moved = kinematics(replace(UNEVEN, offsets_deg=tuple(offsets)))
        assert np.abs(arm.forward(q, errors) - moved.forward(q)).max() < EXACT_MM


@pytest.mark.parametrize("robot", ALL, ids=names)
def test_one_pose_and_a_stack_of_any_shape_give_the_same(robot, rng):
    arm = kinematics(robot)
    q = random_joints(arm, rng, 6)
    stacked = q.reshape(2, 3, arm.axes)
    assert arm.forward(stacked).shape == (2, 3, 4, 4)
    for function in (arm.forward, arm.jacobian, arm.parameter_jacobian):
        assert function(stacked)[1, 2] == pytest.approx(function(q[5]), abs=1e-12)


@settings(max_examples=30, deadline=None)
@given(
    q=st.lists(st.floats(-6, 6), min_size=6, max_size=6),
    r=st.lists(st.floats(-6, 6), min_size=6, max_size=6),
)
def test_small_steps_follow_the_jacobian_for_any_posture(q, r):
    arm = kinematics(UNEVEN)
    step = 1e-6 * np.array(r)
    predicted = displaced(arm.forward(q), arm.jacobian(q) @ step)
    assert np.abs(arm.forward(q + step) - predicted).max() < 1e-6  # [mm], second order in the step


def test_errors_of_no_effect_are_left_out():
    for robot in (SCARA, PALLETISER):
        arm = kinematics(robot)
        q = random_joints(arm, np.random.default_rng(3), 40)
        P = arm.parameter_jacobian(q).reshape(-1, len(arm.parameter_names))
        assert np.linalg.matrix_rank(P, tol=1e-6) == P.shape[1]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"geometry_mm": {"a1": 1}}, "a2, b, c1, c2, c3, c4 missing"),
        ({"geometry_mm": {**DEMO.geometry_mm, "c5": 1}}, "c5 not known"),
        ({"geometry_mm": {**DEMO.geometry_mm, "c4": float("nan")}}, "not a finite number"),
        ({"kind": "delta"}, "'delta' is not known"),
        ({"directions": (1, 1, 1, 1, 1, 2)}, "A direction is 1 or -1"),
        ({"offsets_deg": (0, 0)}, "2 entries"),
        ({"limits": ((10, -10),) * 6}, "lower limit first"),
        ({"limits": ((-10, 10),) * 4}, "4 entries"),
        ({"coupling": {"J3": "J9"}}, "does not name two joints"),
        ({"coupling": {"J3": "J2", "J4": "J3"}}, "is carried itself"),
    ],
)
def test_a_description_of_no_arm_is_refused_with_its_key(change, words):
    with pytest.raises(StationbookError, match=words):
        kinematics(replace(DEMO, **change))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"links": ()}, "links: empty"),
        ({"convention": None}, "Use standard or modified"),
        ({"links": (ChainLink(0, 0, float("inf")),), "limits": (), "directions": ()}, "link 1"),
        ({"last_T_flange_mm_deg": (1, 2, 3)}, "3 numbers"),
    ],
)
def test_a_chain_that_is_none_is_refused_with_its_key(change, words):
    with pytest.raises(StationbookError, match=words):
        kinematics(replace(CHAIN, **change))


def test_wrong_number_of_joint_values_is_refused():
    with pytest.raises(StationbookError, match="expected 7 joint values"):
        kinematics(MODIFIED).forward(np.zeros(6))
