"""Several cameras solved together and rechecked: against SciPy, and by simulation."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from bumps import bump
from scipy.linalg import solve_triangular
from scipy.optimize import least_squares
from simulated_sessions import BOARD, CAMERA, Case
from two_cameras import Pair, later, pair

from engine.arrays import Array
from engine.camera.lens import project
from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND
from engine.diagnosis import exchanged
from engine.diagnosis.diagnose import diagnosed
from engine.diagnosis.together import diagnosed_together
from engine.estimate.problem import Problem, predicted_view
from engine.frames import apply, displaced, displacement
from engine.proof.recheck_cameras import recheck_cameras

MOUNTS = [EYE_TO_HAND, EYE_IN_HAND]
STILL = np.zeros(6)


def test_the_joint_estimate_is_the_minimum_that_scipy_finds_with_all_unknowns() -> None:
    """External check: scipy.optimize.least_squares on all pixels of both cameras, 18 + 6 n
    unknowns: two cameras, one board, and where the flange truly was at each stop."""
    made = pair(Case(stations=6), 3)
    found = made.together()
    assert found.joint is not None
    state, noise = found.joint.state, [one.fit.noise for one in found.joint.solutions]
    assert len(state.errors) == 0
    typed = np.array([seen.base_T_flange for seen in made.problems[0].observations])
    robot = np.linalg.cholesky(noise[0].robot_covariance())

    def residuals(x: Array) -> Array:
        board, flange = displaced(state.board, x[12:18]), displaced(typed, x[18:].reshape(-1, 6))
        parts = [solve_triangular(robot, x[18:].reshape(-1, 6).T, lower=True).ravel()]
        for k, problem in enumerate(made.problems):
            camera = displaced(state.cameras[k], x[6 * k : 6 * k + 6])
            views = predicted_view(EYE_TO_HAND, camera, flange, board)
            pixels = np.array([project(apply(T, BOARD.points()), CAMERA) for T in views])
            seen = np.array([item.pixels for item in problem.observations])
            parts.append((pixels - seen).ravel() / noise[k].pixel_px)
        return np.concatenate(parts)

    best = least_squares(residuals, np.zeros(18 + 6 * len(typed)), x_scale="jac", xtol=1e-12)
    sd = np.sqrt(np.diag(found.joint.covariance))
    assert (np.abs(best.x[:18]) < 0.05 * sd).all()
    theirs = np.linalg.inv(best.jac.T @ best.jac)[:18, :18]
    np.testing.assert_allclose(np.sqrt(np.diag(theirs)), sd, rtol=0.02)


@pytest.mark.parametrize("mount", MOUNTS)
def test_solving_together_errs_less_and_says_truly_how_much(mount: str) -> None:
    """Squared errors over 10 sessions of five stations, of both cameras."""
    alone, together, stated = [], [], []
    for seed in range(10):
        made = pair(Case(mount=mount, stations=5), seed)
        found, apart = made.together(), [diagnosed(one) for one in made.problems]
        for k, camera in enumerate(made.cameras):
            alone.append(np.sum(displacement(camera, apart[k].geometric)[3:] ** 2))
            off = displacement(camera, found.results[k].geometric)
            together.append(np.sum(off[3:] ** 2))
            covariance = found.results[k].joint_covariance[:6, :6]
            stated.append(off @ np.linalg.solve(covariance, off) / 6.0)
    assert np.mean(together) < np.mean(alone)
    assert 0.6 < np.mean(stated) < 1.5


def test_a_camera_that_saw_the_board_elsewhere_is_not_joined() -> None:
    made = pair(Case(stations=8), 1)
    slip = bump(3.0, np.random.default_rng(0))
    second = later(made, 8, [STILL, STILL], slip, np.random.default_rng(1))[1]
    found = diagnosed_together([made.problems[0], second], [{}, {}])
    assert found.joint is None
    assert "cameras-disagree" in [item.code for item in found.results[1].findings]
    assert [one.verdict for one in found.results] == ["accepted", "not-accepted"]


@pytest.mark.parametrize("drifts", [0, 1])
def test_a_camera_that_drifts_does_not_pull_the_other_along(drifts: int) -> None:
    made = pair(Case(stations=8, position_mm=0.05, angle_deg=0.006), 5)
    problem, rng = made.problems[drifts], np.random.default_rng(2)
    end = np.array([0.0, np.radians(0.3), np.radians(0.2), 2.0, -1.0, 2.0])
    seen = []
    for number, item in enumerate(problem.observations):
        camera = displaced(made.cameras[drifts], end * number / 7.0)
        view = predicted_view(problem.mount, camera, item.base_T_flange, made.session.board)
        pixels = project(apply(view, BOARD.points()), CAMERA)
        seen.append(replace(item, pixels=pixels + rng.normal(0, 0.1, pixels.shape)))
    problems = list(made.problems)
    problems[drifts] = replace(problem, observations=tuple(seen))
    found = diagnosed_together(problems, [{}, {}])
    assert found.results[drifts].findings[0].code == "camera-moved"
    other = 1 - drifts
    alone = made.alone()[other]
    np.testing.assert_allclose(found.results[other].camera, alone.camera, atol=1e-6)
    assert found.joint is None


def test_cameras_need_not_see_the_same_stops() -> None:
    made = pair(Case(stations=8), 2)
    first, second = made.problems
    apart = [
        replace(first, observations=first.observations[:5]),
        replace(second, observations=second.observations[3:]),
    ]
    found = diagnosed_together(apart, [{}, {}])
    assert found.members == (0, 1)
    for k, camera in enumerate(made.cameras):
        off = displacement(camera, found.results[k].geometric)
        covariance = found.results[k].joint_covariance[:6, :6]
        assert off @ np.linalg.solve(covariance, off) < 22.5  # chi-square, 6 degrees, 99.9 %


def test_a_camera_without_enough_stations_leaves_the_other_as_it_was_alone() -> None:
    made = pair(Case(stations=6), 4)
    first, second = made.problems
    found = diagnosed_together(
        [first, replace(second, observations=second.observations[:1])], [{}, {}]
    )
    assert found.joint is None
    np.testing.assert_allclose(found.results[0].camera, diagnosed(first).camera, atol=1e-9)
    assert not found.results[1].solved


def said(made: Pair, stations: int, shifts: list[Array], slip: Array) -> list[str]:
    rng = np.random.default_rng(11)
    answers = recheck_cameras(made.together(), later(made, stations, shifts, slip, rng))
    return [answer.cause for answer in answers if answer is not None]


@pytest.mark.parametrize("stations", [1, 3])
@pytest.mark.parametrize("moved", [0, 1])
def test_recheck_says_which_camera_moved_even_from_one_station(moved: int, stations: int) -> None:
    made = pair(Case(stations=8), 5)
    shifts = [STILL, STILL]
    shifts[moved] = bump(4.0, np.random.default_rng(1))
    expected = ["none", "none"]
    expected[moved] = "camera"
    assert said(made, stations, shifts, STILL) == expected


def test_recheck_says_that_both_moved() -> None:
    made = pair(Case(stations=8), 6)
    rng = np.random.default_rng(2)
    assert said(made, 3, [bump(4.0, rng), bump(4.0, rng)], STILL) == ["camera", "camera"]


def test_recheck_tells_a_slipped_board_from_moved_cameras() -> None:
    made = pair(Case(stations=8), 7)
    assert said(made, 3, [STILL, STILL], bump(4.0, np.random.default_rng(3))) == ["board", "board"]


def test_recheck_of_unmoved_cameras_says_so() -> None:
    assert said(pair(Case(stations=8), 8), 3, [STILL, STILL], STILL) == ["none", "none"]


def test_recheck_leaves_a_camera_without_new_stations_out() -> None:
    made = pair(Case(stations=8), 9)
    new = later(made, 2, [STILL, STILL], STILL, np.random.default_rng(4))
    answers = recheck_cameras(made.together(), [new[0], None])
    assert answers[0] is not None
    assert answers[0].cause == "none"
    assert answers[1] is None


def test_one_mistyped_stop_is_no_movement_of_both_cameras() -> None:
    said = set[str]()
    for seed in range(4):
        made = pair(Case(stations=8), 5)
        new = later(made, 2, [STILL, STILL], STILL, np.random.default_rng(seed))
        spoilt = []
        for problem in new:
            first, *others = problem.observations
            wrong = displaced(first.base_T_flange, [0.0, 0.0, 0.0, 0.0, 2.0, 0.0])
            seen = (replace(first, base_T_flange=wrong), *others)
            spoilt.append(replace(problem, observations=seen))
        for answer in recheck_cameras(made.together(), spoilt):
            assert answer is not None
            assert answer.cause in ("none", "unclear")
            said |= {item.message for item in answer.findings if item.code == "moved-unclear"}
    assert any("mistyped" in text for text in said)


@pytest.mark.parametrize("size_mm", [0.0, 4.0])
def test_recheck_names_the_stop_whose_pose_contradicts_those_of_both_cameras(
    size_mm: float,
) -> None:
    made, ids = pair(Case(stations=8), 5), range(1, 5)
    shifts = [STILL, bump(size_mm, np.random.default_rng(1))]
    spoilt = []
    for problem in later(made, 4, shifts, STILL, np.random.default_rng(6)):
        seen = list(problem.observations)
        wrong = seen[2].base_T_flange.copy()
        wrong[1, 3] += 20.0
        seen[2] = replace(seen[2], base_T_flange=wrong)
        spoilt.append(replace(problem, observations=tuple(seen)))
    answers = [one for one in recheck_cameras(made.together(), spoilt) if one is not None]
    if size_mm:  # of which the other stops tell
        assert [one.cause for one in answers] == ["none", "camera"]
    else:
        assert all(one.findings[0].code == "stations-contradict" for one in answers)
        assert all(one.findings[0].stations == (3,) for one in answers)
        assert {(one.moved, one.cause, one.movement) for one in answers} == {
            (None, "unclear", None)
        }
    assert all(one.stations == tuple(ids) for one in answers)
    for one in answers:
        (slip,) = (item for item in one.findings if item.code == "typed-value")
        assert (slip.station, slip.field) == (3, "Y")


def with_two_lenses(made: Pair) -> tuple[Problem, Problem]:
    """Return both problems, the second camera with a lens of its own."""
    first, other = made.problems
    (fx, _, cx), (_, fy, cy), last = CAMERA.matrix
    centre = np.array([cx, cy])
    matrix = ((0.96 * fx, 0.0, cx + 12.0), (0.0, 0.96 * fy, cy - 9.0), last)
    seen = tuple(
        replace(one, pixels=0.96 * (one.pixels - centre) + centre + [12.0, -9.0])
        for one in other.observations
    )
    return first, replace(other, camera=replace(other.camera, matrix=matrix), observations=seen)


def exchanged_at(problems: tuple[Problem, Problem], ids: set[int]) -> tuple[Problem, Problem]:
    """Return both problems with the images of the stations ``ids`` under the other camera."""
    pairs = [
        (b, a) if a.id in ids else (a, b)
        for a, b in zip(problems[0].observations, problems[1].observations, strict=True)
    ]
    one, two = zip(*pairs, strict=True)
    return replace(problems[0], observations=one), replace(problems[1], observations=two)


@pytest.mark.parametrize("ids", [{1}, {2, 5}, {1, 4, 5}, set(range(1, 9))])
@pytest.mark.parametrize("mount", MOUNTS)
def test_exchanged_images_of_two_cameras_are_named(mount: str, ids: set[int]) -> None:
    problems = with_two_lenses(pair(Case(mount, stations=8), 5))
    every = len(ids) == 8
    results = diagnosed_together(exchanged_at(problems, ids), [{}, {}]).results
    for result, other in zip(results, problems[::-1], strict=True):
        said = result.findings[0]
        assert said.code == "pairing"
        assert "exchanged" in said.message
        assert other.camera.name in said.message
        assert said.stations == (None if every else tuple(sorted(ids)))
        assert result.verdict == "not-accepted"
        assert not {"lens", "outlier", "cameras-disagree"} & {f.code for f in result.findings}
        if not every:
            assert {s.id for s in result.stations if not s.used} == ids


def test_exchanged_images_that_show_no_way_are_those_that_fit_neither_camera(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Read by a lens far from theirs, images put the board anywhere."""
    ways = dict.fromkeys(range(1, 7), np.eye(4))
    monkeypatch.setattr(exchanged, "_views", lambda found: ways)
    problems = with_two_lenses(pair(Case(stations=6), 5))
    for result in diagnosed_together(exchanged_at(problems, {4}), [{}, {}]).results:
        assert (result.findings[0].code, result.findings[0].stations) == ("pairing", (4,))


def test_a_slip_beside_exchanged_images_is_named_too() -> None:
    problems = with_two_lenses(pair(Case(stations=8), 5))
    wrong = []
    for problem in exchanged_at(problems, {2, 5}):
        seen = list(problem.observations)
        flange = seen[6].base_T_flange.copy()
        flange[0, 3] += 30.0
        seen[6] = replace(seen[6], base_T_flange=flange)
        wrong.append(replace(problem, observations=tuple(seen)))
    for result in diagnosed_together(wrong, [{}, {}]).results:
        found = [(item.code, item.station) for item in result.findings[:2]]
        assert found == [("pairing", None), ("typed-value", 7)]
