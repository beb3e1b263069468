"""What is said about a pose while it is typed: every check, its threshold and its exceptions."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from made_session import make_session

from engine.arrays import Array
from engine.boards.points_file import read_points
from engine.cell.cell import KeepOut
from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND, Mount
from engine.cell.session import PlannedStation, Session
from engine.checks.entry import (
    OFF_PLAN_MM,
    SMALL_MOVE_DEG,
    SMALL_MOVE_MM,
    RecordedPose,
    lost_point_findings,
    motion_findings,
    off_plan_findings,
    told_findings,
    unit_findings,
)
from engine.diagnosis.diagnose import diagnosed
from engine.findings import Finding, Level, by_cause
from engine.frames import rotation_exp, transform
from engine.pendant.entry import format_pose, pose_from_fields
from engine.pendant.settings import Pendant
from engine.robots.kinematics import kinematics
from engine.sessions.folder import open_session
from engine.steps.checking import check_session
from engine.steps.recording import examine
from engine.steps.solve import solve_session
from engine.steps.station_image import ViewDraft
from engine.steps.station_pose import examine_pose, known, predictor_for

PENDANT = Pendant("mm", "deg", "fixed-xyz", ("X", "Y", "Z", "A", "B", "C"), (2,) * 6)
HERE = transform(rotation_exp([0.1, 0.2, 0.3]), [600.0, 50.0, 300.0])


def moved(mm: float = 0.0, deg: float = 0.0) -> Array:
    turn = rotation_exp([np.radians(deg), 0.0, 0.0])
    return transform(turn @ HERE[:3, :3], HERE[:3, 3] + [mm, 0.0, 0.0])


def said(pose: Array, *recorded: Array, closing: bool = False) -> list[Finding]:
    poses = [RecordedPose(k, T) for k, T in enumerate(recorded, start=1)]
    return motion_findings(pose, poses, PENDANT, closing=closing)


def test_the_previous_pose_typed_again_is_refused() -> None:
    (found,) = said(HERE, moved(100), HERE)
    assert (found.code, found.level) == ("duplicate", Level.ERROR)
    assert "not read again" in found.message


def test_a_duplicate_of_any_earlier_station_is_refused() -> None:
    (found,) = said(HERE, HERE, moved(100), moved(200))
    assert found.code == "duplicate"
    assert "station 1" in found.message


def test_readings_of_one_stop_that_differ_by_a_digit_shown_are_duplicates() -> None:
    shown = pose_from_fields(format_pose(HERE, PENDANT), PENDANT).base_T_flange
    assert said(moved(0.01), shown)[0].code == "duplicate"
    assert said(moved(0.1), shown)[0].code == "small-move"


def test_equal_poses_are_found_across_the_wrap_of_an_angle() -> None:
    a = pose_from_fields(("600", "0", "300", "180.00", "0", "0"), PENDANT).base_T_flange
    b = pose_from_fields(("600", "0", "300", "-180.00", "0", "0"), PENDANT).base_T_flange
    assert said(a, b)[0].code == "duplicate"


def test_a_closing_station_may_return() -> None:
    assert said(HERE, HERE, moved(100), closing=True) == []


def test_a_small_move_gives_both_figures_and_the_threshold() -> None:
    (found,) = said(moved(7.0, 2.0), HERE)
    assert (found.code, found.level) == ("small-move", Level.WARNING)
    assert "7.0 mm" in found.message
    assert "2.0°" in found.message
    assert f"{SMALL_MOVE_MM:g} mm" in found.message


@pytest.mark.parametrize(
    ("mm", "deg"), [(SMALL_MOVE_MM + 0.5, 0.0), (0.0, SMALL_MOVE_DEG + 0.1), (200.0, 40.0)]
)
def test_far_or_turned_is_enough(mm: float, deg: float) -> None:
    assert said(moved(mm, deg), HERE) == []


def test_the_small_move_counts_from_the_last_station_only() -> None:
    assert said(moved(5.0), HERE, moved(300.0)) == []


def test_far_from_the_plan_is_a_note() -> None:
    assert off_plan_findings(moved(OFF_PLAN_MM - 1), HERE, 3) == []
    (found,) = off_plan_findings(moved(OFF_PLAN_MM + 1), HERE, 3)
    assert (found.code, found.level) == ("off-plan", Level.NOTE)
    assert "planned station 3" in found.message


UNITS = [  # typed position and angles, pendant's unit of length and angle, what it looks like
    ((612.4, -85.1, 410.0, 179.8, 0.4, -90.0), "mm", "deg", None),
    ((0.6124, -0.0851, 0.41, 179.8, 0.4, -90.0), "mm", "deg", "metres"),
    ((24.11, -3.35, 16.14, 179.8, 0.4, -90.0), "mm", "deg", "inches"),
    ((612.4, -85.1, 410.0, 179.8, 0.4, -90.0), "m", "deg", "mm"),
    ((0.6124, -0.0851, 0.41, 179.8, 0.4, -90.0), "m", "deg", None),
    ((612.4, -85.1, 410.0, 179.8, 0.4, -90.0), "in", "deg", "mm"),
    ((612.4, -85.1, 410.0, 3.138, 0.007, -1.571), "mm", "deg", "radians"),
    ((612.4, -85.1, 410.0, 179.8, 0.4, -90.0), "mm", "rad", "degrees"),
    ((612.4, -85.1, 410.0, 3.138, 0.007, -1.571), "mm", "rad", None),
    ((612.4, -85.1, 410.0, 0.2, 0.4, -0.5), "mm", "deg", None),  # a level flange is no radian
]


@pytest.mark.parametrize(("values", "length", "angle", "looks_like"), UNITS)
def test_values_betray_the_unit(
    values: tuple[float, ...], length: str, angle: str, looks_like: str | None
) -> None:
    pendant = replace(PENDANT, length_unit=length, angle_unit=angle)  # type: ignore[arg-type]
    found = unit_findings(values, [str(v) for v in values], pendant)
    assert [f.message for f in found if f"looks like {looks_like}" in f.message] == [
        f.message for f in found
    ]
    assert bool(found) is (looks_like is not None)


@pytest.fixture(scope="module", params=[EYE_TO_HAND, EYE_IN_HAND])
def made(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Session, Session, Path]:
    """Make a session of nine stations, and the whole one of twelve to take more from."""
    mount: Mount = request.param
    folder = tmp_path_factory.mktemp(mount) / "session"
    make_session(folder, 12, mount)
    every = open_session(folder)
    return replace(every, stations=every.stations[:9]), every, folder


def line(session: Session, station: int) -> str:
    found = session.station(station)
    assert found is not None
    return " ".join(found.pose or ())


def view(every: Session, folder: Path, station: int) -> ViewDraft:
    found = every.station(station)
    assert found is not None
    ids, pixels, *_ = read_points(folder / str(found.points), every.cell.board)
    return ViewDraft((), point_ids=ids, pixels=pixels)


def verdict(
    made: tuple[Session, Session, Path], text: str, image: int, **options: object
) -> list[str]:
    session, every, folder = made
    pose = replace(examine_pose(session, text), **options)  # type: ignore[arg-type]
    draft = examine(session, folder, pose, view(every, folder, image))
    return [f.code for f in draft.findings if f.level is not Level.NOTE]


def test_good_stations_pass(made: tuple[Session, Session, Path]) -> None:
    for station in (10, 11, 12):
        assert verdict(made, line(made[1], station), station) == []


def test_a_mistyped_digit_is_questioned_and_named(made: tuple[Session, Session, Path]) -> None:
    session, every, folder = made
    fields = line(every, 11).split()
    meant, fields[2] = fields[2], f"{float(fields[2]) + 20.0:.2f}"
    pose = examine_pose(session, " ".join(fields))
    draft = examine(session, folder, pose, view(every, folder, 11))
    said = [f for f in draft.findings if f.code == "does-not-fit"]
    assert [(f.field, f.typed) for f in said] == [("Z", fields[2])]
    assert float(said[0].suggested or "nan") == pytest.approx(float(meant), abs=1.5)


def test_an_image_that_did_not_change_is_told(made: tuple[Session, Session, Path]) -> None:
    assert "same-image" in verdict(made, line(made[1], 10), 9)


def test_an_earlier_image_does_not_fit(made: tuple[Session, Session, Path]) -> None:
    assert verdict(made, line(made[1], 10), 4) == ["does-not-fit"]


def test_a_retaken_station_is_not_compared_with_itself(
    made: tuple[Session, Session, Path],
) -> None:
    session, every, folder = made
    pose = examine_pose(session, line(every, 5), earlier=known(session, retake=5))
    draft = examine(session, folder, pose, view(every, folder, 5))
    assert [f.code for f in draft.findings if f.level is not Level.NOTE] == []


def test_a_move_counts_from_the_stop_that_the_robot_came_from(
    made: tuple[Session, Session, Path],
) -> None:
    session = made[0]
    again = replace(session.existing(3), taken="2026-11-25T10:00:00+01:00")
    session = session.with_station(again)
    little = [*line(session, 3).split()]
    little[0] = f"{float(little[0]) + 9.0:.2f}"

    def said(**about: int) -> list[str]:
        found = examine_pose(session, " ".join(little), earlier=known(session, **about)).findings
        return [f"{f.code} {f.station or ''}" for f in found if "small" in f.code]

    assert said() == said(retake=8) != []
    assert said(retake=3) == said(correct=3) == said(correct=4) == []
    same = examine_pose(session, line(session, 7), earlier=known(session, correct=2)).findings
    assert same[0].message == "The same pose is already recorded as station 7."


def test_out_of_reach_and_limits_name_what_is_wrong(made: tuple[Session, Session, Path]) -> None:
    session = made[0]
    far = line(session, 2).split()
    far[0] = "2612.40"
    assert "reach" in [f.code for f in examine_pose(session, " ".join(far)).findings]
    robot = session.cell.robot
    assert robot is not None
    tight = replace(robot, limits=((-1.0, 1.0), *robot.limits[1:]))
    narrow = replace(session, cell=replace(session.cell, robot=tight), stations=())
    wide = [s for s in session.stations if abs(turn_of_first_joint(session, s.pose or ())) > 3.0]
    found = examine_pose(narrow, " ".join(wide[0].pose or ())).findings
    assert [f.code for f in found if f.level is Level.ERROR] == ["joint-limit"]
    assert "J1" in found[0].message


@pytest.mark.parametrize(("around_mm", "said"), [(60.0, ["keep-out"]), (15.0, [])])
def test_a_pose_inside_a_box_to_keep_out_of_is_asked_about(
    made: tuple[Session, Session, Path], around_mm: float, said: list[str]
) -> None:
    session = made[0]
    x, y, z = (float(text) for text in (session.stations[1].pose or ())[:3])
    r = around_mm
    box = KeepOut("conveyor", (x - r, y - r, z - r), (x + r, y + r, z + r))
    boxed = replace(session, cell=replace(session.cell, keep_out=(box,)), stations=())
    found = examine_pose(boxed, line(session, 2)).findings
    assert [f.code for f in found if f.level is Level.WARNING] == said
    assert not said or "60 mm inside conveyor" in found[0].message
    assert [f.code for f in check_session(boxed, made[2])].count("keep-out") == 0
    at_two = replace(boxed, stations=session.stations[1:2])
    assert [f.code for f in check_session(at_two, made[2])].count("keep-out") == len(said)


def turn_of_first_joint(session: Session, fields: tuple[str, ...]) -> float:
    assert session.cell.robot is not None
    pose = pose_from_fields(fields, session.cell.pendant).base_T_flange
    postures = kinematics(session.cell.robot).branches(pose)
    return float(np.degrees(postures[:, 0][np.abs(postures[:, 0]).argmin()]))


def test_three_refusals_in_a_row_question_the_robot_file(
    made: tuple[Session, Session, Path],
) -> None:
    session = made[0]
    doubted = [replace(s, accepted=("reach",)) for s in session.stations[-2:]]
    stations = (*session.stations[:-2], *doubted)
    far = line(session, 2).split()
    far[0] = "2612.40"
    found = examine_pose(replace(session, stations=stations), " ".join(far)).findings
    assert any("robot file is in doubt" in f.message for f in found)
    once = examine_pose(session, " ".join(far)).findings
    assert not any("robot file is in doubt" in f.message for f in once)


def test_typed_joints_are_held_against_the_typed_pose(
    made: tuple[Session, Session, Path],
) -> None:
    session = made[0]
    assert session.cell.robot is not None
    arm = kinematics(session.cell.robot)
    pose = pose_from_fields(session.stations[0].pose or (), session.cell.pendant).base_T_flange
    shown = np.degrees(arm.branches(pose)[0])
    good = " ".join(f"{v:.3f}" for v in shown)
    alone = replace(session, stations=())
    text = line(session, 1)
    codes = [f.code for f in examine_pose(alone, text, good).findings]
    assert "joints-disagree" not in codes
    shown[1] += 3.0
    bad = " ".join(f"{v:.3f}" for v in shown)
    assert "joints-disagree" in [f.code for f in examine_pose(alone, text, bad).findings]


def test_the_nearest_planned_station_is_the_one_compared(
    made: tuple[Session, Session, Path],
) -> None:
    session, every, _ = made
    planned = [PlannedStation(pose=every.stations[k].pose) for k in (9, 10)]
    with_plan = replace(session, plan=tuple(planned))
    notes = [f.code for f in examine_pose(with_plan, line(every, 11)).findings]
    assert "off-plan" not in notes
    found = examine_pose(with_plan, line(every, 12)).findings
    assert "off-plan" in [f.code for f in found]


def test_the_verdict_costs_a_fraction_of_a_solve(
    made: tuple[Session, Session, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A ratio holds on a busy machine too."""
    monkeypatch.setattr("engine.steps.solve.diagnosed", diagnosed)  # worked out each time
    session, every, folder = made
    predictor_for(session, folder)
    seen = [view(every, folder, k) for k in (10, 11, 12)]
    lines = [line(every, k) for k in (10, 11, 12)]

    def entered(k: int) -> None:
        pose = examine_pose(session, lines[k % 3])
        examine(session, folder, pose, seen[k % 3])

    spent = sorted(seconds(entered, k) for k in range(15))
    solve = sorted(seconds(lambda _: solve_session(session, folder), k) for k in range(5))
    assert spent[7] < 0.4 * solve[2]


def seconds(work: object, k: int) -> float:
    start = time.perf_counter()
    work(k)  # type: ignore[operator]
    return time.perf_counter() - start


# ---- beside the moves that were told -------------------------------------------------------------


def told(pose: Array, *goals: Array) -> list[Finding]:
    fields = format_pose(pose, PENDANT)
    return told_lines(fields, *goals)


def told_lines(fields: tuple[str, ...], *goals: Array) -> list[Finding]:
    moves = {
        number: pose_from_fields(format_pose(goal, PENDANT), PENDANT)
        for number, goal in enumerate(goals, start=1)
    }
    return told_findings(pose_from_fields(fields, PENDANT), PENDANT, moves)


def test_a_pose_equal_to_a_told_one_in_every_digit_is_asked_about() -> None:
    (found,) = told(HERE, moved(200), HERE)
    assert (found.code, found.level) == ("copied-pose", Level.WARNING)
    assert "planned station 2" in found.message
    assert told(moved(0.01), moved(200), HERE) == []
    fewer = tuple(f"{float(text):.1f}" for text in format_pose(HERE, PENDANT))
    assert told_lines(fewer, HERE)[0].code == "copied-pose"
    off = (f"{float(fewer[0]) + 0.1:.1f}", *fewer[1:])
    whole = tuple(f"{float(text):.0f}" for text in fewer)  # where a jog of whole steps may end
    assert [told_lines(fields, HERE) for fields in (off, whole)] == [[], []]


def test_a_lost_sign_is_named_where_only_it_leads_to_the_told_move() -> None:
    fields = list(format_pose(moved(1.5), PENDANT))
    fields[1] = f"-{fields[1]}"
    (found,) = told_lines(tuple(fields), HERE)
    assert (found.code, found.field, found.typed) == ("lost-sign", "Y", fields[1])
    assert found.suggested == fields[1][1:]
    assert told(moved(300), HERE) == []  # elsewhere on purpose: no sign explains it


@pytest.mark.parametrize("field", [0, 1, 2])
def test_a_lost_point_is_named_where_only_it_leads_to_the_told_move(field: int) -> None:
    fields = list(format_pose(moved(1.5), PENDANT))
    right = fields[field]
    fields[field] = right.replace(".", "")
    found = told_lines(tuple(fields), HERE)
    assert [item.code for item in found] == ["lost-point"]
    assert (found[0].field, found[0].suggested) == (PENDANT.labels[field], right)


def test_radians_in_degree_fields_are_named_beside_the_told_move() -> None:
    tilted = transform(rotation_exp([2.0, 0.5, 1.0]), HERE[:3, 3])
    assert told(tilted, tilted @ transform(np.eye(3), [5.0, 0.0, 0.0])) == []
    fields = list(format_pose(tilted, PENDANT))
    fields[3:] = [f"{np.radians(float(text)):.4f}" for text in fields[3:]]
    (found,) = told_lines(tuple(fields), tilted)
    assert found.code == "unit"
    assert "radians" in found.message


@pytest.mark.parametrize(
    ("typed", "suggested"), [("6228", "62.28"), ("-17990", "-179.90"), ("1799", "17.99")]
)
def test_an_angle_of_many_turns_is_told_with_the_point_put_in(typed: str, suggested: str) -> None:
    fields = ("600.00", "50.00", "300.00", "10.00", typed, "0.00")
    values = tuple(map(float, fields))
    (found,) = lost_point_findings(values, fields, PENDANT)
    assert (found.code, found.field, found.suggested) == ("lost-point", "B", suggested)
    assert lost_point_findings((600.0, 50.0, 300.0, 10.0, -359.9, 0.0), fields, PENDANT) == []


def test_the_cause_is_said_before_what_follows_from_it(made: tuple[Session, Session, Path]) -> None:
    fields = line(made[0], 2).split()
    fields[4] = "6228"
    fields[0] = "2612.40"
    found = by_cause(examine_pose(made[0], " ".join(fields)).findings)
    assert [item.code for item in found[:2]] == ["lost-point", "reach"]
