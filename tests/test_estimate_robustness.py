"""Bad stations, turned boards, flipped normals, reported poses: none may drag the rest."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from known_exactly import EXACT_BOARD
from simulated_sessions import Case, Simulated, simulated

from engine.boards.pattern import Board, symmetries
from engine.camera.views import board_pose
from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND
from engine.cell.stations import Observation
from engine.estimate import Problem, Result, estimated
from engine.frames import displaced, displacement

MOUNTS = [EYE_TO_HAND, EYE_IN_HAND]
ENOUGH = 22.5  # chi-square with 6 degrees of freedom, 99.9 %


def session(mount: str, seed: int = 0, **case: object) -> Simulated:
    return simulated(Case(mount=mount, **case), np.random.default_rng(seed))


def with_changed(problem: Problem, changes: dict[int, Observation]) -> Problem:
    kept = tuple(changes.get(seen.id, seen) for seen in problem.observations)
    return replace(problem, observations=kept)


def moved(seen: Observation, step: list[float]) -> Observation:
    return replace(seen, base_T_flange=displaced(seen.base_T_flange, np.array(step)))


def assert_holds(found: Result, truth: Simulated) -> None:
    off = displacement(found.camera, truth.camera)
    assert off @ np.linalg.solve(found.covariance, off) < ENOUGH


def unused(found: Result) -> list[int]:
    return [station.id for station in found.stations if not station.used]


@pytest.mark.parametrize("mount", MOUNTS)
@pytest.mark.parametrize("step", [[0, 0, 0, 0, 10, 0], [0.5, 0, 0, 0, 0, 0], [0, 0, 0.02, 2, 0, 0]])
def test_one_bad_station_of_eight_is_left_out(mount: str, step: list[float]) -> None:
    truth = session(mount, stations=8)
    bad = {3: moved(truth.problem.observations[2], step)}
    found = estimated(with_changed(truth.problem, bad))
    assert unused(found) == [3]
    assert_holds(found, truth)
    assert [f.station for f in found.findings if f.code == "outlier"] == [3]
    assert found.verdict == "not-accepted"


@pytest.mark.parametrize("mount", MOUNTS)
@pytest.mark.parametrize("size", [3.0, 30.0, 300.0])
def test_two_bad_stations_of_ten_do_not_hide_each_other(mount: str, size: float) -> None:
    truth = session(mount, stations=10, seed=1)
    seen = truth.problem.observations
    bad = {2: moved(seen[1], [0, 0, 0, size, 0, 0]), 7: moved(seen[6], [0, 0, 0, 0, size, 0])}
    found = estimated(with_changed(truth.problem, bad))
    assert unused(found) == [2, 7]
    assert_holds(found, truth)


def test_the_left_out_distance_of_a_bad_station_is_its_mistake() -> None:
    truth = session(EYE_TO_HAND, stations=12)
    bad = {5: moved(truth.problem.observations[4], [0, 0, 0, 0, 10, 0])}
    station = estimated(with_changed(truth.problem, bad)).stations[4]
    assert station.left_out_mm == pytest.approx(10.0, abs=1.0)
    assert station.left_out_deg == pytest.approx(0.0, abs=0.1)
    assert station.left_out_size > 5


@pytest.mark.parametrize("mount", MOUNTS)
@pytest.mark.parametrize("shape", [(10, 8), (8, 8)])
def test_turned_readings_of_a_symmetric_board_are_undone(
    mount: str, shape: tuple[int, int]
) -> None:
    truth = session(mount, stations=9)
    board = Board("chessboard", *shape, pitch_mm=20.0, **EXACT_BOARD)
    turns = symmetries(board)
    subset = [c + 11 * r for r in range(shape[1]) for c in range(shape[0])]
    seen = []
    for place, item in enumerate(truth.problem.observations):
        ids = np.arange(board.count)
        if place in (2, 5):
            ids = turns[place % len(turns)].permutation
        seen.append(replace(item, point_ids=ids, pixels=item.pixels[subset]))
    found = estimated(replace(truth.problem, board=board, observations=tuple(seen)))
    assert_holds(found, truth)
    assert [s.id for s in found.stations if s.turn] == [3, 6]
    assert sorted(i for f in found.findings if f.code == "board-turned" for i in f.stations) == [
        3,
        6,
    ]
    assert unused(found) == []


@pytest.mark.parametrize("mount", MOUNTS)
def test_the_two_poses_of_a_small_distant_board_are_settled_by_the_robot(mount: str) -> None:
    truth = session(mount, stations=10, pixel_px=0.3)
    few = [0, 1, 2, 11, 12, 13]  # 6 points over 40 × 20 mm: the normal is hardly told
    seen = [
        replace(s, point_ids=s.point_ids[few], pixels=s.pixels[few])
        for s in truth.problem.observations
    ]
    problem = replace(truth.problem, observations=tuple(seen))
    board = problem.board.points()
    poses = [board_pose(board[s.point_ids], s.pixels, problem.camera) for s in seen]
    assert sum(len(p) == 2 for p in poses) >= 3
    assert_holds(estimated(problem), truth)


@pytest.mark.parametrize("mount", MOUNTS)
@pytest.mark.parametrize("share", [1, 2])
def test_reported_poses_alone_or_mixed_with_points_are_solved(mount: str, share: int) -> None:
    truth = session(mount)
    problem = truth.problem
    seen = []
    for place, item in enumerate(problem.observations):
        if place % share:
            seen.append(item)
            continue
        pose = board_pose(problem.board.points(), item.pixels, problem.camera)[0][0]
        seen.append(replace(item, point_ids=None, pixels=None, camera_T_board=pose))
    found = estimated(replace(problem, observations=tuple(seen)))
    assert_holds(found, truth)
    assert found.stations[0].residual_px is None
    assert found.stations[0].robot_residual_mm is not None


def test_measured_board_points_replace_the_ideal_ones() -> None:
    truth = session(EYE_TO_HAND)
    ideal = truth.problem.board.points()
    stretched = ideal * (1.003, 1.0, 1.0)
    rows = tuple((i, *map(float, p)) for i, p in enumerate(ideal))
    wrong = Board("chessboard", 11, 8, pitch_mm=20.06, **EXACT_BOARD)
    right = replace(wrong, measured=rows)
    found = estimated(replace(truth.problem, board=right))
    assert np.abs(stretched - ideal).max() > 0.5
    assert_holds(found, truth)
    np.testing.assert_allclose(found.camera, estimated(truth.problem).camera, atol=1e-6)


def test_a_station_without_anything_measured_is_listed_and_unused() -> None:
    truth = session(EYE_TO_HAND, stations=8)
    empty = replace(truth.problem.observations[3], point_ids=None, pixels=None)
    found = estimated(with_changed(truth.problem, {4: empty}))
    assert unused(found) == [4]
    assert found.stations[3].residual_px is None
    assert_holds(found, truth)


def test_lengths_in_another_scale_change_nothing_but_the_scale() -> None:
    """Ill-scaled units: a cell a thousand times larger must solve as well."""
    truth = session(EYE_TO_HAND, accuracy_mm=0.0)
    k = 1000.0
    problem = truth.problem
    board = replace(problem.board, pitch_mm=problem.board.pitch_mm * k)

    def scaled(T: np.ndarray) -> np.ndarray:
        return np.block([[T[:3, :3], T[:3, 3:] * k], [np.zeros((1, 3)), np.ones((1, 1))]])

    seen = tuple(replace(s, base_T_flange=scaled(s.base_T_flange)) for s in problem.observations)
    volume = replace(
        problem.work_volume,
        center_mm=tuple(k * v for v in problem.work_volume.center_mm),
        size_mm=tuple(k * v for v in problem.work_volume.size_mm),
    )
    large = estimated(
        replace(problem, board=board, robot=None, observations=seen, work_volume=volume)
    )
    off = displacement(large.geometric, scaled(truth.camera))
    assert np.abs(off[:3]).max() < 2e-3
    assert np.abs(off[3:]).max() < 2.0 * k
