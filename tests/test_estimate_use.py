"""What others build on a result: prediction, information of further stations, the verdict."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from simulated_sessions import Case, simulated

from engine.cell.cell import Cell
from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND, Mount
from engine.cell.rule import Tolerance
from engine.errors import SolveError
from engine.estimate import estimated
from engine.estimate.information import (
    known_beforehand,
    known_whole,
    predict_flange,
    station_information,
    uncertainty_after,
    whole_information,
)
from engine.estimate.pick import RAD_PER_MM
from engine.estimate.problem import problem_from
from engine.estimate.result import judged
from engine.estimate.systematic import UNEXPLAINED
from engine.findings import finding
from engine.frames import apply, displacement

MOUNTS = [EYE_TO_HAND, EYE_IN_HAND]


@pytest.mark.parametrize("mount", MOUNTS)
@pytest.mark.parametrize("geometry", [0.0, 0.4])
def test_a_predicted_flange_lies_within_its_covariance(mount: str, geometry: float) -> None:
    sizes = []
    for seed in range(12):
        case = Case(mount, stations=9, geometry_mm=geometry, accuracy_mm=geometry)
        truth = simulated(case, np.random.default_rng([seed, 21]))
        *first, last = truth.problem.observations
        found = estimated(replace(truth.problem, observations=tuple(first)))
        flange, covariance = predict_flange(found, truth.problem, last)
        off = displacement(last.base_T_flange, flange)
        sizes.append(off @ np.linalg.solve(covariance, off) / 6)
    assert 0.5 < np.mean(sizes) < 1.7  # 72 squared normal deviates: 1 ± 0.17


def test_nothing_is_predicted_without_a_result_or_a_board() -> None:
    problem = simulated(Case(), np.random.default_rng(22)).problem
    few = estimated(replace(problem, observations=problem.observations[:2]))
    with pytest.raises(SolveError, match="no result"):
        predict_flange(few, problem, problem.observations[2])
    empty = replace(problem.observations[2], pixels=None, point_ids=None)
    with pytest.raises(SolveError, match="no pose of the board"):
        predict_flange(estimated(problem), problem, empty)


@pytest.mark.parametrize("mount", MOUNTS)
@pytest.mark.parametrize("geometry", [0.0, 0.4])
def test_information_of_the_stations_adds_up_to_the_covariance(mount: str, geometry: float) -> None:
    case = Case(mount, stations=12, geometry_mm=geometry, accuracy_mm=geometry)
    problem = simulated(case, np.random.default_rng(23)).problem
    found = estimated(problem)
    typed = np.array([s.base_T_flange for s in problem.observations])
    total = station_information(problem, found, typed).sum(axis=0)
    known = np.linalg.inv(found.full_covariance)[:12, :12]
    expected, got = (np.sqrt(np.diag(np.linalg.inv(M))) for M in (known, total))
    np.testing.assert_allclose(got, expected, rtol=0.03)


@pytest.mark.parametrize("mount", MOUNTS)
@pytest.mark.parametrize("geometry", [0.0, 0.4])
def test_whole_information_and_what_was_known_beforehand_add_up_too(
    mount: str, geometry: float
) -> None:
    case = Case(mount, stations=12, geometry_mm=geometry, accuracy_mm=geometry)
    problem = simulated(case, np.random.default_rng(23)).problem
    found = estimated(problem)
    typed = np.array([s.base_T_flange for s in problem.observations])
    total = whole_information(problem, found, typed).sum(axis=0) + known_beforehand(problem, found)
    expected, got = (np.sqrt(np.diag(np.linalg.inv(M))) for M in (known_whole(found), total))
    np.testing.assert_allclose(got, expected, rtol=0.03)
    if geometry:
        assert got.shape == (12 + len(found.systematic.sd),) != (12,)


def test_further_stations_lower_the_uncertainty_down_to_the_robots_floor() -> None:
    case = Case(stations=8, geometry_mm=0.4, accuracy_mm=0.4)
    problem = simulated(case, np.random.default_rng(24)).problem
    found = estimated(problem)
    typed = np.array([s.base_T_flange for s in problem.observations])
    known, more = known_whole(found), whole_information(problem, found, typed).sum(axis=0)
    u = [uncertainty_after(known + k * more, found) for k in (0, 1, 1e6)]
    volume, pick = zip(*u, strict=True)
    assert volume[0] == pytest.approx(found.uncertainty.work_volume_mm)
    assert pick[0] == pytest.approx(found.uncertainty.pick_mm)
    assert volume[0] > volume[1] > volume[2] > 0.0
    assert pick[0] > pick[1] > pick[2] > 0.02


def test_information_of_thousands_of_candidates_is_one_call() -> None:
    problem = simulated(Case(), np.random.default_rng(25)).problem
    found = estimated(problem)
    candidates = np.tile(problem.observations[0].base_T_flange, (1500, 1, 1))
    information = station_information(problem, found, candidates)
    assert information.shape == (1500, 12, 12)
    np.testing.assert_allclose(information[0], information[-1])


def test_u_beyond_the_tolerance_is_an_error_and_not_accepted() -> None:
    problem = simulated(Case(), np.random.default_rng(26)).problem
    found = estimated(replace(problem, tolerance=Tolerance(0.05, 0.2)))
    tight = [item for item in found.findings if item.code == "tolerance"]
    assert found.verdict == "not-accepted"
    assert [item.level for item in tight] == ["error"]
    assert "0.05 mm" in tight[0].message
    turned = estimated(replace(problem, tolerance=Tolerance(1.0, 0.001)))
    assert "0.001 °" in next(f.message for f in turned.findings if f.code == "tolerance")
    assert estimated(problem).verdict == "accepted"


def test_a_finding_from_elsewhere_changes_the_verdict() -> None:
    found = estimated(simulated(Case(), np.random.default_rng(27)).problem)
    worse = judged(
        found, (*found.findings, finding("outlier", station=3, distance_mm=5, angle_deg=1))
    )
    assert (found.verdict, worse.verdict) == ("accepted", "not-accepted")
    assert worse.findings[0].code == "outlier"


def cell_of(problem) -> Cell:
    return Cell(
        name="bottling line 2, infeed",
        mount=problem.mount,
        robot=problem.robot,
        pendant=problem.pendant,
        camera=problem.camera,
        board=problem.board,
        work_volume=problem.work_volume,
        tolerance=problem.tolerance,
    )


def test_a_problem_is_made_from_a_cell_and_checked() -> None:
    problem = simulated(Case(), np.random.default_rng(28)).problem
    cell, seen = cell_of(problem), list(problem.observations)
    assert problem_from(cell, seen).observations == problem.observations
    for change, message in (
        ({"point_ids": seen[0].point_ids + 1}, "point id 88 does not exist"),
        ({"pixels": seen[0].pixels[:-1]}, "pixels do not match"),
        ({"base_T_flange": np.diag([1.0, 2.0, 1.0, 1.0])}, "not a rigid transform"),
    ):
        with pytest.raises(Exception, match=message):
            problem_from(cell, [replace(seen[0], **change)])


def test_the_approach_decides_where_picks_are_judged() -> None:
    case = Case(geometry_mm=0.5, accuracy_mm=0.5)
    problem = simulated(case, np.random.default_rng(29)).problem
    tilted = replace(problem.work_volume, approach=("0", "120", "0"))
    a, b = estimated(problem), estimated(replace(problem, work_volume=tilted))
    np.testing.assert_allclose(a.geometric, b.geometric)
    assert np.abs(displacement(a.camera, b.camera)).max() > 1e-3


@pytest.mark.parametrize("mount", [EYE_TO_HAND, EYE_IN_HAND])
def test_what_no_model_explains_counts_where_the_camera_looks_and_where_the_arm_picks(
    mount: Mount, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With a camera on the flange it counted once: 13 of 16 picks lay within U, 14 with it."""
    monkeypatch.setattr("engine.estimate.assemble.ripple", lambda found: 0.0)
    case = Case(mount, stations=5, accuracy_mm=0.4)
    problem = simulated(case, np.random.default_rng(8)).problem
    result, size, rng = estimated(problem), UNEXPLAINED * 0.4, np.random.default_rng(9)
    turns, looked, picked = rng.normal(0.0, size / np.sqrt(3.0), (3, 20000, 3))
    part = apply(result.geometric, np.asarray(problem.work_volume.center_mm)[None])[0]
    off = picked
    if mount == EYE_IN_HAND:
        off = picked + looked + np.cross(RAD_PER_MM * turns, part)
    assert result.pick is not None
    assert result.pick.floor_mm == pytest.approx(np.sqrt((off**2).sum(axis=1).mean()), rel=0.02)
