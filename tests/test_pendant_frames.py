"""Poses typed in an active tool and frame, held against pytransform3d's transforms.

The matrices of a pose, a tool and a frame are made with pytransform3d; base_T_flange is then
base_T_frame · frame_T_tool · (flange_T_tool)⁻¹, the meaning of "active" on every pendant (common
practice, no source).
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from files_samples import CELL
from made_session import make_session
from pendant_cases import pendant
from pytransform3d import rotations as pr
from pytransform3d import transformations as pt

from engine.arrays import Array
from engine.cell.cell import WorkVolume
from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND, Mount
from engine.cell.session import Station
from engine.cell.stations import layout, numbers, station_pose
from engine.errors import FileError, PoseError
from engine.pendant.entry import format_pose, parse_active, parse_pose, rounding
from engine.pendant.settings import BASE, FLANGE, Active, Pendant
from engine.plans.types import Wish
from engine.proof.compare import TaughtPoint, carried
from engine.report.exports import pendant_fields
from engine.sessions.cell_file import cell_document, read_cell
from engine.sessions.folder import open_session, session_text
from engine.simulate.scenario import cell
from engine.steps.planning import plan_session
from engine.steps.solve import solve_session
from engine.steps.starting import Answers, answer_questions

TOOL = Active("T3", ("12.5", "-30", "145", "10", "-25", "60"))
FRAME = Active("F5", ("600", "-120", "85", "2", "-3", "88"))
TYPED = ("110.20", "45.70", "210.40", "170.0", "12.0", "-35.0")


def reference(fields: tuple[str, ...], moving: bool) -> Array:
    """Return the transform of six fields in degrees by pytransform3d: xyz, fixed or moving zyx."""
    x, y, z, a, b, c = map(float, fields)
    axes = (2, 1, 0) if moving else (0, 1, 2)
    R = pr.matrix_from_euler(np.radians([a, b, c]), *axes, not moving)
    return np.asarray(pt.transform_from(R, [x, y, z]))


@pytest.mark.parametrize("moving", [False, True])
@pytest.mark.parametrize("tool", [FLANGE, TOOL])
@pytest.mark.parametrize("frame", [BASE, FRAME])
def test_a_typed_pose_becomes_the_flange_in_the_base(
    moving: bool, tool: Active, frame: Active
) -> None:
    shown = pendant("moving-zyx" if moving else "fixed-xyz", decimals=6)
    shown = replace(shown, active_tool=tool, active_frame=frame)
    T, F = (np.eye(4) if one.pose is None else reference(one.pose, moving) for one in (tool, frame))
    expected = F @ reference(TYPED, moving) @ pt.invert_transform(T)
    typed = parse_pose(" ".join(TYPED), shown)
    np.testing.assert_allclose(typed.base_T_flange, expected, atol=1e-9)
    fields = layout(shown, None).poses(numbers(typed.fields))[0]
    np.testing.assert_allclose(fields, expected, atol=1e-9)
    here = replace(cell(EYE_TO_HAND), pendant=shown)
    np.testing.assert_allclose(station_pose(here, Station(1, TYPED)), expected, atol=1e-9)
    back = format_pose(expected, shown, near=TYPED)
    np.testing.assert_allclose(np.array(back, float), np.array(TYPED, float), atol=1e-5)


def test_values_are_read_in_the_units_and_convention_of_the_pendant() -> None:
    shown = pendant("quaternion-wxyz", length_unit="m", decimals=6)
    half = (np.sqrt(0.5), 0.0, 0.0, np.sqrt(0.5))  # a quarter turn about z
    values = tuple(f"{v:.9f}" for v in (0.1, 0.0, 0.2, *half))
    shown = replace(shown, active_tool=Active("T1", values))
    pose = parse_pose("0.5 0 0.3 1 0 0 0", shown).base_T_flange
    quarter = pt.transform_from(pr.matrix_from_quaternion(half), [100.0, 0.0, 200.0])
    expected = pt.transform_from(np.eye(3), [500.0, 0.0, 300.0]) @ pt.invert_transform(quarter)
    np.testing.assert_allclose(pose, expected, atol=1e-6)


def test_a_tool_of_a_four_axis_pendant_hangs_below_a_flange_that_points_down() -> None:
    shown = replace(
        pendant("yaw", flange_down=True), active_tool=Active("T1", ("50", "0", "-80", "0"))
    )
    pose = parse_pose("400 100 200 90", shown).base_T_flange
    np.testing.assert_allclose(pose[:3, 3], [400.0, 50.0, 280.0], atol=1e-9)
    assert pose[2, 2] == pytest.approx(-1.0)
    assert format_pose(pose, shown) == ("400.00", "100.00", "200.00", "90.00")


def test_rounding_of_an_angle_swings_the_flange_about_the_tool() -> None:
    plain, turned = rounding(pendant()), rounding(replace(pendant(), active_tool=TOOL))
    u_turn = np.radians(0.01) / np.sqrt(12.0)
    far = float(np.linalg.norm([12.5, -30.0, 145.0]))
    assert turned[1] == plain[1]
    assert turned[0] ** 2 - plain[0] ** 2 == pytest.approx(2 / 3 * (far * u_turn) ** 2)


# ---- cell files and the questions at the start --------------------------------------------------


def _read(tmp_path: Path, **pendant_keys: Any) -> Any:
    document = yaml.safe_load(CELL)
    document["pendant"] |= pendant_keys
    (tmp_path / "cell.yaml").write_text(yaml.safe_dump(document), encoding="utf-8")
    return read_cell(tmp_path / "cell.yaml")


def test_values_in_a_cell_are_read_and_written_again(tmp_path: Path) -> None:
    named = {"name": "T3", "pose": list(TOOL.pose or ())}
    read = _read(tmp_path, active_tool=named)
    assert (read.pendant.active_tool, read.pendant.active_frame) == (TOOL, BASE)
    (tmp_path / "again.yaml").write_text(yaml.safe_dump(cell_document(read)), encoding="utf-8")
    assert read_cell(tmp_path / "again.yaml") == read


@pytest.mark.parametrize(("key", "own"), [("active_tool", "flange"), ("active_frame", "base")])
def test_a_name_alone_is_refused_with_the_remedy(tmp_path: Path, key: str, own: str) -> None:
    with pytest.raises(FileError) as caught:
        _read(tmp_path, **{key: "gripper 2"})
    assert caught.value.key == f"pendant.{key}"
    assert caught.value.line is not None
    assert own in caught.value.remedy
    assert f"{key}: {{name: gripper 2, pose: [..]}}" in caught.value.remedy


@pytest.mark.parametrize(
    "wrong",
    [{"name": "T3"}, {"name": "T3", "pose": ["1", "2"]}, {"name": "T3", "pose": ["x"] * 6}, ["T3"],
     {"name": "T3", "pose": ["0"] * 6, "mass": 3}],
)  # fmt: skip
def test_values_that_are_none_are_refused_at_their_key(tmp_path: Path, wrong: Any) -> None:
    with pytest.raises(FileError) as caught:
        _read(tmp_path, active_tool=wrong)
    assert (caught.value.key or "").startswith("pendant.active_tool")


def test_values_make_no_sense_where_joints_are_typed(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="joints, which no tool or frame changes"):
        _read(tmp_path, rotation="joints", labels=[], decimals=[],
              active_frame={"name": "F5", "pose": ["0"] * 6})  # fmt: skip


def test_an_answer_at_the_start_names_a_tool_and_its_values(tmp_path: Path) -> None:
    make_session(tmp_path / "session", 1)
    session = open_session(tmp_path / "session")
    answers = Answers("A. Example", "T3: X 0 Y 0 Z 120.5 A 0 B 0 C 90", "Base", True, 20.0, True)
    made = answer_questions(session, answers).session.cell.pendant
    assert made.active_tool == Active("T3", ("0", "0", "120.5", "0", "0", "90"))
    assert made.active_frame == BASE
    for text in ("T3", "T3:", "T3: 1 2", "T3: 1 2 3 4 5 6 7"):
        with pytest.raises(PoseError):
            answer_questions(session, replace(answers, active_tool=text))
    with pytest.raises(PoseError, match="alone does not say where"):
        parse_active("table", BASE, session.cell.pendant)


# ---- one way for every pose ---------------------------------------------------------------------


def _both(folder: Path, mount: Mount) -> tuple[Path, Path]:
    """Write the same eight stops twice: as flange in the base, and in a tool and a frame."""
    make_session(folder / "plain", 8, mount)
    make_session(folder / "framed", 8, mount)
    session = open_session(folder / "framed")
    fine = replace(session.cell.pendant, decimals=(6,) * 6)
    shown = replace(fine, active_tool=TOOL, active_frame=FRAME)
    typed = [
        replace(s, pose=format_pose(station_pose(session.cell, s), shown)) for s in session.stations
    ]
    alike = replace(session, cell=replace(session.cell, pendant=fine))
    moved = replace(session, cell=replace(session.cell, pendant=shown), stations=tuple(typed))
    for name, written in (("plain", alike), ("framed", moved)):
        (folder / name / "session.yaml").write_text(session_text(written), encoding="utf-8")
    return folder / "plain", folder / "framed"


@pytest.mark.parametrize("mount", [EYE_TO_HAND, EYE_IN_HAND])
def test_a_session_in_a_tool_and_frame_gives_the_result_of_flange_and_base(
    tmp_path: Path, mount: Mount
) -> None:
    plain, framed = _both(tmp_path, mount)
    first, second = (solve_session(open_session(folder), folder) for folder in (plain, framed))
    np.testing.assert_allclose(second.result.camera, first.result.camera, atol=0.002)
    assert [f.code for f in second.result.findings] == [f.code for f in first.result.findings]
    session = open_session(framed)
    plan = plan_session(session, framed, Wish(count=2))
    assert plan.steps
    for step in plan.steps:
        F, T = reference(FRAME.pose or (), False), reference(TOOL.pose or (), False)
        flange = F @ reference(step.pose, False) @ pt.invert_transform(T)
        np.testing.assert_allclose(flange, step.base_T_flange, atol=1e-3)


def test_a_taught_point_is_carried_in_the_tool_and_frame_it_was_taught_in() -> None:
    shown = replace(pendant(decimals=6), active_tool=TOOL, active_frame=FRAME)
    old = pt.transform_from(np.eye(3), [800.0, 0.0, 500.0])
    turn = pr.matrix_from_axis_angle([0.0, 0.0, 1.0, np.radians(2.0)])
    new = pt.transform_from(turn, [810.0, 5.0, 500.0])
    (found,) = carried([TaughtPoint("pick", "camera", TYPED)], old, new, EYE_TO_HAND, shown)
    F, S = reference(FRAME.pose or (), False), reference(TYPED, False)
    expected = pt.invert_transform(F) @ new @ pt.invert_transform(old) @ F @ S
    np.testing.assert_allclose(reference(found.after, False), expected, atol=1e-5)


def test_an_exported_frame_is_written_in_the_base_and_not_in_the_active_frame() -> None:
    shown = replace(pendant(decimals=6), active_tool=TOOL, active_frame=FRAME)
    T = reference(("700", "10", "900", "180", "0", "90"), False)
    fields = pendant_fields(T, shown)
    np.testing.assert_allclose(reference(fields, False), T, atol=1e-5)


def test_an_approach_is_given_as_the_pendant_shows_it() -> None:
    from engine.estimate.pick import approach

    here = cell(EYE_TO_HAND)
    shown = replace(here.pendant, active_tool=TOOL, active_frame=FRAME)
    volume = WorkVolume("base", (600, 0, 250), (400, 300, 200), TYPED[3:])

    class Told:
        work_volume, pendant = volume, shown

    R = approach(Told(), np.eye(4)[None])  # type: ignore[arg-type]
    T, F = reference(TOOL.pose or (), False), reference(FRAME.pose or (), False)
    np.testing.assert_allclose(R, F[:3, :3] @ reference(TYPED, False)[:3, :3] @ T[:3, :3].T,
                               atol=1e-9)  # fmt: skip


def test_near_the_origin_of_a_frame_no_unit_is_suspected() -> None:
    from engine.checks.entry import unit_findings

    values, fields = (4.0, 2.0, 1.0, 180.0, 0.0, 0.0), ("4", "2", "1", "180", "0", "0")
    plain: Pendant = pendant()
    assert [f.code for f in unit_findings(values, fields, plain)] == ["unit"]
    assert unit_findings(values, fields, replace(plain, active_frame=FRAME)) == []


@pytest.mark.parametrize("count", [1, 8])
def test_a_jog_ends_where_the_plan_says_when_it_turns_about_the_tip_of_the_tool(
    tmp_path: Path, count: int
) -> None:
    """Follow the told legs by hand: pytransform3d turns the tool about its own tip, base axes."""
    _, framed = _both(tmp_path, EYE_TO_HAND)
    session = open_session(framed)
    session = replace(session, stations=session.stations[:count])
    plan = plan_session(session, framed, Wish(count=2))
    last = station_pose(session.cell, session.stations[-1])
    assert last is not None
    T = reference(TOOL.pose or (), False)
    turned = False
    for step in plan.steps:
        tip = last @ T
        for leg in step.jog.replace("−", "-").split(", "):
            words = leg.split()
            if words[0] == "turn":
                turned = True
                axis = "XYZ".index(words[-1])
                angle = np.radians(float(words[1].rstrip("°")))
                tip[:3, :3] = pr.active_matrix_from_angle(axis, angle) @ tip[:3, :3]
            else:
                tip["XYZ".index(words[1]), 3] += float(words[2])
        off = step.base_T_flange @ T @ pt.invert_transform(tip)
        assert np.degrees(np.arccos(min(1.0, (np.trace(off[:3, :3]) - 1) / 2))) < 1.8  # 3 × 0.5°
        assert np.linalg.norm((step.base_T_flange @ T)[:3, 3] - tip[:3, 3]) < 1.0  # 3 × 0.5 mm
        last = step.base_T_flange
    assert turned
