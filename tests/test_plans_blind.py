"""The first moves: small, and with the board in view wherever the camera is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from plan_world import World, world
from told_jogs import entered, way

from engine.cell.cell import EYE_IN_HAND, EYE_TO_HAND, KeepOut, Mount
from engine.cell.stations import Observation
from engine.frames import displacement, rotation_angle, rotation_exp, transform
from engine.pendant.conventions import from_matrix, to_matrix
from engine.plans.plan import make_plan
from engine.plans.plausible import arrangements
from engine.plans.types import Wish

MOUNTS = (EYE_TO_HAND, EYE_IN_HAND)


@pytest.mark.parametrize("mount", MOUNTS)
@pytest.mark.parametrize("axes", [6, 4])
@pytest.mark.parametrize("seed", [0, 1])
def test_first_moves_are_small_jogs_that_keep_the_board_in_view(
    mount: Mount, axes: int, seed: int
) -> None:
    made = world(mount, seed, axes)
    plan = made.plan()
    here = made.stations[0].base_T_flange
    assert len(plan.steps) == 3
    for step in plan.steps:
        assert step.by == "jog"
        assert step.planned().pose is None
        move = displacement(step.base_T_flange, here)
        assert np.linalg.norm(move[3:]) <= 100.1
        assert np.degrees(np.linalg.norm(move[:3])) <= 20.1
        if axes == 4:
            assert np.abs(move[:2]).max() < 1e-3
        here = step.base_T_flange
        made.stop(step.base_T_flange)
    assert made.lost == 0
    assert made.unreached == 0


@pytest.mark.parametrize("mount", MOUNTS)
def test_moves_grow_once_the_second_station_tells_where_the_camera_is(mount: Mount) -> None:
    made = world(mount, 1)
    made.follow(4)
    typed = np.array([item.base_T_flange for item in made.stations])
    turns = rotation_angle(typed[1:, :3, :3] @ np.swapaxes(typed[:-1, :3, :3], 1, 2))
    assert made.lost == 0
    assert np.degrees(turns[1:].max()) > 7.0
    assert made.plan().steps[0].by == "pose"


def test_a_jog_does_what_its_words_say() -> None:
    made = world(EYE_TO_HAND, 4)
    plans = [made.plan()]
    made.follow(4)
    plans.append(made.plan(Wish(count=6)))
    here = [world(EYE_TO_HAND, 4).stations[0].base_T_flange, made.stations[-1].base_T_flange]
    for start, plan in zip(here, plans, strict=True):
        pose = start
        for step in plan.steps:
            off = displacement(way(pose, step.jog)[-1], step.base_T_flange)
            assert np.abs(off[3:]).max() < 0.6  # rounded to 1 mm and 1°
            assert np.degrees(np.linalg.norm(off[:3])) < 1.6
            pose = step.base_T_flange


@pytest.mark.parametrize("read_as", ["fixed-zyx", "moving-zyz"])
def test_no_pose_is_told_while_the_angles_are_read_wrong(read_as: str) -> None:
    made = world(EYE_TO_HAND, 4)
    made.follow(5)
    wrong = replace(made.cell.pendant, rotation=read_as)
    cell = replace(made.cell, pendant=wrong, robot=None)
    misread = [_misread(made, item, wrong) for item in made.stations]
    for count in (3, 4, 5):
        plan = make_plan(cell, misread[:count])
        assert all(step.by == "jog" for step in plan.steps)
        assert all(step.planned().pose is None for step in plan.steps)


def _misread(made: World, seen: Observation, wrong: object) -> Observation:
    angles = from_matrix(seen.base_T_flange[:3, :3], made.cell.pendant)
    pose = transform(to_matrix(angles, wrong), seen.base_T_flange[:3, 3])
    return replace(seen, base_T_flange=pose)


def test_no_pose_is_told_while_lengths_are_read_in_the_wrong_unit() -> None:
    made = world(EYE_IN_HAND, 1)
    made.follow(5)
    misread = [
        replace(
            item,
            base_T_flange=transform(item.base_T_flange[:3, :3], item.base_T_flange[:3, 3] / 25.4),
        )
        for item in made.stations
    ]
    plan = make_plan(replace(made.cell, robot=None), misread)
    assert {step.by for step in plan.steps} <= {"jog"}


@pytest.mark.parametrize("mount", MOUNTS)
def test_arrangements_hold_the_truth_and_tighten_with_stations(mount: Mount) -> None:
    made = world(mount, 1)
    made.follow(4)
    typed = np.array([item.base_T_flange for item in made.stations])
    views = np.array([made.view(pose) for pose in typed])
    carried = made.board if mount == EYE_TO_HAND else made.camera
    spread = []
    for count in (1, 2, 4):
        known = arrangements(mount, typed[:count], views[:count])
        off = np.linalg.norm(known.carried[:, :3, 3] - carried[:3, 3], axis=1)
        spread.append(float(np.median(off)))
        expected = known.views(typed[:1])[0]
        assert known.agree
        assert np.abs(expected[:, :3, 3] - views[0][:3, 3]).max() < 30.0
    assert spread[2] < 0.5 * spread[0]


def test_stations_that_contradict_each_other_are_told() -> None:
    made = world(EYE_TO_HAND, 7)
    made.follow(2)
    first, second = made.stations
    turned = second.base_T_flange.copy()
    turned[:3, :3] = rotation_exp([0.0, 0.0, 1.0]) @ turned[:3, :3]
    plan = make_plan(made.cell, [first, replace(second, base_T_flange=turned)])
    assert any("do not fit together" in note for note in plan.notes)


@pytest.mark.parametrize("mount", [EYE_TO_HAND, EYE_IN_HAND])
def test_from_inside_a_box_no_jog_is_told_and_the_box_is_named(mount: Mount) -> None:
    made = world(mount, 8)
    here = made.stations[0].base_T_flange[:3, 3]
    box = KeepOut("cabinet", tuple(here - 400.0), tuple(here + 400.0))
    plan = make_plan(replace(made.cell, keep_out=(box,)), made.stations, Wish(count=3))
    assert plan.steps == ()
    assert any("flange stands in cabinet" in note for note in plan.notes)


def test_first_moves_keep_the_flange_out_of_boxes_and_ask_to_watch_the_board() -> None:
    free = world(EYE_TO_HAND, 8)
    free.follow(2)
    here, there = free.stations[1].base_T_flange, free.plan(Wish(count=1)).steps[0].base_T_flange
    assert np.linalg.norm(there[:3, 3] - here[:3, 3]) > 45.0  # far enough for a box on the way
    half = 0.5 * (here[:3, 3] + there[:3, 3])
    box = KeepOut("post", tuple(half - 2.0), tuple(half + 2.0))
    kept = make_plan(replace(free.cell, keep_out=(box,)), free.stations, Wish(count=3))
    assert any("post" in note and "watch" in note for note in kept.notes)
    assert len(kept.steps) > 0
    start = here
    for step in kept.steps:
        assert not entered(way(start, step.jog), np.zeros((1, 3)), (box,))
        start = step.base_T_flange


def test_a_plan_without_poses_says_why() -> None:
    made = world(EYE_TO_HAND, 4)
    made.follow(4)
    plan = make_plan(made.cell, made.stations, Wish(count=2, close=True), doubted=True)
    assert {step.by for step in plan.steps} == {"jog"}
    assert any("do not confirm yet" in note for note in plan.notes)
    assert any("closing stop" in note for note in plan.notes)
