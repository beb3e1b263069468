"""What the uncertainty of a pick is made of, and how it covers where little tells the noise."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from simulated_sessions import BOARD, CAMERA, Case, simulated

from engine.camera.model import LensU
from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND
from engine.estimate import Result, estimated
from engine.estimate.budget import BOARD as BOARD_PART
from engine.estimate.budget import LENS, MEASURED_U_MM, coverage
from engine.estimate.pick import PickModel
from engine.estimate.problem import Problem
from engine.sessions.results import result_document


def solved(mount: str, locate: str, stations: int = 8, **changes: object) -> Result:
    case = Case(mount, stations=stations, geometry_mm=0.3, accuracy_mm=0.3)
    problem = simulated(case, np.random.default_rng([stations, 3])).problem
    board = replace(BOARD, scale_u=0.0012, bow_u_mm=0.1)
    camera = replace(CAMERA, u=LensU())
    return estimated(
        replace(problem, **({"board": board, "camera": camera, "locate": locate} | changes))
    )


@pytest.mark.parametrize("mount", [EYE_TO_HAND, EYE_IN_HAND])
@pytest.mark.parametrize("locate", ["lens", "depth"])
def test_the_squares_of_all_parts_add_up_to_u_of_a_pick(mount: str, locate: str) -> None:
    found = solved(mount, locate)
    squares = sum(part.u_mm**2 for part in found.budget.parts)
    wider = found.budget.stored().coverage_factor / 2
    assert wider * np.sqrt(squares) == pytest.approx(found.uncertainty.pick_mm, rel=1e-3)
    assert {"pixels", "board", "lens data"} <= {part.name for part in found.budget.parts}
    sizes = [part.u_mm for part in found.budget.parts]
    assert sizes == sorted(sizes, reverse=True)


def along_one_axis() -> tuple[PickModel, np.ndarray, np.ndarray, float]:
    """Return a pick, a covariance and no errors, of which all corners at once make u, and that."""
    found = solved(EYE_TO_HAND, "depth", 30)
    C, errors = np.diag([1e-12, 1e-12, 1e-12, 0.01, 0.002, *[1e-12] * 7]), np.zeros(0)
    assert found.pick is not None
    pick = found.pick
    pick = replace(pick, off=pick.off[..., :0], rigid=pick.rigid[:, :0], stays=pick.stays[:0])
    u = pick.pick_mm(C, errors)
    assert u > 1.01 * pick.work_volume_mm(C[:6, :6])
    return pick, C, errors, u


def test_u_of_a_pick_is_worked_out_no_further_than_tells_that_it_is_no_less() -> None:
    pick, C, errors, u = along_one_axis()
    assert pick.pick_mm(C, errors, 1.0001 * u) == u
    assert pick.pick_mm(C, errors, 0.9999 * u) == np.inf


def test_u_of_a_pick_does_not_hang_on_the_signs_that_rounding_gives_axes(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    (pick, C, errors, before), real = along_one_axis(), np.linalg.eigh
    signs = np.where(np.arange(24) % 2, 1.0, -1.0)
    monkeypatch.setattr(np.linalg, "eigh", lambda A: (real(A)[0], real(A)[1] * signs))
    assert pick.pick_mm(C, errors) == pytest.approx(before, rel=1e-9)


@pytest.mark.parametrize(("degrees", "t"), [(4, 2.78), (10, 2.23), (20, 2.09), (1e6, 1.96)])
def test_the_coverage_factor_is_students(degrees: float, t: float) -> None:
    """Reference: GUM (JCGM 100:2008), table G.2, 95 %."""
    assert coverage(degrees) * 1.96 / 2 == pytest.approx(t, abs=0.006)


def test_few_stations_have_few_degrees_of_freedom() -> None:
    few = estimated(simulated(Case(stations=4), np.random.default_rng(4)).problem).budget
    many = estimated(simulated(Case(stations=25), np.random.default_rng(4)).problem).budget
    assert few.degrees < 20 < many.degrees
    assert few.coverage > 2.1 > 2.03 > many.coverage


def test_the_measurement_named_shrinks_u_to_what_is_said() -> None:
    found = solved(EYE_TO_HAND, "depth", 5, camera=replace(CAMERA, u=LensU(0.0002, 0.2, 0.05)))
    assert found.budget.help_ == BOARD_PART
    measured = replace(BOARD, scale_u=MEASURED_U_MM / 200.0, bow_u_mm=0.1)
    after = solved(
        EYE_TO_HAND, "depth", 5, board=measured, camera=replace(CAMERA, u=LensU(0.0002, 0.2, 0.05))
    )
    told = found.budget.after_mm * found.budget.coverage / 2
    assert after.uncertainty.pick_mm == pytest.approx(told, rel=0.2)
    said = next(item for item in found.findings if item.code == "what-helps")
    assert "200 mm" in said.remedy
    assert f"{2 * found.uncertainty.pick_mm:.2g}" in said.remedy


def test_a_fresh_lens_calibration_is_named_where_it_helps_most() -> None:
    found = solved(EYE_TO_HAND, "depth", 8)
    assert found.budget.help_ == LENS
    assert found.budget.after_mm < 0.9 * found.uncertainty.pick_mm


def fixed_by(problem: Problem) -> Problem:
    """Return the problem with its height measured to 0.1 mm."""
    return replace(problem, board=replace(problem.board, height_u_mm=0.1))


def test_an_arm_that_cannot_tilt_is_told_to_measure_the_height_or_to_turn() -> None:
    case = Case(axes=4, stations=20, height_known=True)
    problem = simulated(case, np.random.default_rng(7)).problem
    rough = estimated(replace(problem, board=replace(problem.board, height_u_mm=1.0)))
    said = {item.code: item.remedy for item in rough.findings}
    assert "the height of point 0 to 0.1 mm" in said["what-helps"]
    assert said["weak-direction"] == said["tolerance"]
    assert "height_u_mm" in said["tolerance"]
    well = estimated(fixed_by(problem))
    told = rough.budget.after_mm * rough.budget.coverage / 2
    assert well.uncertainty.pick_mm == pytest.approx(told, rel=0.03)
    narrow = replace(problem, tolerance=replace(problem.tolerance, position_mm=0.1))
    fixed = estimated(fixed_by(narrow))
    bare = estimated(replace(fixed_by(narrow), robot=None, robot_accuracy_mm=0.05))
    for found in (fixed, bare):  # a height was measured, so the arm cannot tilt
        said = [item for item in found.findings if item.code in ("tolerance", "weak-direction")]
        assert said
        assert all("tilt" not in item.remedy for item in said)


def test_an_arm_that_sets_most_of_u_is_named_and_no_stations_are_asked_for() -> None:
    case = Case(stations=12, geometry_mm=0.3)
    said = []
    for accuracy_mm in (0.4, 10.0):
        problem = simulated(
            replace(case, accuracy_mm=accuracy_mm), np.random.default_rng(8)
        ).problem
        found = estimated(replace(problem, tolerance=replace(problem.tolerance, position_mm=0.2)))
        said.append({f.remedy for f in found.findings if f.code in ("tolerance", "weak-direction")})
    assert any("larger tilts" in remedy for remedy in said[0])
    assert len(said[1]) == 1
    assert "own accuracy" in said[1].pop()


def test_a_session_without_measured_numbers_has_no_part_of_them() -> None:
    parts = {part.name for part in solved(EYE_TO_HAND, "lens").budget.parts}
    assert "measured numbers" not in parts


def test_the_document_states_the_budget() -> None:
    document = result_document(solved(EYE_IN_HAND, "lens").stored())
    assert document["budget"]["parts"][0]["u_mm"] > 0
    assert {"degrees_of_freedom", "coverage_factor"} <= set(document["budget"])
    names = [item["name"] for item in document["board_and_lens"]]
    assert names[0] == "board scale"
    assert "u_ratio" in document["board_and_lens"][0]


def remedies(problem: Problem, position_mm: float) -> dict[str, str]:
    tight = replace(problem, tolerance=replace(problem.tolerance, position_mm=position_mm))
    return {item.code: item.remedy for item in estimated(tight).findings}


def test_u_just_above_the_tolerance_asks_for_the_stations_that_do() -> None:
    """So it is even where the robot's accuracy is the largest part of u."""
    whole = simulated(Case(stations=12, accuracy_mm=1.0), np.random.default_rng(3)).problem
    problem = replace(whole, observations=whole.observations[:8])
    found = estimated(problem)
    U = 2 * found.uncertainty.pick_mm
    said = remedies(problem, 0.97 * U)["tolerance"]
    told = re.match(r"About (\d) more stations like those so far would do: .* → ([\d.]+) mm", said)
    assert told is not None
    count, after = int(told[1]), float(told[2])
    assert after <= 0.97 * U
    more = estimated(replace(whole, observations=whole.observations[: 8 + count]))
    assert 2 * more.uncertainty.pick_mm == pytest.approx(after, rel=0.1)
    assert 2 * more.uncertainty.pick_mm <= 0.97 * U
    far = remedies(problem, 0.5 * U)["tolerance"]
    assert "own accuracy is the largest part" in far
    assert "6 more stations like those so far would not do" in far
    assert "tilts" not in said + far


def test_one_station_that_does_is_asked_for_and_larger_tilts_only_where_few_do_not() -> None:
    problem = simulated(Case(stations=6), np.random.default_rng(3)).problem
    U = 2 * estimated(problem).uncertainty.pick_mm
    assert remedies(problem, 0.97 * U)["tolerance"].startswith("About one more station like")
    assert "larger tilts" in remedies(problem, 0.4 * U)["tolerance"]


@pytest.mark.parametrize(("scale_u", "exact"), [(0.0012, False), (0.0, True)])
def test_no_tilt_and_no_station_is_asked_for_beside_an_arm_that_is_off(
    scale_u: float, exact: bool
) -> None:
    case = Case(stations=12, geometry_mm=0.8, accuracy_mm=0.05)
    problem = simulated(case, np.random.default_rng(3)).problem
    problem = replace(problem, board=replace(problem.board, scale_u=scale_u))
    said = remedies(replace(problem, camera=replace(CAMERA, u=LensU(0.001, 2.0, 0.5))), 0.1)
    assert ("check the lens data first" in said["robot-geometry"]) is exact
    assert said["tolerance"].startswith("Do first what robot-geometry names")
    assert "more stations and larger tilts do not help" in said["tolerance"]
