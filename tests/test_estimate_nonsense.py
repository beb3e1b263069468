"""What makes no sense is a finding: never an exception, and never accepted."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
import pytest
from simulated_sessions import Case, Simulated, simulated

from engine.arrays import Array
from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND
from engine.cell.stations import Observation
from engine.diagnosis.causes import declared_weight, weight_of
from engine.diagnosis.diagnose import diagnosed
from engine.estimate import Problem, Result, estimated
from engine.estimate.assemble import assembled
from engine.estimate.problem import predicted_view
from engine.estimate.solver import Solution, fitted
from engine.frames import (
    displaced,
    displacement,
    inverse,
    quaternion_xyzw,
    rotation_exp,
    rotation_log,
    rotation_of,
    transform,
)

MOUNTS = [EYE_TO_HAND, EYE_IN_HAND]
# The board about its own point 0, turned until half of it lies behind the lens.
STRADDLING = transform(rotation_exp([0.0, 1.5, 0.0]), [-100.0, -50.0, 50.0])
Solve = Callable[[Problem], Result]


@pytest.fixture(autouse=True)
def _no_warning_of_a_library() -> Iterator[None]:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        yield


def world(mount: str, seed: int = 3, stations: int = 8) -> Simulated:
    return simulated(Case(mount, stations=stations), np.random.default_rng(seed))


def reported(truth: Simulated, mm: float = 0.3, deg: float = 0.05, seed: int = 4) -> Problem:
    """Return the session as another system would report it: poses with noise of its own."""
    seen, rng = truth.problem.observations, np.random.default_rng(seed)
    flange = np.array([item.base_T_flange for item in seen])
    views = predicted_view(truth.problem.mount, truth.camera, flange, truth.board)
    sd = np.repeat([np.radians(deg), mm], 3)
    views = displaced(views, rng.normal(size=(len(seen), 6)) * sd)
    observations = tuple(
        Observation(item.id, item.base_T_flange, camera_T_board=view)
        for item, view in zip(seen, views, strict=True)
    )
    return replace(truth.problem, observations=observations)


def metres(T: Array, in_mm: float = 1000.0) -> Array:
    return transform(T[:3, :3], T[:3, 3] / in_mm)


def changed(problem: Problem, change: Callable[[Observation], Observation]) -> Problem:
    return replace(problem, observations=tuple(change(item) for item in problem.observations))


def codes(result: Result) -> set[str]:
    return {item.code for item in result.findings if item.level == "error"}


@pytest.mark.parametrize("solve", [estimated, diagnosed])
@pytest.mark.parametrize("mount", MOUNTS)
def test_a_board_across_the_camera_plane_is_left_out_and_told(mount: str, solve: Solve) -> None:
    truth = world(mount)
    seen = list(truth.problem.observations)
    seen[3] = Observation(4, seen[3].base_T_flange, camera_T_board=STRADDLING)
    result = solve(replace(truth.problem, observations=tuple(seen)))
    assert result.verdict == "not-accepted"
    assert [item.stations for item in result.findings if item.code == "view-behind"] == [(4,)]
    assert not result.stations[3].used
    off = displacement(result.camera, truth.camera)
    assert np.linalg.norm(off[3:]) < 3.0  # the seven others still tell where the camera is


@pytest.mark.parametrize("solve", [estimated, diagnosed])
@pytest.mark.parametrize("mount", MOUNTS)
def test_reported_poses_in_metres_are_told(mount: str, solve: Solve) -> None:
    problem = reported(world(mount))
    views = changed(problem, lambda item: replace(item, camera_T_board=metres(item.camera_T_board)))
    both = changed(views, lambda item: replace(item, base_T_flange=metres(item.base_T_flange)))
    for wrong in (views, both):
        result = solve(wrong)
        assert result.verdict == "not-accepted"
        assert "view-behind" in codes(result)
        assert "too-few" not in codes(result)  # its consequence
        assert "metres" in result.findings[0].message
    inches = changed(
        problem, lambda item: replace(item, camera_T_board=metres(item.camera_T_board, 25.4))
    )
    said = " ".join(item.message for item in estimated(inches).findings)
    assert "before the camera" in said
    assert "metres" not in said  # 26 m away no board of this pitch is found


@pytest.mark.parametrize("stations", [3, 8])
@pytest.mark.parametrize("mount", MOUNTS)
@pytest.mark.parametrize(("in_mm", "name"), [(25.4, "inches"), (10.0, "centimetres")])
def test_the_unit_of_reported_poses_is_named(
    mount: str, in_mm: float, name: str, stations: int
) -> None:
    problem = reported(world(mount, stations=stations))
    result = diagnosed(
        changed(
            problem,
            lambda item: replace(item, camera_T_board=metres(item.camera_T_board, in_mm)),
        )
    )
    assert result.verdict == "not-accepted"
    assert result.findings[0].code == "unit"
    assert name in result.findings[0].message
    assert not {"view-behind", "board-pitch"} & codes(result)


@pytest.mark.parametrize("stations", [4, 8])
@pytest.mark.parametrize("mount", MOUNTS)
def test_reported_quaternions_in_another_order_are_named(mount: str, stations: int) -> None:
    def reread(item: Observation) -> Observation:
        T = item.camera_T_board
        w_last = np.roll(quaternion_xyzw(T[:3, :3]), 1)  # written w x y z, read x y z w
        return replace(item, camera_T_board=transform(rotation_of(w_last), T[:3, 3]))

    result = diagnosed(changed(reported(world(mount, stations=stations)), reread))
    assert result.verdict == "not-accepted"
    assert result.findings[0].code == "rotation-convention"
    assert "w x y z" in result.findings[0].message


def towards_the_camera(item: Observation) -> Observation:
    """Return the station with the board's z the other way."""
    return replace(item, camera_T_board=item.camera_T_board @ np.diag([1.0, -1.0, -1.0, 1.0]))


def transposed(T: Array) -> Array:
    return transform(T[:3, :3].T, T[:3, 3])


def scaled_turn(T: Array, factor: float) -> Array:
    return transform(rotation_exp(factor * rotation_log(T[:3, :3])), T[:3, 3])


def in_degrees(T: Array) -> Array:
    return scaled_turn(T, 180.0 / np.pi)


def in_radians(T: Array) -> Array:
    return scaled_turn(T, np.pi / 180.0)


@pytest.mark.parametrize(
    ("wrong", "code", "said"),
    [
        (transposed, "rotation-convention", "rotations are the other way round"),
        (inverse, "inverse-pose", "give the camera in the board"),
        (in_degrees, "unit", "read as degrees"),
        (in_radians, "unit", "read as radians"),
    ],
)
@pytest.mark.parametrize("stations", [4, 8, 70])
@pytest.mark.parametrize("mount", MOUNTS)
def test_what_reported_poses_mean_otherwise_is_named(
    mount: str, stations: int, wrong: Callable[[Array], Array], code: str, said: str
) -> None:
    result = diagnosed(
        changed(
            reported(world(mount, stations=stations)),
            lambda item: replace(item, camera_T_board=wrong(item.camera_T_board)),
        )
    )
    assert result.verdict == "not-accepted"
    assert result.findings[0].code == code
    assert said in result.findings[0].message
    assert not {"outlier", "view-behind", "too-few", "noise-beyond"} & codes(result)


@pytest.mark.parametrize("stations", [8, 12])
def test_a_slip_beside_another_meaning_of_reported_poses_is_named_too(stations: int) -> None:
    def wrong(item: Observation) -> Observation:
        flange = item.base_T_flange.copy()
        flange[0, 3] += 20.0 * (item.id == 3)
        return replace(item, base_T_flange=flange, camera_T_board=transposed(item.camera_T_board))

    result = diagnosed(changed(reported(world(EYE_TO_HAND, stations=stations)), wrong))
    found = [(item.code, item.station, item.field) for item in result.findings[:2]]
    assert found == [("rotation-convention", None, None), ("typed-value", 3, "X")]


@pytest.mark.parametrize("mount", MOUNTS)
def test_inverse_typed_poses_are_told_from_inverse_reported_ones_where_they_can(mount: str) -> None:
    problem = replace(reported(world(mount)), robot=None)
    typed = changed(problem, lambda item: replace(item, base_T_flange=inverse(item.base_T_flange)))
    assert diagnosed(typed).findings[0].message.startswith("The typed poses fit when inverted")
    other = changed(typed, towards_the_camera)
    assert "one of both" in diagnosed(other).findings[0].message


def test_an_arm_that_cannot_hold_inverse_poses_tells_that_the_typed_ones_are() -> None:
    typed = changed(
        reported(world(EYE_TO_HAND)),
        lambda item: replace(item, base_T_flange=inverse(item.base_T_flange)),
    )
    result = diagnosed(changed(typed, towards_the_camera))
    assert result.findings[0].message.startswith("The typed poses fit when inverted")


@pytest.mark.parametrize("mount", MOUNTS)
def test_typed_poses_in_metres_of_a_reporting_system_are_a_unit(mount: str) -> None:
    problem = reported(world(mount))
    result = diagnosed(
        changed(problem, lambda item: replace(item, base_T_flange=metres(item.base_T_flange)))
    )
    assert result.verdict == "not-accepted"
    assert result.findings[0].code == "unit"


@pytest.mark.parametrize("solve", [estimated, diagnosed])
def test_poses_that_have_nothing_to_do_with_the_images_are_told(solve: Solve) -> None:
    rng = np.random.default_rng(8)
    wild = changed(
        world(EYE_TO_HAND, stations=6).problem,
        lambda item: replace(
            item, base_T_flange=displaced(np.eye(4), rng.normal(size=6) * [1, 1, 1, 500, 500, 500])
        ),
    )
    result = solve(wild)
    assert result.verdict == "not-accepted"
    assert codes(result) & {"noise-beyond", "outlier", "no-fit"}


@pytest.mark.parametrize("solve", [estimated, diagnosed])
@pytest.mark.parametrize("seed", range(3))
def test_pixels_without_any_sense_are_told(solve: Solve, seed: int) -> None:
    rng = np.random.default_rng(seed)
    noise = changed(
        world(EYE_IN_HAND, stations=6).problem,
        lambda item: replace(item, pixels=rng.uniform(0.0, 1000.0, item.pixels.shape)),
    )
    result = solve(noise)
    assert result.verdict == "not-accepted"
    assert codes(result)


def test_the_same_station_again_and_again_is_told() -> None:
    first = world(EYE_TO_HAND).problem.observations[0]
    same = tuple(replace(first, id=k) for k in range(1, 7))
    result = diagnosed(replace(world(EYE_TO_HAND).problem, observations=same))
    assert result.verdict == "not-accepted"
    assert "unobservable" in codes(result)


@pytest.mark.parametrize(
    ("mount", "mm", "deg"), [(EYE_TO_HAND, 0.1, 0.01), (EYE_IN_HAND, 2.0, 0.3)]
)
def test_reported_poses_have_a_noise_of_their_own(mount: str, mm: float, deg: float) -> None:
    inside = []
    for seed in range(10):
        truth = world(mount, seed, stations=12)
        result = diagnosed(reported(truth, mm, deg, seed))
        off = result.pick.moved[result.pick.corner] @ displacement(result.camera, truth.camera)
        inside.append(np.linalg.norm(off, axis=1).max() <= 2 * result.uncertainty.pick_mm)
        assert "board-pitch" not in codes(result)
    assert sum(inside) >= 9


def test_lengths_that_another_system_reports_are_as_uncertain_as_its_board() -> None:
    truth = world(EYE_IN_HAND)
    problem = reported(truth)
    problem = replace(problem, board=replace(problem.board, scale_u=0.0012, bow_u_mm=0.1))
    within = diagnosed(changed(problem, lambda seen: seen.farther(1.0012)))
    off = within.pick.moved[within.pick.corner] @ displacement(within.camera, truth.camera)
    assert np.linalg.norm(off, axis=1).max() <= 2 * within.uncertainty.pick_mm
    assert codes(within) <= {"tolerance"}
    (said,) = [
        item.message
        for item in diagnosed(changed(problem, lambda seen: seen.farther(1.02))).findings
        if item.code == "board-pitch"
    ]
    assert float(said.split("once they are ")[1].split()[0]) == pytest.approx(1 / 1.02, abs=0.003)


@pytest.mark.parametrize("mount", MOUNTS)
def test_a_view_that_gives_no_pose_is_told(mount: str) -> None:
    problem = reported(world(mount))
    seen = list(problem.observations)
    seen[2], row = seen[2].farther(1e4), world(mount).problem.observations[5]
    seen[5] = replace(row, point_ids=row.point_ids[:11], pixels=row.pixels[:11])
    result = diagnosed(replace(problem, observations=tuple(seen)))
    told = [(item.stations, item.message) for item in result.findings if "behind" in item.code]
    assert [stations for stations, _ in told] == [(3, 6)]
    assert "edge-on or too far" in told[0][1]


def test_a_fit_that_ended_on_its_way_is_no_result_and_carries_no_cause() -> None:
    found = fitted(world(EYE_TO_HAND).problem)
    assert found is not None
    on_its_way = replace(found, fit=replace(found.fit, arrived=False))
    assert "no-fit" in codes(assembled(on_its_way))
    assert weight_of(on_its_way) == -np.inf
    assert declared_weight(on_its_way) == weight_of(found)  # it must still be beaten


def test_reported_views_without_noise_are_a_result() -> None:
    """Their noise levels swing without end, long after the transforms have come to rest."""
    result = estimated(reported(world(EYE_TO_HAND, stations=10), 0.0, 0.0))
    assert not codes(result) & {"no-fit", "noise-beyond", "unobservable"}
    assert not result.convergence.converged


@pytest.mark.parametrize("mount", MOUNTS)
def test_equal_poses_and_boards_reported_at_the_lens_are_no_result_and_no_exception(
    mount: str,
) -> None:
    truth = world(mount)
    first = truth.problem.observations[0].base_T_flange
    equal = changed(truth.problem, lambda seen: replace(seen, base_T_flange=first))
    at_lens = changed(reported(truth), lambda seen: replace(seen, camera_T_board=np.eye(4)))
    for problem in (equal, at_lens):
        assert diagnosed(problem).verdict == "not-accepted"


def test_points_of_one_line_are_not_called_another_count() -> None:
    """They have no pose at all, and none as the points of a board with fewer columns."""

    def row(seen: Observation) -> Observation:
        assert seen.pixels is not None
        return replace(seen, pixels=seen.pixels[:11], point_ids=np.arange(11))

    result = diagnosed(changed(world(EYE_TO_HAND).problem, row))
    assert result.verdict == "not-accepted"
    assert "board-counts" not in codes(result)


@pytest.mark.parametrize("mount", MOUNTS)
def test_half_of_the_stops_wrong_is_no_reason_to_add_stations(mount: str) -> None:
    truth, rng = world(mount), np.random.default_rng(6)

    def mistyped(seen: Observation) -> Observation:
        if seen.id % 2:
            return seen
        off = np.r_[rng.normal(0, np.radians(0.5), 3), rng.normal(0, 6.0, 3)]
        return replace(seen, base_T_flange=displaced(seen.base_T_flange, off))

    found = estimated(changed(truth.problem, mistyped))
    said = [item for item in found.findings if item.code in ("tolerance", "weak-direction")]
    assert said
    for item in said:
        assert "far more than such a robot does" in item.remedy
    few = estimated(world(mount, stations=4).problem)
    assert not any("far more than" in item.remedy for item in few.findings)


def test_a_residual_beyond_all_numbers_is_not_known(monkeypatch: pytest.MonkeyPatch) -> None:
    """Poses that belong to other images may end so far away that the lens model overflows."""
    found = fitted(world(EYE_TO_HAND, stations=4).problem)
    assert found is not None
    pixels = found.pixel_rms()
    pixels[[1, 2]] = np.nan, np.inf
    monkeypatch.setattr(Solution, "pixel_rms", lambda _: pixels)
    shown = [item.residual_px for item in assembled(found).stations]
    assert shown == [pixels[0], None, None, pixels[3]]


def test_an_arm_that_is_said_to_come_back_exactly_is_no_contradiction() -> None:
    problem = world(EYE_TO_HAND, stations=5).problem
    assert problem.robot is not None
    exact, least = (replace(problem.robot, repeatability_mm=mm) for mm in (0.0, 0.005))
    found = estimated(replace(problem, robot=exact))
    assert codes(found) <= {"tolerance"}
    assert np.array_equal(found.camera, estimated(replace(problem, robot=least)).camera)
