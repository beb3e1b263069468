"""Systematic robot errors: their prior, and the arm configuration in which poses are visited."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from robots_samples import PALLETISER
from simulated_sessions import ARM, FOUR_AXIS, Case, simulated

from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND, Mount
from engine.estimate import estimated
from engine.estimate.systematic import error_columns, flange_errors, postures_at, systematic
from engine.frames import displacement
from engine.robots.kinematics import kinematics
from engine.robots.model import ChainLink, Robot

CHAIN = Robot(
    name="demo arm as a chain",
    kind="chain",
    convention="standard",
    limits=ARM.limits,
    accuracy_mm=0.4,
    links=(
        ChainLink(70, -90, 390),
        ChainLink(410, 0, 0, -90),
        ChainLink(-20, 90, 0, 90),
        ChainLink(0, -90, 375),
        ChainLink(0, 90, 0),
        ChainLink(0, 0, 95),
    ),
)


LINKAGE = replace(
    PALLETISER, geometry_mm={name: 0.45 * mm for name, mm in PALLETISER.geometry_mm.items()}
)


@pytest.mark.parametrize("robot", [ARM, FOUR_AXIS, LINKAGE, CHAIN], ids=lambda robot: robot.kind)
def test_the_prior_has_the_stated_accuracy_over_the_workspace(robot: Robot) -> None:
    model = systematic(replace(robot, accuracy_mm=0.4))
    arm = model.arm
    low, high = np.radians(np.array(robot.limits)).T
    if robot is FOUR_AXIS:
        low[2], high[2] = robot.limits[2]
    rng = np.random.default_rng(1)
    q = low + (high - low) * rng.random((1000, arm.axes))
    errors = model.sd * rng.normal(size=(1000, len(model.sd)))
    own = len(arm.parameter_names)
    true = np.array([arm.forward(a, e[:own]) for a, e in zip(q, errors, strict=True)])
    field = np.einsum("nij,nj->ni", error_columns(arm, q)[:, :, own:], errors[:, own:])
    off = displacement(true, arm.forward(q)) + field
    assert np.sqrt((off[:, 3:] ** 2).sum(axis=1).mean()) == pytest.approx(0.4, rel=0.12)


@pytest.mark.parametrize("robot", [None, replace(ARM, accuracy_mm=0.0)])
def test_no_geometry_or_a_compensated_robot_has_no_systematic_unknowns(robot: Robot | None) -> None:
    model = systematic(robot)
    assert model.names == ()
    assert flange_errors(model, np.tile(np.eye(4), (3, 1, 1))).shape == (3, 6, 0)


def test_typed_joints_decide_the_configuration() -> None:
    arm = kinematics(ARM)
    q = np.radians([[10, 20, 30, 40, 50, 60], [15, 25, 20, 30, 60, 80]])
    poses = arm.forward(q)
    other = next(b for b in arm.branches(poses[0], limited=False) if np.abs(b - q[0]).max() > 1)
    for first in (q[0], other):
        found = postures_at(arm, poses, [first, None])
        np.testing.assert_allclose(found[0], first)
        assert (1 - np.cos(found[1] - first)).sum() < 0.5
        np.testing.assert_allclose(arm.forward(found), poses, atol=1e-6)


def test_a_chain_is_followed_through_its_poses_in_one_configuration() -> None:
    arm = kinematics(CHAIN)
    rng = np.random.default_rng(2)
    q = np.radians([10, 20, 70, 40, 60, 60]) + rng.uniform(-0.5, 0.5, (20, 6))
    found = postures_at(arm, arm.forward(q), [q[0], *[None] * 19])
    np.testing.assert_allclose(found, q, atol=1e-4)


def test_poses_out_of_reach_have_no_posture_but_borrow_their_neighbours_error() -> None:
    model = systematic(replace(ARM, accuracy_mm=0.4))
    poses = model.arm.forward(np.radians([[10, 20, 30, 40, 50, 60], [0, 0, 90, 0, 45, 0]]))
    far = np.concatenate([poses, poses[:1]])
    far[2, 0, 3] += 5000.0
    assert np.isnan(postures_at(model.arm, far, [None] * 3)[2]).all()
    J = flange_errors(model, far)
    assert any(np.allclose(J[2], J[k]) for k in (0, 1))


def test_a_chain_and_the_same_arm_in_closed_form_give_the_same_uncertainty() -> None:
    arm, chain = kinematics(ARM), kinematics(CHAIN)
    q = np.radians([[10, 20, 30, 40, 50, 60]])
    truth = simulated(Case(geometry_mm=0.4, accuracy_mm=0.4), np.random.default_rng(3))
    a, b = (
        estimated(replace(truth.problem, robot=replace(r, accuracy_mm=0.4))) for r in (ARM, CHAIN)
    )
    np.testing.assert_allclose(chain.forward(q), arm.forward(q), atol=1e-9)
    assert b.uncertainty.pick_mm == pytest.approx(a.uncertainty.pick_mm, rel=0.15)


@pytest.mark.parametrize("mount", [EYE_TO_HAND, EYE_IN_HAND])
@pytest.mark.parametrize("robot", [FOUR_AXIS, LINKAGE], ids=lambda robot: robot.kind)
def test_a_level_flange_named_up_or_down_gives_the_same_camera(mount: Mount, robot: Robot) -> None:
    case = Case(mount, axes=4, robot=robot, stations=8, accuracy_mm=0.4, geometry_mm=0.4)
    truth = simulated(replace(case, height_known=mount == EYE_IN_HAND), np.random.default_rng(3))
    half_turn = np.diag([1.0, -1.0, -1.0, 1.0])
    other = replace(
        truth.problem,
        observations=tuple(
            replace(seen, base_T_flange=seen.base_T_flange @ half_turn)
            for seen in truth.problem.observations
        ),
    )
    a, b = estimated(truth.problem), estimated(other)
    named = a.camera if mount == EYE_TO_HAND else half_turn @ a.camera
    np.testing.assert_allclose(b.camera, named, atol=1e-3)
    assert b.uncertainty.pick_mm == pytest.approx(a.uncertainty.pick_mm, rel=0.02)  # drawn


def test_u_holds_for_an_arm_with_errors_that_the_model_does_not_have() -> None:
    """Tilted axes, sag, uneven gears beside lengths and zeros; 40 stations, camera on the flange.

    Waves of 1 to 3 to the turn are not those of the model, which has one.
    """
    case = Case(
        mount=EYE_IN_HAND,
        stations=40,
        geometry_mm=0.35,
        beyond_mm=0.2,
        accuracy_mm=0.4,
        position_mm=0.05,
        angle_deg=0.006,
    )
    squares = []
    for seed in range(6):
        session = simulated(case, np.random.default_rng([seed, 71]))
        result = estimated(session.problem)
        xi = displacement(session.camera, result.geometric)
        covariance = result.full_covariance[:6, :6]
        squares.append(float(xi @ np.linalg.solve(covariance, xi)) / 6.0)
    assert np.mean(squares) < 2.0  # 2.8 at 60 stations with lengths and zeros alone
