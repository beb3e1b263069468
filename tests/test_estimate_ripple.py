"""Gears that ripple finer than the field: told from a stop's own scatter, and counted in a pick."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from simulated_sessions import Case, Simulated, simulated

from engine.arrays import Array
from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND, Mount
from engine.estimate.assemble import assembled
from engine.estimate.pick import pick_model
from engine.estimate.ripple import OF_THE_ARM, ripple, turning
from engine.estimate.solver import Solution, fitted
from engine.estimate.systematic import postures_at, systematic

FINE = Case(EYE_IN_HAND, stations=30, angle_deg=0.007, position_mm=0.05, accuracy_mm=0.4)


def solution(case: Case, seed: int = 3) -> tuple[Simulated, Solution]:
    session = simulated(case, np.random.default_rng(seed))
    found = fitted(session.problem)
    assert found is not None
    return session, found


def typed_of(session: Simulated) -> Array:
    return np.array([seen.base_T_flange for seen in session.problem.observations])


def test_the_size_of_ripple_is_found_and_is_counted_where_the_arm_picks() -> None:
    """Rotations of a camera on the flange lay within U in 62 % of such sessions before that."""
    session, found = solution(replace(FINE, stations=60, ripple_mm=0.2))
    typed = typed_of(session)
    q = postures_at(session.arm, typed, [None] * len(typed))
    J = session.arm.forward_and_jacobian(q)[1]
    true = session.beyond.at(session.arm, q)
    size = np.sqrt((true[:, 3:] ** 2).sum() / (J[:, 3:] ** 2).sum())
    assert ripple(found) == pytest.approx(size, rel=0.3)
    result = assembled(found)
    assert result.pick is not None
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("engine.estimate.assemble.ripple", lambda found: 0.0)
        without = assembled(found)
    assert without.pick is not None
    assert result.pick.floor_mm > 2.0 * without.pick.floor_mm
    assert np.trace(result.covariance[:3, :3]) > 2.0 * np.trace(without.covariance[:3, :3])


@pytest.mark.parametrize("case", [FINE, replace(FINE, angle_deg=0.02, position_mm=0.15)])
def test_what_a_stop_scatters_by_itself_is_no_ripple(case: Case) -> None:
    _, found = solution(replace(case, geometry_mm=0.35))
    joints = found.stations.systematic[:, 3:, found.systematic.of_joints]
    said = ripple(found) * np.sqrt((joints**2).sum(axis=(1, 2)).mean())
    assert said < 0.25 * 0.4  # mm of what the arm is told to be off
    assert said < 0.6 * np.sqrt(3.0) * found.fit.noise.position


@pytest.mark.parametrize("mount", [EYE_IN_HAND, EYE_TO_HAND])
def test_a_pick_is_off_by_the_joints_where_it_looks_and_where_it_picks(mount: Mount) -> None:
    session, found = solution(replace(FINE, mount=mount, stations=5))
    typed, model = typed_of(session), systematic(session.problem.robot)
    camera, size = found.fit.state.camera, 1e-3
    models = [pick_model(session.problem, model, camera, typed, ripple=of) for of in (0.0, size)]
    added = models[1].unseen - models[0].unseen
    assert np.linalg.eigvalsh(added).min() > -1e-12
    turn = size * np.sqrt(6.0)  # each joint by so much about its axis
    told = float(np.sqrt(np.trace(added[:3, :3])))
    if mount == EYE_IN_HAND:  # the camera looked askew, all parts alike
        assert turn < told < 1.5 * turn
    else:
        assert told < turn


def test_an_arm_that_is_told_to_be_exact_does_not_ripple() -> None:
    _, found = solution(replace(FINE, accuracy_mm=0.0, stations=5))
    assert ripple(found) == 0.0


def test_an_arm_that_is_not_described_errs_where_the_camera_on_it_looks_as_its_stops_turn() -> None:
    """Off by 15 % more than told, 92 % of sessions of 60 stations were inside U, now 95 %."""
    case = replace(FINE, stations=15, angle_deg=0.05)
    session = simulated(case, np.random.default_rng(3))
    found = fitted(replace(session.problem, robot=None, robot_accuracy_mm=0.4))
    assert found is not None
    usual = found.prior.median[1]
    beyond = found.fit.noise.rotation**2 - usual**2
    assert beyond > usual**2
    result, part = assembled(found), np.linalg.norm(session.camera[:3, 3] + [0.0, 0.0, 650.0])
    assert turning(found) == pytest.approx(np.sqrt(3.0 * OF_THE_ARM * beyond))
    assert result.pick is not None
    seen = np.sqrt(0.4**2 + 2.0 * OF_THE_ARM * beyond * part**2)  # two of three turns move it
    assert result.pick.floor_mm == pytest.approx(seen, rel=0.05)


def test_a_fixed_camera_looks_with_no_arm() -> None:
    case = replace(FINE, mount=EYE_TO_HAND, stations=8, angle_deg=0.05)
    problem = simulated(case, np.random.default_rng(3)).problem
    found = fitted(replace(problem, robot=None, robot_accuracy_mm=0.4))
    assert found is not None
    pick = assembled(found).pick
    assert pick is not None
    assert pick.floor_mm == pytest.approx(0.4)
