"""Where touched points are seen by what the stations tell of board and lens; what that leaves.

The truth is simulated; poses for the derivatives are found by OpenCV's solvePnP.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from simulated_sessions import BOARD, CAMERA, Case, Seen, Simulated, simulated
from touched_sessions import CORNERS, POINTER, Arm, in_cell, touches

from engine.arrays import Array
from engine.boards.points_file import points_text
from engine.camera.lens import NAMES, OF_BOARD, project
from engine.camera.model import Camera, LensU
from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND, Mount
from engine.diagnosis.diagnose import diagnosed
from engine.estimate.problem import Problem
from engine.estimate.result import Result
from engine.frames import apply, displacement, rotation_exp, transform
from engine.proof.seen import seen_board, seen_mark
from engine.proof.stated import lens_and_board, stated
from engine.proof.touch import touched_number
from engine.proof.touch_errors import PointError, point_error
from engine.simulate.scenario import cell

OFF = 0.002  # [-] of the pitch: nearly twice what a sheet has
ARM = Case(stations=12, geometry_mm=0.2, accuracy_mm=0.2)
MOUNTS = (EYE_TO_HAND, EYE_IN_HAND)


def wrong_pitch(case: Case, seed: int) -> tuple[Simulated, Seen]:
    """Return a session whose board is larger than told, and what it truly is."""
    truly = Seen(BOARD.points() * (1.0 + OFF), CAMERA)
    session = simulated(case, np.random.default_rng([seed, 5]), truly)
    board = replace(session.problem.board, scale_u=0.0012, bow_u_mm=0.1)
    return replace(session, problem=replace(session.problem, board=board)), truly


def touched(session: Simulated, truly: Seen, seed: int) -> list[PointError]:
    """Return the touches of a board whose pitch is not as told."""
    there = in_cell(session, "lens")
    claims = stated(diagnosed(session.problem).stored(), there)
    rng = np.random.default_rng([seed, 6])
    placed = touches(session, truly, there, Arm(session), rng)
    return [point_error(one, claims, there.mount, POINTER) for one in placed]


@pytest.mark.parametrize("mount", MOUNTS)
def test_good_touches_agree_where_the_pitch_is_not_quite_as_told(mount: Mount) -> None:
    found = [
        error
        for seed in range(5)
        for error in touched(*wrong_pitch(replace(ARM, mount=mount), seed), seed)
    ]
    assert np.mean([error.agrees for error in found]) >= 0.9  # 40 of five sessions
    assert all(error.size_mm < 1.5 * error.expanded_mm for error in found)
    assert all(error.spread.measured_mm > error.spread.seen_mm > 0.1 for error in found)


def with_number(session: Simulated, truly: Seen, seed: int, off: float = 0.0) -> Problem:
    """Return the problem with a touch as its missing number, its X misread by ``off`` [mm]."""
    there, rng = in_cell(session, "lens"), np.random.default_rng([seed, 7])
    (one, *_) = touches(session, truly, there, Arm(session), rng)
    touch = touched_number(there, one, POINTER)
    touch = replace(touch, p_base=touch.p_base + np.array([off, 0.0, 0.0]))
    return replace(session.problem, touched=(touch,))


@pytest.mark.parametrize("mount", MOUNTS)
def test_the_missing_number_of_four_axes_does_not_carry_a_wrong_pitch_along(mount: Mount) -> None:
    sizes = []
    for seed in range(6):
        session, truly = wrong_pitch(replace(ARM, mount=mount, axes=4), seed)
        found = diagnosed(with_number(session, truly, seed))
        assert "number-disagrees" not in codes(found)
        off = displacement(session.camera, found.geometric)[3:]
        sizes.append(float(off @ np.linalg.solve(found.joint_covariance[3:6, 3:6], off)))
        assert 2.0 * np.sqrt(np.trace(found.joint_covariance[3:6, 3:6])) < 3.0
    assert np.mean(sizes) < 3.0 * 2.5  # chi-squared with 3 degrees of freedom has the mean 3
    assert max(sizes) < 16.3  # 0.1 %


@pytest.mark.parametrize("mount", MOUNTS)
def test_a_number_touched_beside_its_point_is_said_and_not_accepted(mount: Mount) -> None:
    session, truly = wrong_pitch(replace(ARM, mount=mount, axes=4), 0)
    found = diagnosed(with_number(session, truly, 0, off=10.0))
    assert "number-disagrees" in codes(found)
    assert found.verdict == "not-accepted"
    assert np.linalg.norm(displacement(session.camera, found.geometric)[3:5]) < 1.5  # X, Y stay


@pytest.mark.parametrize("mount", MOUNTS)
@pytest.mark.parametrize("factor", [1.25, 0.95])
def test_a_wrong_pitch_is_named_beside_a_touch_that_rests_on_it(
    mount: Mount, factor: float
) -> None:
    truly = Seen(BOARD.points() * factor, CAMERA)
    case = Case(mount, axes=4, stations=10)
    session = simulated(case, np.random.default_rng([3, 5]), truly)
    found = diagnosed(with_number(session, truly, 3))
    assert codes(found)[0] == "board-pitch"
    assert "number-disagrees" not in codes(found)


def codes(found: Result) -> list[str]:
    return [item.code for item in found.findings]


LENS = {"focal length": 1e-3, "image centre x": 1.0, "image centre y": -1.0}
SHAPES = {"board scale": 1e-3, "board stretch": 1e-3, "board shear": -1e-3, "board twist": 0.1}
SHAPES |= {"board bow along the rows": 0.1, "board bow along the columns": -0.1}


@pytest.mark.parametrize("name", [*SHAPES, *LENS])
def test_points_move_with_board_and_lens_as_opencv_finds_them(name: str, tmp_path: Path) -> None:
    """External check: cv2.solvePnP (iterative) with the true board and lens data."""
    there = replace(cell(), camera=plain(CAMERA), board=BOARD)
    pose = transform(rotation_exp([0.4, -0.3, 0.1]), np.array([-60.0, -50.0, 700.0]))
    pixels = project(apply(pose, BOARD.points()), there.camera)
    text = points_text(np.arange(BOARD.count), pixels)
    (tmp_path / "view.csv").write_text(text, encoding="utf-8")
    seen = seen_board(there, tmp_path, "view.csv")
    points, matrix = BOARD.points(), np.array(there.camera.matrix)
    unit = np.zeros(len(NAMES))
    unit[NAMES.index(name)] = (SHAPES | LENS)[name]
    points = points + seen.terms.moved(points, unit[:OF_BOARD])
    if name == "focal length":
        matrix[[0, 1], [0, 1]] *= 1.0 + unit[NAMES.index(name)]
    matrix[:2, 2] += unit[7:9]
    _, turn, shift = cv2.solvePnP(points, pixels, matrix, None)
    true = apply(transform(rotation_exp(turn[:, 0]), shift[:, 0]), points[list(CORNERS)])
    found = seen.seen(CORNERS, 0.1)
    expected = true - [one.place for one in found]
    assert np.abs(expected).max() > 0.03
    rows = np.array([one.true_rows for one in found])
    np.testing.assert_allclose(rows @ unit, expected, atol=0.1 * np.abs(expected).max())


def plain(camera: Camera) -> Camera:
    return replace(camera, distortion=(), u=LensU())


def test_a_mark_is_where_it_was_located_and_truly_lies_where_wrong_lens_data_moved_it_from() -> (
    None
):
    place = np.array([40.0, -30.0, 650.0])
    lens = seen_mark(replace(cell(), camera=plain(CAMERA), board=BOARD, locate="lens"), place, 0.15)
    depth = seen_mark(
        replace(cell(), camera=plain(CAMERA), board=BOARD, locate="depth"), place, 0.15
    )
    focal = NAMES.index("focal length")
    assert not lens.located_rows.any()
    assert lens.true_rows[2, focal] == pytest.approx(650.0, rel=1e-3)  # a longer lens sees it near
    assert not depth.true_rows[:, focal].any()
    np.testing.assert_allclose(depth.true_rows[:, NAMES.index("depth scale")], -place)


def test_a_result_without_these_covariances_still_says_how_far_lens_and_board_are_off() -> None:
    session, _ = wrong_pitch(Case(EYE_TO_HAND, stations=12), 0)
    whole = diagnosed(session.problem).stored()
    off, covariance = lens_and_board(whole)
    before, apart = lens_and_board(replace(whole, board_and_lens_covariance=None))
    np.testing.assert_allclose(off, before)
    sd: Array = np.sqrt(np.diag(covariance[:, 6:]))
    np.testing.assert_allclose(sd, np.sqrt(np.diag(apart[:, 6:])), rtol=1e-6)
    assert off[0] == pytest.approx(OFF, abs=3.0 * sd[0])
    assert sd[0] < 0.0012
    assert covariance[:, :6].any()
    assert not apart[:, :6].any()
