"""Stops with joints and pose: a wrong tool, frame or robot file, by name and by value.

The controller is the PUMA 560 of the robotics toolbox (Corke), whose kinematics are its own; tool
and frame are set with pytransform3d. The program knows only the digits that the pendant shows.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from command import answer, stationbook
from made_session import make_session
from pytransform3d import rotations as pr
from pytransform3d import transformations as pt
from robots_samples import SCARA, puma_from_toolbox, puma_spherical

from engine.arrays import Array
from engine.cell.cell import Cell
from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND, Mount
from engine.cell.session import Session, Station
from engine.cell.stations import station_pose
from engine.checks.shown import Comparison, compared, comparison_findings, stops_of
from engine.findings import Finding, Level
from engine.frames import displacement
from engine.pendant.conventions import active_places
from engine.pendant.entry import format_place
from engine.pendant.settings import BASE, FLANGE, Active, Pendant
from engine.plans.types import Wish
from engine.robots.kinematics import kinematics
from engine.robots.model import Robot
from engine.sessions.folder import open_session, session_text
from engine.simulate.scenario import cell
from engine.steps.correcting import fix
from engine.steps.planning import plan_session
from engine.steps.solve import Solved, solve_session, told_or_shown
from engine.steps.station_pose import examine_pose, known

ACCURACY_MM = 0.4
LOW, HIGH = [-100, -60, -60, -90, 20, -120], [100, 60, 60, 90, 90, 120]  # deg; every joint moves
TOLD = (Active("T3", ("12.50", "-30.00", "145.00", "10.00", "-25.00", "60.00")),
        Active("F5", ("600.00", "-120.00", "85.00", "2.00", "-3.00", "88.00")))  # fmt: skip


@cache
def puma() -> Robot:
    return replace(puma_spherical(puma_from_toolbox()), accuracy_mm=ACCURACY_MM)


@cache
def postures(count: int) -> tuple[Array, Array]:
    """Return joints (count, 6) [deg, as shown] and the toolbox's base_T_flange (count, 4, 4)."""
    rng = np.random.default_rng(5)
    q = np.round(rng.uniform(LOW, HIGH, (count, 6)), 2)
    K = puma_from_toolbox().fkine(np.radians(q))
    K[:, :3, 3] *= 1000.0
    return q, K


def moved(rng: np.random.Generator, mm: float, deg: float) -> Array:
    """Return a transform with a shift and a turn of these sizes, in any direction."""
    axis, shift = (v / np.linalg.norm(v) for v in rng.normal(size=(2, 3)))
    R = pr.matrix_from_axis_angle([*axis, np.radians(deg)])
    return np.asarray(pt.transform_from(R, mm * shift))


def a_cell(told: bool, robot: Robot | None = None, mount: Mount = EYE_TO_HAND) -> Cell:
    here = cell(mount)
    pendant = here.pendant
    if told:
        pendant = replace(pendant, active_tool=TOLD[0], active_frame=TOLD[1])
    return replace(here, robot=robot or puma(), pendant=pendant)


def typed(pendant: Pendant, K: Array, q: Array, T: Array, F: Array) -> tuple[Station, ...]:
    """Return stations as the pendant shows them with tool ``T`` and frame ``F`` active."""
    plain = replace(pendant, active_tool=FLANGE, active_frame=BASE)
    return tuple(
        Station(k, format_place(pt.invert_transform(F) @ pose @ T, plain),
                tuple(f"{value:.2f}" for value in joints))
        for k, (pose, joints) in enumerate(zip(K, q, strict=True), start=1)
    )  # fmt: skip


def drawn(kind: str, seed: int, count: int = 2) -> tuple[Cell, Comparison, Array, Array]:
    """Return cell, what ``count`` stops say, and the true tool and frame."""
    rng = np.random.default_rng(seed)
    here = a_cell(bool(seed % 2))
    F, T = active_places(here.pendant)
    off = moved(rng, 10 ** rng.uniform(0.7, 2.3), rng.choice([0.0, 10 ** rng.uniform(0.0, 1.8)]))
    T, F = (T @ off if kind == "tool" else T), (F @ off if kind == "frame" else F)
    q, K = postures(80)
    at = [(count * seed + k) % 80 for k in range(count)]
    if kind == "robot":
        here = replace(here, robot=wrong_robot(rng))
    found = compared(here, stops_of(here, typed(here.pendant, K[at], q[at], T, F)))
    assert found is not None
    return here, found, T, F


def wrong_robot(rng: np.random.Generator) -> Robot:
    """Return the robot with one number of its file wrong: a length, a joint zero, a direction."""
    robot, way = puma(), int(rng.integers(3))
    if way == 0:
        key = str(rng.choice(["a1", "c2", "c3", "a2"]))
        longer = robot.geometry_mm[key] + rng.choice([-1, 1]) * rng.uniform(20.0, 80.0)
        return replace(robot, geometry_mm={**robot.geometry_mm, key: float(longer)})
    joint = int(rng.integers(1, 5))
    if way == 1:
        zeros = list(robot.offsets_deg or (0.0,) * 6)
        zeros[joint] += float(rng.choice([-90.0, -10.0, -5.0, 5.0, 10.0, 90.0]))
        return replace(robot, offsets_deg=tuple(zeros))
    ways = list(robot.directions or (1,) * 6)
    ways[joint] *= -1
    return replace(robot, directions=tuple(ways))


@pytest.mark.parametrize("kind", ["tool", "frame"])
def test_two_stops_tell_a_wrong_tool_from_a_wrong_frame_and_give_its_values(kind: str) -> None:
    right = 0
    for seed in range(20):
        _, found, T, F = drawn(kind, seed)
        fits = found.tool if kind == "tool" else found.frame
        if found.kind != kind or fits is None:
            continue
        off = displacement(fits, T if kind == "tool" else F)
        right += bool(np.linalg.norm(off[3:]) < 1.0 and np.degrees(np.linalg.norm(off[:3])) < 0.1)
    assert right >= 19  # 95 %; both are 40 of 40 at seeds 0 to 39


def test_a_wrong_robot_file_is_named_and_so_is_what_of_it_is_wrong() -> None:
    kinds = Counter(drawn("robot", seed, count=3)[1].kind for seed in range(20))
    assert kinds["part"] + kinds["robot"] >= 19
    assert kinds["part"] >= 18


@pytest.mark.parametrize(("key", "kind"), [("c1", "frame"), ("c4", "tool")])
def test_a_length_that_looks_like_a_tool_or_a_frame_is_said_beside_it(key: str, kind: str) -> None:
    robot, own = puma(), np.eye(4)
    long = replace(robot, geometry_mm={**robot.geometry_mm, key: robot.geometry_mm[key] + 10.0})
    here = a_cell(False, long)
    q, K = postures(2)
    found = compared(here, stops_of(here, typed(here.pendant, K, q, own, own)))
    (said,) = comparison_findings(here, found)
    assert f"fit another {kind} than" in said.message
    assert f"a robot file with {key} " in said.message
    told = float(said.message.split(f"{key} ")[1].split()[0])
    assert told == pytest.approx(robot.geometry_mm[key], abs=0.2)


def test_a_right_cell_is_shown_by_its_stops() -> None:
    kinds = Counter(drawn("right", seed, count=1 + seed % 3)[1].kind for seed in range(40))
    assert kinds == {"shown": 40}


def test_one_stop_shows_that_something_is_wrong_and_what_either_would_be() -> None:
    _, found, T, _ = drawn("tool", 0, count=1)
    assert found.kind == "either"
    assert found.tool is not None
    assert np.linalg.norm(displacement(found.tool, T)[3:]) < 1.5


def test_tool_and_frame_both_wrong_take_a_third_stop() -> None:
    rng, here = np.random.default_rng(1), a_cell(False)
    T, F = moved(rng, 120.0, 20.0), moved(rng, 500.0, 40.0)
    q, K = postures(80)
    kinds = []
    for count in (2, 3):
        stops = stops_of(here, typed(here.pendant, K[:count], q[:count], T, F))
        found = compared(here, stops)
        assert found is not None
        kinds.append(found.kind)
    assert kinds == ["several", "both"]
    assert found.tool is not None
    assert found.frame is not None
    assert np.linalg.norm(displacement(found.tool, T)[3:]) < 1.5
    assert np.linalg.norm(displacement(found.frame, F)[3:]) < 3.0


def test_a_digit_mistyped_at_one_of_three_stops_is_that_stop_s() -> None:
    here, (q, K) = a_cell(False), postures(80)
    stations = list(typed(here.pendant, K[:3], q[:3], np.eye(4), np.eye(4)))
    slipped = list(stations[1].pose or ())
    slipped[1] = f"{float(slipped[1]) + 36.0:.2f}"
    stations[1] = replace(stations[1], pose=tuple(slipped))
    found = compared(here, stops_of(here, stations))
    assert found is not None
    assert (found.kind, found.stops) == ("stations", ("station 2",))
    assert found.distance_mm == pytest.approx(36.0, abs=1.0)


@pytest.mark.parametrize("kind", ["tool", "frame"])
def test_another_tool_or_frame_at_some_stops_is_named_with_what_it_is(kind: str) -> None:
    rng, here, (q, K) = np.random.default_rng(4), a_cell(True), postures(80)
    F, T = active_places(here.pendant)
    off = moved(rng, 60.0, 20.0)
    other = (T @ off, F) if kind == "tool" else (T, F @ off)
    for later, active in ((1, "either"), (2, kind)):
        before = typed(here.pendant, K[:3], q[:3], T, F)[: 4 - later]
        stations = (*before, *typed(here.pendant, K[:5], q[:5], *other)[5 - later :])
        found = compared(here, stops_of(here, stations))
        assert found is not None
        assert (found.kind, found.active, len(found.stops)) == ("stations", active, later)
        (said,) = comparison_findings(here, found)
        assert (said.field, said.suggested) == (None, None)  # for these stops, not for the cell
        place = found.tool if kind == "tool" else found.frame
        assert place is not None
        assert np.linalg.norm(displacement(place, other[kind == "frame"])[3:]) < 1.5
    assert found.distance_mm == pytest.approx(60.0, abs=2.0)
    assert found.angle_deg == pytest.approx(20.0, abs=0.1)


def test_less_than_the_arm_is_accurate_to_is_no_error() -> None:
    rng, here, (q, K) = np.random.default_rng(2), a_cell(False), postures(80)
    stations = typed(here.pendant, K[:3], q[:3], moved(rng, 0.3, 0.0), np.eye(4))
    found = compared(here, stops_of(here, stations))
    assert found is not None
    assert found.kind == "shown"


def test_what_would_be_typed_is_said_in_the_pendant_s_form() -> None:
    here, (q, K) = a_cell(False), postures(80)
    plain = here.pendant
    T = pt.transform_from(np.eye(3), [0.0, 0.0, 120.0])
    found = compared(here, stops_of(here, typed(plain, K[:2], q[:2], T, np.eye(4))))
    (said,) = comparison_findings(here, found)
    assert (said.code, said.level, said.stations) == ("joints-disagree", Level.WARNING, (1, 2))
    assert said.suggested is not None
    values = [float(word) for word in said.suggested.split()[1::2]]
    assert said.suggested.split()[::2] == list(plain.labels)
    np.testing.assert_allclose(values, [0, 0, 120, 0, 0, 0], atol=1.0)
    assert "120.0 mm" in said.message


def test_a_four_axis_arm_tells_a_tool_from_a_frame_but_not_along_its_axis() -> None:
    here = cell(EYE_TO_HAND, 4)
    arm = kinematics(replace(SCARA, accuracy_mm=0.2))
    here = replace(here, robot=arm.robot)
    q = np.array([[10.0, 40.0, -80.0, 20.0], [-50.0, 90.0, -120.0, 110.0]])
    K = arm.forward(np.where(arm.joints.turning, np.radians(q), q))
    K = K @ np.diag([1.0, -1.0, -1.0, 1.0])  # its pendant has the flange point down
    for shift, kind in (((40.0, 15.0, 0.0), "tool"), ((0.0, 0.0, 30.0), "either")):
        T = pt.transform_from(np.eye(3), shift)
        plain = here.pendant
        stations = tuple(
            Station(k, format_place(pose @ T, plain), tuple(f"{v:.2f}" for v in joints))
            for k, (pose, joints) in enumerate(zip(K, q, strict=True), start=1)
        )
        found = compared(here, stops_of(here, stations))
        assert found is not None
        assert found.kind == kind


# ---- in a session -------------------------------------------------------------------------------


def session_with(
    folder: Path, mount: Mount, *, tool: Array, frame: Array, joints: tuple[int, ...]
) -> Session:
    """Write a session typed with another tool and frame active than the cell says."""
    make_session(folder, 8, mount)
    session = open_session(folder)
    arm = kinematics(session.cell.robot) if session.cell.robot else None
    assert arm is not None
    stations, before = [], None
    for station in session.stations:
        pose = station_pose(session.cell, station)
        assert pose is not None
        ways = arm.branches(pose)
        before = ways[0] if before is None else ways[np.abs(ways - before).sum(axis=1).argmin()]
        shown = format_place(pt.invert_transform(frame) @ pose @ tool, session.cell.pendant)
        texts = tuple(f"{v:.2f}" for v in np.degrees(before))
        beside = texts if station.id in joints else None
        stations.append(replace(station, pose=shown, joints=beside))
    made = replace(session, stations=tuple(stations))
    (folder / "session.yaml").write_text(session_text(made), encoding="utf-8")
    return made


def solved_with(
    folder: Path, mount: Mount, *, tool: Array, frame: Array, joints: tuple[int, ...]
) -> Solved:
    session = session_with(folder, mount, tool=tool, frame=frame, joints=joints)
    return solve_session(session, folder)


def named(solved: Solved, code: str) -> list[Finding]:
    return [item for item in solved.stored.findings if item.code == code]


@pytest.mark.parametrize("mount", [EYE_TO_HAND, EYE_IN_HAND])
@pytest.mark.parametrize("wrong", ["tool", "frame"])
def test_a_session_with_a_wrong_tool_or_frame_is_not_accepted(
    tmp_path: Path, mount: Mount, wrong: str
) -> None:
    off = pt.transform_from(pr.matrix_from_axis_angle([0, 0, 1, 0.2]), [30.0, -10.0, 90.0])
    own = np.eye(4)
    tool, frame = (off, own) if wrong == "tool" else (own, off)
    solved = solved_with(tmp_path, mount, tool=tool, frame=frame, joints=(1, 8))
    assert solved.stored.verdict == "not-accepted"
    (said,) = named(solved, "joints-disagree")
    assert said.level is Level.ERROR
    assert said.stations == (1, 8)
    assert f"another {wrong} than" in said.message
    values = [float(word) for word in (said.suggested or "").split()[1::2]]
    np.testing.assert_allclose(values[:3], off[:3, 3], atol=1.0)
    assert solved.stored.frames is not None
    assert solved.stored.frames.how == "as told, not shown"


@pytest.mark.parametrize("shown", [False, True])
def test_a_plan_asks_for_joints_until_a_stop_has_shown_tool_and_frame(
    tmp_path: Path, shown: bool
) -> None:
    own = np.eye(4)
    session_with(tmp_path, EYE_TO_HAND, tool=own, frame=own, joints=(4,) if shown else ())
    found = answer("plan", tmp_path, "--count", 1, "--no-write")
    assert [item["code"] for item in found["findings"]] == ([] if shown else ["frames-told"])
    said = stationbook("plan", tmp_path, "--count", 1, "--no-write").stdout
    assert ("as told, not shown" in said) is ("record --joints" in said) is not shown


@pytest.mark.parametrize("wrong", ["tool", "frame"])
def test_beside_a_wrong_tool_or_frame_no_consequence_and_no_move_is_told(
    tmp_path: Path, wrong: str
) -> None:
    off = pt.transform_from(pr.matrix_from_axis_angle([0, 0, 1, 0.5]), [300.0, -200.0, 150.0])
    own = np.eye(4)
    tool, frame = (off, own) if wrong == "tool" else (own, off)
    session = session_with(tmp_path, EYE_TO_HAND, tool=tool, frame=frame, joints=(1, 8))
    said = {item.code for item in solve_session(session, tmp_path).stored.findings}
    assert "joints-disagree" in said
    assert not said & {"overruled", "tolerance", "weak-direction", "what-helps", "unobservable"}
    plan = plan_session(session, tmp_path, Wish(count=3))
    assert plan.steps == ()
    assert "joints-disagree" in plan.notes[0]
    assert plan.cautions
    alone = replace(session, stations=session.stations[:1])  # before there is a result
    assert plan_session(alone, tmp_path, Wish(count=3)).steps == ()
    right = session_with(tmp_path / "right", EYE_TO_HAND, tool=own, frame=own, joints=(1, 8))
    assert plan_session(right, tmp_path / "right", Wish(count=3)).steps


def test_the_tool_that_fits_can_be_taken_and_then_the_result_is_right(tmp_path: Path) -> None:
    own, off = np.eye(4), pt.transform_from(np.eye(3), [30.0, -10.0, 90.0])
    right = solved_with(tmp_path / "right", EYE_IN_HAND, tool=own, frame=own, joints=(1, 8))
    folder = tmp_path / "wrong"
    session = session_with(folder, EYE_IN_HAND, tool=off, frame=own, joints=(1, 8))
    change, what = fix(session, folder, "joints-disagree", None)
    assert what.startswith("pendant.active_tool: flange → X ")
    assert change.session.stations == session.stations  # as typed; only read otherwise
    solved = solve_session(change.session, folder)
    assert named(solved, "joints-disagree") == []
    assert solved.stored.frames is not None
    assert solved.stored.frames.shown == ("station 1", "station 8")
    away = displacement(right.result.camera, solved.result.camera)
    assert np.linalg.norm(away[3:]) < 1.0


def test_a_wrong_convention_is_not_blamed_on_tool_frame_or_robot_file(tmp_path: Path) -> None:
    own = np.eye(4)
    session = session_with(tmp_path, EYE_TO_HAND, tool=own, frame=own, joints=(1, 8))
    pendant = replace(session.cell.pendant, rotation="moving-zyx")
    read = replace(session, cell=replace(session.cell, pendant=pendant))
    causes = [
        f.code for f in solve_session(read, tmp_path).stored.findings if f.level is Level.ERROR
    ]
    assert causes == ["rotation-convention"]


def test_a_session_says_whether_its_tool_and_frame_are_shown(tmp_path: Path) -> None:
    own = np.eye(4)
    told = solved_with(tmp_path / "a", EYE_TO_HAND, tool=own, frame=own, joints=())
    assert [f.level for f in named(told, "frames-told")] == [Level.NOTE]
    assert told.document()["frames"] == {"tool": "flange", "frame": "base", "shown": []}
    shown = solved_with(tmp_path / "b", EYE_TO_HAND, tool=own, frame=own, joints=(1,))
    assert named(shown, "frames-told") == []
    assert shown.document()["frames"]["shown"] == ["station 1"]
    assert shown.stored.accepted == told.stored.accepted


def test_under_a_flange_that_points_down_a_tool_is_believed_once_joints_have_shown_it() -> None:
    made = cell(EYE_TO_HAND, 4)
    tool = Active("T2", ("0.00", "0.00", "-120.00", "0.00"))
    low = Active("T3", ("0.00", "0.00", "-0.20", "0.00"))  # less than a quarter of the tolerance

    def said(pendant: Pendant, here: Cell = made) -> list[tuple[Level, str]]:
        _, found = told_or_shown(replace(here, pendant=pendant), None)
        return [(item.level, item.message) for item in found if "taken to point up" in item.message]

    hanging = replace(made.pendant, active_tool=tool)
    ((level, message),) = said(hanging)
    assert level is Level.ERROR
    assert "240.0 mm" in message
    assert [level for level, _ in said(hanging, replace(made, robot=None))] == [Level.WARNING]
    assert said(replace(hanging, flange_down=False)) == []
    assert said(replace(hanging, active_tool=low)) == said(made.pendant) == []
    shown = Comparison("shown", ("station 1",), 0.0, 0.0)
    assert told_or_shown(replace(made, pendant=hanging), shown)[1] == []


def test_joints_are_asked_for_at_the_first_stop_only(tmp_path: Path) -> None:
    own = np.eye(4)
    session = session_with(tmp_path, EYE_TO_HAND, tool=own, frame=own, joints=(1,))
    first = session.stations[0]
    empty = replace(session, stations=())
    pose, joints = " ".join(first.pose or ()), " ".join(first.joints or ())
    assert "frames-told" in [f.code for f in examine_pose(empty, pose).findings]
    assert "frames-told" not in [f.code for f in examine_pose(empty, pose, joints).findings]
    second = " ".join(session.stations[1].pose or ())
    after = replace(session, stations=(first,))
    assert "frames-told" not in [f.code for f in examine_pose(after, second).findings]
    assert len(known(after).stops) == 1


# ---- overruled limits ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("joint", "high", "joints", "count", "level"), [
        (1, 70.0, (), 1, Level.WARNING), (2, -60.0, (), 6, Level.ERROR),
        (2, -60.0, (1, 8), 6, Level.WARNING), (1, 145.0, (), 0, None)],
)  # fmt: skip
@pytest.mark.parametrize("accepted", [(), ("joint-limit",)])
def test_broken_limits_are_in_the_verdict_whoever_accepted_them(
    tmp_path: Path,
    joint: int,
    high: float,
    joints: tuple[int, ...],
    count: int,
    level: Level | None,
    accepted: tuple[str, ...],
) -> None:
    """With the limits right, what was accepted against others says nothing more."""
    own = np.eye(4)
    session = session_with(tmp_path, EYE_TO_HAND, tool=own, frame=own, joints=joints)
    robot = session.cell.robot
    assert robot is not None
    limits = list(robot.limits or ())
    limits[joint] = (limits[joint][0], high)
    narrow = replace(session.cell, robot=replace(robot, limits=tuple(limits)))
    stations = tuple(replace(s, accepted=accepted) for s in session.stations)
    session = replace(session, stations=stations, cell=narrow)
    (tmp_path / "session.yaml").write_text(session_text(session), encoding="utf-8")
    solved = solve_session(session, tmp_path)
    assert [item.level for item in named(solved, "overruled")] == ([] if level is None else [level])
    assert all(f"{count} of 8" in item.message for item in named(solved, "overruled"))
    assert (solved.stored.verdict == "not-accepted") is (level is Level.ERROR)
    levels = [item.level for item in solved.stored.findings]
    assert levels == sorted(levels, key=[Level.ERROR, Level.WARNING, Level.NOTE].index)


def test_joints_typed_alone_beyond_a_limit_question_zeros_and_limits(tmp_path: Path) -> None:
    own = np.eye(4)
    session = session_with(tmp_path, EYE_TO_HAND, tool=own, frame=own, joints=tuple(range(1, 9)))
    robot, pendant = session.cell.robot, session.cell.pendant
    assert robot is not None
    pendant = replace(
        pendant, rotation="joints", labels=("J1", "J2", "J3", "J4", "J5", "J6"), decimals=(2,) * 6
    )
    robot = replace(robot, limits=((-160.0, -150.0), *(robot.limits or ())[1:]))
    stations = tuple(replace(s, pose=None) for s in session.stations)
    here = replace(session.cell, pendant=pendant, robot=robot)
    solved = solve_session(replace(session, stations=stations, cell=here), tmp_path)
    (item,) = named(solved, "overruled")
    assert item.level is Level.ERROR
    assert "zeros" in item.remedy
    assert "pose" not in item.remedy
