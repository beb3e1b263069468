"""The first moves: small, and with the board in view wherever the camera is."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from plan_world import World, world
from scipy.spatial.transform import Rotation
from told_jogs import entered, way

from engine.boards.detect import detect
from engine.boards.pattern import Board
from engine.camera.model import Camera
from engine.cell.cell import KeepOut, Rough, RoughPlace
from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND, Mount
from engine.cell.stations import Observation
from engine.frames import apply, displacement, rotation_angle, rotation_exp, transform
from engine.images.quality import look, quality_findings
from engine.pendant.conventions import from_matrix, to_matrix
from engine.plans.blind import TO_THE_MIDDLE
from engine.plans.plan import make_plan
from engine.plans.plausible import arrangements
from engine.plans.types import Wish
from engine.plans.way import CLEAR_MM
from engine.simulate.render import render

MOUNTS = (EYE_TO_HAND, EYE_IN_HAND)


@pytest.mark.parametrize("size", [(640, 480), (2592, 1944)])
@pytest.mark.parametrize(
    "board",
    [
        Board("chessboard", 11, 8, 20.0),
        Board("chessboard", 7, 5, 20.0),
        Board("circles", 7, 7, 20.0, diameter_mm=10.0),
        Board("charuco", 8, 5, 20.0, dictionary="DICT_4X4_50", marker_mm=15.0),
    ],
    ids=["large", "small", "circles", "charuco"],
)
def test_a_first_stop_made_as_told_is_not_seen_too_small(
    board: Board, size: tuple[int, int]
) -> None:
    told = int(TO_THE_MIDDLE.partition(" %")[0].rpartition(" ")[2]) / 100
    told *= 0.93  # by eye
    points, focal = board.points(), 1.2 * size[0]
    away = focal * (np.ptp(points[:, 0]) + 2 * board.pitch_mm) / (told * size[0])
    matrix = ((focal, 0.0, size[0] / 2), (0.0, focal, size[1] / 2), (0.0, 0.0, 1.0))
    camera = Camera("own", size, matrix, (0.0,) * 5)
    view = transform(np.eye(3), [0.0, 0.0, away] - points.mean(axis=0))
    image = render(board, camera, view)
    report = look(image, detect(image, board, camera), board, camera)
    assert report.found == board.count
    codes = [item.code for item in quality_findings(report, board, camera, "image")]
    assert "seen-small" not in codes


def test_the_share_that_a_first_stop_fills_is_told_alike_on_every_page() -> None:
    share = re.search(r"about \d+ % of its width", TO_THE_MIDDLE)
    assert share is not None
    docs = Path(__file__).parent.parent / "docs"
    assert share[0] in " ".join((docs / "plans.md").read_text(encoding="utf-8").split())
    for page in [docs.parent / "README.md", *docs.glob("*.md")]:
        text = " ".join(page.read_text(encoding="utf-8").split())
        for other in re.findall(r"about (?:\d+ %|half|a third) of its width", text):
            assert other == share[0], page.name


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
        assert np.abs(expected[:, :3, 3] - views[0][:3, 3]).max() < 40.0
    assert spread[2] < 0.5 * spread[0]


def test_stations_that_contradict_each_other_are_told() -> None:
    made = world(EYE_TO_HAND, 7)
    made.follow(2)
    first, second = made.stations
    turned = second.base_T_flange.copy()
    turned[:3, :3] = rotation_exp([0.0, 0.0, 1.0]) @ turned[:3, :3]
    plan = make_plan(made.cell, [first, replace(second, base_T_flange=turned)])
    assert "do not fit together" in plan.steps[0].beware
    assert plan.steps[0].planned().beware == plan.steps[0].beware


@pytest.mark.parametrize("mount", [EYE_TO_HAND, EYE_IN_HAND])
def test_from_inside_a_box_no_jog_is_told_and_the_box_is_named(mount: Mount) -> None:
    made = world(mount, 8)
    here = made.stations[0].base_T_flange[:3, 3]
    box = KeepOut("cabinet", tuple(here - 400.0), tuple(here + 400.0))
    plan = make_plan(replace(made.cell, keep_out=(box,)), made.stations, Wish(count=3))
    assert plan.steps == ()
    assert any("flange is in cabinet" in note for note in plan.notes)


def tray(made: World, gap_mm: float) -> KeepOut:
    """Return a box below what moves at the last stop, ``gap_mm`` from it and 30 from the flange."""
    points = apply(made.stations[-1].base_T_flange, made.carried())
    x, y, _ = points[0]
    top = min(points[0, 2] - 30.0, points[1:, 2].min() - gap_mm)
    return KeepOut("tray", (x - 300.0, y - 300.0, top - 50.0), (x + 300.0, y + 300.0, top))


@pytest.mark.parametrize("mount", MOUNTS)
def test_no_jog_is_told_while_what_rides_on_the_flange_may_be_near_a_box(mount: Mount) -> None:
    made = world(mount, 8)
    near = replace(made.cell, keep_out=(tray(made, 5.0),))
    plan = make_plan(near, made.stations)
    assert plan.steps == ()
    assert any("By sight, well clear of tray" in note for note in plan.notes)
    assert "rough places would tell more" in plan.notes[-1]
    camera, board = (
        RoughPlace(tuple(T[:3, 3]), tuple(Rotation.from_matrix(T[:3, :3]).as_quat()))
        for T in (made.camera, made.board)
    )
    rough = Rough(camera, board)
    plan = make_plan(replace(near, rough=rough), made.stations)
    assert plan.notes[-1].startswith("By sight, well clear of tray")
    assert "rough" not in plan.notes[-1]
    boxes = (tray(made, 130.0),)
    plan = make_plan(replace(made.cell, keep_out=boxes, rough=rough), made.stations)
    assert len(plan.steps) == 3
    here = made.stations[0].base_T_flange
    for step in plan.steps:
        assert not entered(way(here, step.jog), made.carried(), boxes)
        here = step.base_T_flange


def test_a_board_near_a_box_is_led_into_none_though_its_height_is_not_known() -> None:
    made = world(EYE_TO_HAND, 1, 4)
    made.follow(4)
    boxes = (tray(made, 8.0),)
    plan = make_plan(replace(made.cell, keep_out=boxes), made.stations, Wish(count=4))
    assert len(plan.steps) == 4
    here = made.stations[-1].base_T_flange
    for step in plan.steps:
        assert step.by == "pose"
        assert not entered(way(here, step.jog, step.base_T_flange), made.carried(), boxes)
        here = step.base_T_flange


def test_a_plan_without_poses_says_why() -> None:
    made = world(EYE_TO_HAND, 4)
    made.follow(4)
    plan = make_plan(made.cell, made.stations, Wish(count=2, close=True), doubted=True)
    assert {step.by for step in plan.steps} == {"jog"}
    assert any("do not confirm yet" in note for note in plan.notes)
    assert any("closing stop" in note for note in plan.notes)


def test_what_rides_stays_farther_from_boxes_by_what_its_place_may_be_off() -> None:
    made = world(EYE_IN_HAND, 8)
    made.follow(4)
    here = made.stations[-1].base_T_flange
    x, y, z = apply(here, made.solved().geometric[None, :3, 3])[0]
    for gap_mm, told in ((CLEAR_MM + 1.0, set()), (CLEAR_MM + 50.0, {"pose"})):
        low = y + gap_mm if y > here[1, 3] else y - gap_mm - 60.0  # not on the flange's side
        post = KeepOut("post", (x - 30.0, low, z - 30.0), (x + 30.0, low + 60.0, z + 30.0))
        plan = make_plan(replace(made.cell, keep_out=(post,)), made.stations, Wish(count=2))
        assert {step.by for step in plan.steps} == told


def test_while_the_place_on_the_flange_is_doubted_the_plan_says_so_where_it_finds_nothing() -> None:
    made = world(EYE_IN_HAND, 5)
    made.follow(3)
    moved = [apply(stop.base_T_flange, made.carried()) for stop in made.stations]
    low, high = np.min(moved, axis=(0, 1)) - 25.0, np.max(moved, axis=(0, 1)) + 25.0
    walls = []
    for k, side in enumerate(np.eye(3, dtype=bool)):  # nothing has room but what was recorded
        walls.append(KeepOut(f"low {k}", (-3e3,) * 3, tuple(np.where(side, low, 3e3))))
        walls.append(KeepOut(f"high {k}", tuple(np.where(side, high, -3e3)), (3e3,) * 3))
    plan = make_plan(replace(made.cell, keep_out=tuple(walls)), made.stations)
    assert plan.steps == ()
    assert "What rides on the flange is known to 44 mm as yet" in plan.notes[-1]


def test_a_jog_on_which_what_rides_may_come_below_the_floor_says_so(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    made = world(EYE_TO_HAND, 0)
    (stop,) = made.stations
    start = stop.base_T_flange.copy()
    start[2, 3] -= apply(start, made.carried())[:, 2].min() - 10.0  # so high is the board
    cell = replace(made.cell, robot=None)

    def only(height_mm: float) -> str:
        up = transform(np.eye(3), [0.0, 0.0, height_mm])
        monkeypatch.setattr("engine.plans.blind.menu", lambda present, *_: (up @ present)[None])
        plan = make_plan(cell, [replace(stop, base_T_flange=start)], Wish(count=1))
        return plan.steps[0].beware

    assert "the board may come below base Z 0 mm on the way" in only(-25.0)
    assert "below" not in only(25.0)
