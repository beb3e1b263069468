"""The simulated cells: what pendant and camera show agrees with where things are."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from simulated import projected

from engine.errors import StationbookError
from engine.frames import displaced, displacement, inverse, rotation_angle
from engine.pendant.entry import joints_from_fields, pose_from_fields, rounding
from engine.robots.kinematics import kinematics
from engine.sessions.cell_file import read_cell
from engine.simulate.scenario import cell, cell_text, looking, truth
from engine.simulate.stations import typing_slip
from engine.simulate.virtual_cell import RobotErrors, VirtualCell, geometry_errors, robot_errors

CELLS = [(mount, axes) for mount in ("eye-to-hand", "eye-in-hand") for axes in (6, 4)]
KNOCK = np.array([0.01, -0.02, 0.005, 4.0, -3.0, 2.0])


def virtual(mount="eye-to-hand", axes=6, seed=3, **options):
    return VirtualCell(cell(mount, axes), truth(mount, axes), seed, **options)


@pytest.mark.parametrize(("mount", "axes"), CELLS)
def test_the_cells_text_is_read_as_a_file_of_the_user(mount, axes, tmp_path: Path):
    file = tmp_path / "cell.yaml"
    file.write_text(cell_text(mount, axes), encoding="utf-8")
    assert read_cell(file) == cell(mount, axes)
    assert "#" in cell_text(mount, axes)


@pytest.mark.parametrize(("mount", "axes"), CELLS)
def test_the_loop_of_transforms_closes(mount, axes):
    where, F = truth(mount, axes), virtual(mount, axes).base_T_flange()
    T = where.camera_T_board(F)
    if mount == "eye-to-hand":
        np.testing.assert_allclose(where.camera @ T, F @ where.board, atol=1e-9)
    else:
        np.testing.assert_allclose(F @ where.camera @ T, where.board, atol=1e-9)
    np.testing.assert_allclose(where.base_T_flange(T), F, atol=1e-9)


def test_a_looking_camera_sees_its_target_in_the_middle_and_the_horizon_level():
    base_T_camera = looking([1000.0, -200.0, 800.0], [500.0, 0.0, 300.0])
    in_camera = inverse(base_T_camera) @ [500.0, 0.0, 300.0, 1.0]
    np.testing.assert_allclose(in_camera[:2], 0.0, atol=1e-9)
    assert in_camera[2] == pytest.approx(np.linalg.norm([500, 200, 500]))
    assert base_T_camera[2, 0] == pytest.approx(0.0, abs=1e-12)
    assert base_T_camera[2, 1] < 0  # the image's y points down in the cell


@pytest.mark.parametrize(("mount", "axes"), CELLS)
def test_the_pendants_text_is_the_pose_within_its_rounding(mount, axes):
    cell_here = virtual(mount, axes)
    u_mm, u_rad = rounding(cell_here.cell.pendant)
    for F in cell_here.suggest_stations(4):
        cell_here.go_to(F)
        typed = pose_from_fields(cell_here.pendant_pose(), cell_here.cell.pendant)
        off = displacement(typed.base_T_flange, cell_here.believed)
        assert np.abs(off[3:]).max() <= np.sqrt(3) * u_mm + 1e-9  # half a display step
        assert np.linalg.norm(off[:3]) <= 3 * np.sqrt(3) * u_rad + 1e-9


@pytest.mark.parametrize(("mount", "axes"), CELLS)
def test_the_pendants_joints_hold_the_pose_it_shows(mount, axes):
    cell_here = virtual(mount, axes)
    robot = cell_here.cell.robot
    typed = joints_from_fields(cell_here.pendant_joints(), cell_here.cell.pendant, robot)
    F = kinematics(robot).forward(np.deg2rad(typed.values_deg_or_mm))
    assert np.linalg.norm((F - cell_here.believed)[:3, 3]) < 0.3  # mm; 0.01° shown, 1 m away


@pytest.mark.parametrize(("mount", "axes"), CELLS)
def test_suggested_stations_are_reached_show_the_whole_board_and_differ(mount, axes):
    cell_here = virtual(mount, axes)
    stations = cell_here.suggest_stations(8)
    width, height = cell_here.cell.camera.image_size_px
    views = []
    for F in stations:
        cell_here.go_to(F)
        T = cell_here.camera_T_board()
        views.append(T)
        corners = projected(cell_here.cell.board.points(), T, cell_here.cell.camera)
        assert (corners > 0).all()
        assert (corners < [width - 1, height - 1]).all()
        assert np.rad2deg(np.arccos(T[2, 2])) < 50
    turns = [rotation_angle(a[:3, :3].T @ b[:3, :3]) for a in views for b in views]
    assert np.rad2deg(max(turns)) > 90
    if axes == 6:
        assert max(np.rad2deg(np.arccos(T[2, 2])) for T in views) > 25


@pytest.mark.parametrize(("mount", "axes"), CELLS)
def test_the_image_shows_the_board_where_the_flange_truly_is(mount, axes):
    arm = kinematics(cell(mount, axes).robot)
    crooked = geometry_errors(arm, 5.0, np.random.default_rng(2))
    cell_here = virtual(mount, axes, errors=RobotErrors(0.0, 0.0, crooked))
    found, corners = cv2.findChessboardCornersSB(
        cell_here.take_image(), (11, 8), flags=cv2.CALIB_CB_ACCURACY
    )
    assert found
    seen = projected(
        cell_here.cell.board.points(), cell_here.camera_T_board(), cell_here.cell.camera
    )
    errors = min((corners[:, 0] - seen, corners[::-1, 0] - seen), key=lambda e: (e**2).sum())
    assert np.sqrt((errors**2).mean()) < 0.1
    believed = cell_here.truth.camera_T_board(cell_here.believed)
    shifted = projected(cell_here.cell.board.points(), believed, cell_here.cell.camera) - seen
    assert np.abs(shifted).max() > 1.0  # px; the robot's error is in the image


def test_a_jog_ends_near_the_goal_but_not_on_it_and_a_level_flange_stays_level():
    for axes in (6, 4):
        cell_here = virtual(axes=axes)
        goal = cell_here.suggest_stations(1)[0]
        offs = []
        for _ in range(12):
            cell_here.go_to(goal)
            offs.append(displacement(cell_here.believed, goal))
        offs = np.array(offs)
        assert 1.0 < offs[:, 3:].std() < 4.0
        assert 0.1 < np.rad2deg(offs[:, 2].std()) < 1.0
        if axes == 4:
            assert np.abs(offs[:, :2]).max() < 1e-9
    cell_here.go_to(goal, exact=True)
    np.testing.assert_allclose(cell_here.believed, goal, atol=1e-6)


def test_repeatability_is_new_at_every_stop_and_geometry_always_the_same():
    goal = virtual().suggest_stations(1)[0]
    geometry = virtual().errors.geometry
    repeating = virtual(errors=RobotErrors(0.1, 0.05))
    crooked = virtual(errors=RobotErrors(0.0, 0.0, geometry))
    found = {"repeating": [], "crooked": []}
    for name, cell_here in (("repeating", repeating), ("crooked", crooked)):
        for _ in range(40):
            cell_here.go_to(goal, exact=True)
            found[name].append(displacement(cell_here.base_T_flange(), goal))
    spread = np.std(found["repeating"], axis=0)
    assert spread[3:] == pytest.approx([0.1] * 3, rel=0.35)
    assert np.rad2deg(spread[:3]) == pytest.approx([0.05] * 3, rel=0.35)
    assert np.ptp(found["crooked"], axis=0).max() < 1e-9
    assert np.linalg.norm(found["crooked"][0][3:]) > 0.05


@pytest.mark.parametrize("axes", [6, 4])
def test_drawn_robots_are_as_accurate_as_described(axes):
    robot = cell(axes=axes).robot
    arm, rng = kinematics(robot), np.random.default_rng(4)
    errors = geometry_errors(arm, 0.4, rng)
    low, high = arm.joints.limits.T
    q = low + (high - low) * np.random.default_rng(5).uniform(0.2, 0.8, (2000, arm.axes))
    off = (arm.forward(q, errors) - arm.forward(q))[:, :3, 3]
    assert np.sqrt((off**2).sum(axis=1).mean()) == pytest.approx(0.4, rel=0.1)
    drawn = robot_errors(replace(robot, accuracy_mm=0.0), rng)
    assert not drawn.geometry.any()
    assert np.sqrt(3) * drawn.position_mm == pytest.approx(robot.repeatability_mm)


def test_the_same_seed_gives_the_same_cell_again_and_another_seed_another():
    def record(seed):
        cell_here = virtual(seed=seed)
        cell_here.go_to(cell_here.suggest_stations(3)[2])
        return cell_here.pendant_pose(), cell_here.take_image()

    (pose, image), (again, image_again), (other, image_other) = record(5), record(5), record(6)
    assert pose == again
    assert (image == image_again).all()
    assert pose != other
    assert (image != image_other).any()


def test_knocked_camera_and_slipped_board_show_in_the_view_but_not_on_the_pendant():
    for mount in ("eye-to-hand", "eye-in-hand"):
        cell_here = virtual(mount)
        pose, before = cell_here.pendant_pose(), cell_here.camera_T_board()
        cell_here.move_camera(KNOCK)
        knocked = cell_here.camera_T_board()
        assert np.linalg.norm(displacement(knocked, before)[3:]) > 1.0
        np.testing.assert_allclose(
            cell_here.truth.camera, displaced(truth(mount).camera, KNOCK), atol=1e-12
        )
        slipped = displaced(cell_here.truth.board, KNOCK)
        cell_here.truth = replace(cell_here.truth, board=slipped)
        assert np.linalg.norm(displacement(cell_here.camera_T_board(), knocked)[3:]) > 1.0
        assert cell_here.pendant_pose() == pose


def test_without_a_described_robot_the_flange_stands_where_it_is_told():
    bare = replace(cell(), robot=None)
    cell_here = VirtualCell(bare, truth(), 1)
    goal = cell_here.suggest_stations(2)[1]
    cell_here.go_to(goal, exact=True)
    np.testing.assert_allclose(cell_here.base_T_flange(), goal, atol=1e-9)
    with pytest.raises(StationbookError, match="joints"):
        cell_here.pendant_joints()


def test_a_pendant_that_shows_joints_shows_joints():
    pendant = replace(
        cell().pendant, rotation="joints", labels=("J1", "J2", "J3", "J4", "J5", "J6")
    )
    cell_here = VirtualCell(replace(cell(), pendant=pendant), truth(), 1)
    assert cell_here.pendant_pose() == cell_here.pendant_joints()


def test_a_jog_beyond_a_joint_limit_ends_at_the_goal():
    cell_here = virtual()
    arm = kinematics(cell_here.cell.robot)
    goal = arm.forward(np.deg2rad([20.0, 144.99, 10.0, 10.0, 60.0, 0.0]))
    ends = []
    for _ in range(10):
        cell_here.go_to(goal)
        ends.append(np.linalg.norm(displacement(cell_here.believed, goal)[3:]))
    assert min(ends) < 1e-6
    assert max(ends) > 0.5


def test_refuses_poses_out_of_reach_and_a_truth_of_another_mount():
    cell_here = virtual()
    far = cell_here.believed.copy()
    far[0, 3] += 2000.0
    with pytest.raises(StationbookError, match="cannot stand"):
        cell_here.go_to(far)
    with pytest.raises(StationbookError, match="mount"):
        VirtualCell(cell(), truth("eye-in-hand"))


def test_a_typing_slip_swaps_two_neighbouring_digits_of_a_position_so_that_it_shows():
    typed = ("612.40", "-85.10", "410.00", "179.80", "0.40", "-90.00")
    slips = {typing_slip(typed, np.random.default_rng(seed)) for seed in range(60)}
    assert len(slips) > 1
    for slip in slips:
        changed = [k for k in range(6) if slip[k] != typed[k]]
        assert len(changed) == 1
        assert changed[0] < 3
        assert sorted(slip[changed[0]]) == sorted(typed[changed[0]])
        assert 5.0 <= abs(float(slip[changed[0]]) - float(typed[changed[0]])) <= 100.0
    assert ("612.40", "-58.10", *typed[2:]) in slips


def test_a_slip_takes_what_there_is_and_says_where_there_is_nothing_to_swap():
    assert typing_slip(("0.00", "0.00", "0.00", "0.12"), np.random.default_rng(1)) == (
        *("0.00", "0.00", "0.00"),
        "0.21",
    )
    with pytest.raises(StationbookError, match="no digits"):
        typing_slip(("0.00", "1.11"), np.random.default_rng(1))
