"""Motions that tell too little end with a finding and no number that pretends."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from simulated_sessions import BOARD, CAMERA, Case, Simulated, simulated

from engine.camera.lens import project
from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND
from engine.cell.stations import Observation
from engine.estimate import Problem, Result, Touched, estimated
from engine.estimate.problem import predicted_view
from engine.frames import apply, displaced, displacement, inverse, rotation_exp, transform
from engine.pendant.settings import Pendant
from engine.sessions.results import result_document

MOUNTS = [EYE_TO_HAND, EYE_IN_HAND]


def session(mount: str, seed: int = 0, **case: object) -> Simulated:
    return simulated(Case(mount=mount, **case), np.random.default_rng(seed))


def moving(truth: Simulated, flange: np.ndarray, seed: int = 0) -> Problem:
    """The session's camera and board with other flange poses and the usual noise."""
    rng = np.random.default_rng(seed)
    noise = np.column_stack(
        [rng.normal(0, np.radians(0.02), (len(flange), 3)), rng.normal(0, 0.15, (len(flange), 3))]
    )
    views = predicted_view(truth.case.mount, truth.camera, displaced(flange, noise), truth.board)
    seen = tuple(
        Observation(
            number,
            pose,
            np.arange(BOARD.count),
            project(apply(view, BOARD.points()), CAMERA) + rng.normal(0, 0.15, (BOARD.count, 2)),
        )
        for number, (pose, view) in enumerate(zip(flange, views, strict=True), 1)
    )
    return replace(truth.problem, observations=seen)


def codes(found: Result) -> set[str]:
    return {item.code for item in found.findings}


def message(found: Result, code: str) -> str:
    item = next(item for item in found.findings if item.code == code)
    return f"{item.message} {item.remedy}"


@pytest.mark.parametrize("mount", MOUNTS)
def test_pure_shifts_leave_the_place_unknown_and_say_so(mount: str) -> None:
    truth = session(mount)
    middle = truth.problem.observations[0].base_T_flange
    rng = np.random.default_rng(2)
    steps = np.column_stack([np.zeros((10, 3)), rng.uniform(-60, 60, (10, 3))])
    found = estimated(moving(truth, displaced(np.tile(middle, (10, 1, 1)), steps)))
    document = result_document(found.stored())
    key = "base_T_camera" if mount == EYE_TO_HAND else "flange_T_camera"
    assert document[key]["position_mm"] == [None, None, None]
    assert document[key]["quaternion_xyzw"] is not None
    assert document["covariance"] is None
    assert document["uncertainty"]["position_mm"] is None
    assert document["uncertainty"]["pick_mm"] is None
    assert "unobservable" in codes(found)
    assert "The camera's place cannot be found" in message(found, "unobservable")
    assert found.verdict == "not-accepted"


@pytest.mark.parametrize("mount", MOUNTS)
def test_turns_about_one_axis_leave_the_shift_along_it_unknown(mount: str) -> None:
    truth = session(mount)
    middle = truth.problem.observations[0].base_T_flange
    view_axis = middle[:3, :3] @ [0, 0, 1.0]
    rng = np.random.default_rng(3)
    steps = np.column_stack(
        [rng.uniform(-0.6, 0.6, (10, 1)) * view_axis, rng.uniform(-40, 40, (10, 3))]
    )
    found = estimated(moving(truth, displaced(np.tile(middle, (10, 1, 1)), steps)))
    assert "unobservable" in codes(found)
    assert "shifted together along" in message(found, "unobservable")
    assert found.uncertainty.pick_mm is None
    assert found.uncertainty.angle_deg is not None


@pytest.mark.parametrize("mount", MOUNTS)
def test_identical_stations_give_no_number_at_all(mount: str) -> None:
    truth = session(mount)
    middle = truth.problem.observations[0].base_T_flange
    found = estimated(moving(truth, np.tile(middle, (8, 1, 1))))
    document = result_document(found.stored())
    key = "base_T_camera" if mount == EYE_TO_HAND else "flange_T_camera"
    assert document[key] is None
    assert set(document["uncertainty"].values()) == {None}
    assert "unobservable" in codes(found)
    assert found.verdict == "not-accepted"


@pytest.mark.parametrize("count", [0, 1, 2])
def test_fewer_than_three_stations_are_too_few(count: int) -> None:
    truth = session(EYE_TO_HAND)
    found = estimated(replace(truth.problem, observations=truth.problem.observations[:count]))
    assert codes(found) == {"too-few"}
    assert message(found, "too-few").startswith(f"{count} usable")
    assert not found.solved


@pytest.mark.parametrize("mount", MOUNTS)
def test_near_half_turns_are_solved(mount: str) -> None:
    truth = session(mount)
    flange = [s.base_T_flange for s in truth.problem.observations[:8]]
    axis = truth.camera[:3, :3] @ [0, 0, 1.0]
    half = [
        truth.problem.observations[0].base_T_flange,
        *(
            displaced(T, np.r_[np.pi * axis * (1 - 1e-4 * k), 0, 0, 0])
            for k, T in enumerate(flange[1:])
        ),
    ]
    if mount == EYE_IN_HAND:
        half = [transform(T[:3, :3] @ rotation_exp([0, 0, np.pi]), T[:3, 3]) for T in flange[:4]]
        half += flange[4:]
    found = estimated(moving(truth, np.array(half)))
    off = displacement(found.camera, truth.camera)
    assert off @ np.linalg.solve(found.covariance, off) < 22.5


@pytest.mark.parametrize("mount", MOUNTS)
def test_weak_tilts_are_named_with_what_to_add(mount: str) -> None:
    truth = session(mount)
    middle = truth.problem.observations[0].base_T_flange
    rng = np.random.default_rng(4)
    steps = np.column_stack([rng.uniform(-0.05, 0.05, (10, 3)), rng.uniform(-40, 40, (10, 3))])
    found = estimated(moving(truth, displaced(np.tile(middle, (10, 1, 1)), steps)))
    text = message(found, "weak-direction")
    assert "is known only to ±" in text
    assert "Add stations tilted about base" in text
    off = displacement(found.camera, truth.camera)
    assert off @ np.linalg.solve(found.covariance, off) < 22.5


@pytest.mark.parametrize("mount", MOUNTS)
@pytest.mark.parametrize("style", ["reference", "tilted"])
def test_four_axes_leave_the_height_open(mount: str, style: str) -> None:
    truth = session(mount, axes=4, style=style)
    found = estimated(truth.problem)
    document = result_document(found.stored())
    key = "base_T_camera" if mount == EYE_TO_HAND else "flange_T_camera"
    x, y, z = document[key]["position_mm"]
    assert z is None
    off = displacement(found.camera, truth.camera)
    sd = np.sqrt(np.diag(found.covariance))
    assert (np.abs(off[:5]) < 4 * sd[:5]).all()
    assert x == pytest.approx(truth.camera[0, 3], abs=5)
    assert y == pytest.approx(truth.camera[1, 3], abs=5)
    assert "along base Z" in message(found, "unobservable")
    assert "board.height_mm" in message(found, "unobservable")


@pytest.mark.parametrize("mount", MOUNTS)
def test_a_measured_height_fixes_a_four_axis_result(mount: str) -> None:
    truth = session(mount, axes=4)
    height = apply(truth.board, truth.problem.board.points()[:1])[0, 2]
    board = replace(truth.problem.board, height_mm=float(height) + 0.1)
    found = estimated(replace(truth.problem, board=board))
    off = displacement(found.camera, truth.camera)
    assert off @ np.linalg.solve(found.covariance, off) < 22.5
    assert (
        "cannot be found from these stations: as told by the measured board.height_mm"
        in message(found, "unobservable")
    )
    assert next(f for f in found.findings if f.code == "unobservable").level == "note"
    assert found.uncertainty.pick_mm is not None


@pytest.mark.parametrize("told", [True, False])
def test_a_flange_told_the_other_way_up_is_named_with_how_far_the_camera_would_be_off(
    told: bool,
) -> None:
    truth = session(EYE_TO_HAND, axes=4)
    seen = truth.problem.observations
    down = bool(seen[0].base_T_flange[2, 2] < 0.0)
    height = float(truth.board[2, 3])
    pendant = Pendant("mm", "deg", "yaw", ("X", "Y", "Z", "C"), (2, 2, 2, 2), flange_down=told)
    over = np.eye(4) if told == down else np.diag([1.0, -1.0, -1.0, 1.0])
    problem = replace(
        truth.problem,
        board=replace(truth.problem.board, height_mm=height),
        pendant=pendant,
        observations=tuple(replace(o, base_T_flange=o.base_T_flange @ over) for o in seen),
    )
    found = estimated(problem)
    said = next(f for f in found.findings if "flange_down" in f.message)
    assert said.level == "note"
    assert f"{2 * abs(height):.0f} mm higher or lower" in said.message
    off = found.camera[:3, 3] - truth.camera[:3, 3]
    assert abs(off[2]) == pytest.approx(0.0 if told == down else 2 * abs(height), abs=3.0)
    hand = estimated(replace(session(EYE_IN_HAND, axes=4).problem, pendant=pendant))
    assert not any("flange_down" in f.message for f in hand.findings)


@pytest.mark.parametrize("mount", MOUNTS)
def test_one_touched_point_fixes_a_four_axis_result(mount: str) -> None:
    truth = session(mount, axes=4)
    p_camera = np.array([20.0, 10.0, 550.0])
    flange = truth.problem.observations[0].base_T_flange
    carrier = truth.camera if mount == EYE_TO_HAND else flange @ truth.camera
    touch = Touched(p_camera, apply(carrier, p_camera[None])[0] + 0.1, flange)
    found = estimated(replace(truth.problem, touched=(touch,)))
    off = displacement(found.camera, truth.camera)
    assert off @ np.linalg.solve(found.covariance, off) < 22.5
    assert "touched point" in message(found, "unobservable")


def test_the_null_direction_of_four_axes_shifts_both_transforms_alike() -> None:
    """External check: rank 11 of 12, one common shift (computed; Ulrich & Steger 2016 on SCARA)."""
    found = estimated(session(EYE_TO_HAND, axes=4).problem)
    value, vectors = np.linalg.eigh(found.joint_covariance)
    worst = vectors[:, -1] / np.abs(vectors[:, -1]).max()
    assert value[-1] / value[-2] > 1e4
    np.testing.assert_allclose(np.abs(worst[[5, 11]]), 1.0, atol=1e-3)
    np.testing.assert_allclose(inverse(inverse(found.camera)), found.camera, atol=1e-9)


@pytest.mark.parametrize("mount", MOUNTS)
def test_a_work_volume_that_the_camera_does_not_see_is_said_to_be_unseen(mount: str) -> None:
    truth = session(mount)
    volume = truth.problem.work_volume
    carrier = truth.camera if mount == EYE_TO_HAND else np.eye(4)
    for p_camera, said in (
        ([0.0, 0.0, -400.0], "The work volume lies behind the camera."),
        ([900.0, 0.0, 600.0], "sees neither the middle nor any corner"),
        ([0.0, 0.0, 600.0], None),
    ):
        centre = apply(carrier, np.array([p_camera]))[0]
        moved = replace(volume, center_mm=tuple(centre.tolist()), size_mm=(100.0, 100.0, 100.0))
        found = estimated(replace(truth.problem, work_volume=moved))
        assert ("volume-far" in codes(found)) is (said is not None)
        assert said is None or said in message(found, "volume-far")


@pytest.mark.parametrize("mount", MOUNTS)
def test_a_height_that_puts_the_camera_or_board_beyond_any_mount_is_an_error(mount: str) -> None:
    truth = session(mount, axes=4)
    height = float(truth.board[2, 3])
    for off, far in ((0.0, False), (900.0, True), (-900.0, True)):
        board = replace(truth.problem.board, height_mm=height + off)
        found = estimated(replace(truth.problem, board=board))
        said = [f for f in found.findings if "no mount is that long" in f.message]
        assert bool(said) is far
        assert found.verdict == "not-accepted" or not far


def test_a_work_volume_far_from_the_stations_is_said_to_be_the_reason() -> None:
    problem = session(EYE_TO_HAND).problem
    away = replace(problem.work_volume, center_mm=(1e6, 0.0, 0.0))
    found = estimated(replace(problem, work_volume=away))
    assert found.uncertainty.pick_mm is None
    assert message(found, "volume-far").startswith("The work volume lies 999.")
    assert "unobservable" not in codes(found)  # no touched point would help


def test_a_robot_told_to_be_wildly_inaccurate_is_said_to_be_the_reason() -> None:
    problem = session(EYE_TO_HAND).problem
    found = estimated(replace(problem, robot=None, robot_accuracy_mm=80.0))
    assert found.uncertainty.pick_mm is None
    assert message(found, "volume-far").startswith("With a robot that is 80 mm off")
