"""Taught points stay where they are, unless they are fixed to the camera's own frame."""

from __future__ import annotations

import csv
import shutil
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from command import answer, refused, stationbook
from later_session import make_later, refuse
from made_session import make_session

from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND
from engine.frames import displaced, displacement, inverse
from engine.pendant.entry import pose_from_fields
from engine.proof.compare import TaughtPoint, carried, read_taught, taught_text
from engine.sessions.changes import Who, commit, remark
from engine.sessions.folder import open_session
from engine.sessions.journal import OVERTAKEN
from engine.simulate.scenario import cell, truth

SHIFT = np.array([0.004, 0.0, 0.003, 3.0, 0.0, -4.0])
PENDANT = cell().pendant
HEAD = ",".join(("name", "fixed_to", *PENDANT.labels))
POSE = ("600.00", "20.00", "310.00", "-178.00", "3.00", "12.00")


@pytest.fixture(scope="module")
def sessions(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, Path]:
    folder = tmp_path_factory.mktemp("shift")
    make_session(folder / "old", 8)
    make_later(folder / "same", 8)
    make_later(folder / "new", 8, shift=SHIFT)
    paths = folder / "old", folder / "same", folder / "new"
    assert stationbook("solve", *paths, "--jobs", 1).returncode in (0, 1)
    return paths


def points_file(folder: Path, *rows: tuple[str, str]) -> Path:
    path = folder / "taught.csv"
    lines = [HEAD, *(",".join((name, fixed, *POSE)) for name, fixed in rows)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_default_shifts_nothing_and_says_so(sessions: tuple[Path, Path, Path]) -> None:
    found = answer("shift", sessions[2])
    assert found["points"] == []
    assert "stay right" in found["findings"][0]["message"]


def test_points_fixed_to_the_base_stay_to_the_letter(
    sessions: tuple[Path, Path, Path], tmp_path: Path
) -> None:
    path = points_file(tmp_path, ("pick", "base"), ("place", "other"))
    found = answer("shift", sessions[2], "--points", path)
    assert all(p["after"] == list(POSE) and not p["shifted"] for p in found["points"])


def test_points_fixed_to_the_camera_are_carried_over(
    sessions: tuple[Path, Path, Path], tmp_path: Path
) -> None:
    path = points_file(tmp_path, ("pick", "base"), ("rack on the camera's frame", "camera"))
    out = tmp_path / "after.csv"
    words = ("shift", sessions[2], "--points", path, "--against", sessions[0])
    found = answer(*words, "--out", out)
    stays, goes = found["points"]
    assert stays["after"] == list(POSE)
    assert goes["reduced_speed_first"] is True
    moved = pose_from_fields(goes["after"], PENDANT).base_T_flange
    camera = truth().camera
    true = (
        displaced(camera, SHIFT) @ inverse(camera) @ pose_from_fields(POSE, PENDANT).base_T_flange
    )
    assert np.linalg.norm(displacement(moved, true)[3:]) <= 1.5
    assert np.linalg.norm(displacement(moved, true)[3:]) < 0.5 * goes["distance_mm"]
    text = out.read_text(encoding="utf-8")
    for said in ("# proven by touch points: not yet", "# Drive to every carried point first"):
        assert said in text
    rows = list(csv.reader(line for line in text.splitlines() if line[0] != "#"))
    assert [p.name for p in read_taught(out, PENDANT)] == ["pick", "rack on the camera's frame"]
    assert rows[1][2:] == list(POSE)
    assert rows[2][2:] == goes["after"]
    run = stationbook(*words)
    assert "REDUCED SPEED" in run.stdout
    assert "nobody else inside" in run.stdout


def test_points_carried_by_a_result_that_is_not_accepted_say_so(
    sessions: tuple[Path, Path, Path], tmp_path: Path
) -> None:
    new = shutil.copytree(sessions[2], tmp_path / "new")
    session = open_session(new)
    commit(new, remark(OVERTAKEN, session, new, {"by": "later", "moved": True}),
           Who(None, datetime(2026, 11, 25, tzinfo=UTC)))  # fmt: skip
    path, out = points_file(tmp_path, ("rack", "camera")), tmp_path / "after.csv"
    found = answer("shift", new, "--points", path, "--against", sessions[0], "--out", out)
    said = next(item for item in found["findings"] if item["code"] == "shift-not-accepted")
    assert "The camera moved after this result" in said["message"]
    assert "# result: not accepted" in out.read_text(encoding="utf-8")


def test_points_carried_over_from_a_result_that_is_not_accepted_say_so(
    sessions: tuple[Path, Path, Path], tmp_path: Path
) -> None:
    old = shutil.copytree(sessions[0], tmp_path / "old")
    refuse(old)
    path = points_file(tmp_path, ("rack", "camera"))
    found = answer("shift", sessions[2], "--points", path, "--against", old)
    said = next(item for item in found["findings"] if item["code"] == "shift-not-accepted")
    assert said["message"].endswith("from a result that is not accepted: U is too large.")


def test_movement_within_chance_shifts_nothing(
    sessions: tuple[Path, Path, Path], tmp_path: Path
) -> None:
    path, out = points_file(tmp_path, ("rack", "camera")), tmp_path / "after.csv"
    words = ("shift", sessions[1], "--points", path, "--against", sessions[0], "--out", out)
    found = answer(*words, status=1)
    assert found["findings"][0]["code"] == "shift-doubtful"
    assert found["points"][0]["after"] == list(POSE)
    assert not out.exists()


def test_bad_files_are_refused_by_line(sessions: tuple[Path, Path, Path], tmp_path: Path) -> None:
    path = points_file(tmp_path, ("rack", "camera"))
    assert "--against" in refused("shift", sessions[2], "--points", path)
    path.write_text(f"{HEAD}\nrack,frame,{','.join(POSE)}\n", encoding="utf-8")
    assert "line 2" in refused("shift", sessions[2], "--points", path)
    path.write_text("name,X\n", encoding="utf-8")
    assert "header" in refused("shift", sessions[2], "--points", path)
    path.write_text(f"{HEAD}\nrack,camera,1,2\n", encoding="utf-8")
    assert "expected 8 values" in refused("shift", sessions[2], "--points", path)
    path.write_text(f"{HEAD}\nrack,camera,1,2\n".replace(",", ";"), encoding="utf-8")
    assert "semicolons" in refused("shift", sessions[2], "--points", path)


def test_camera_on_the_flange_stands_again_where_it_stood() -> None:
    old = truth(EYE_IN_HAND).camera
    new = displaced(old, SHIFT)
    (found,) = carried([TaughtPoint("look", "camera", POSE)], old, new, EYE_IN_HAND, PENDANT)
    before = pose_from_fields(POSE, PENDANT).base_T_flange @ old
    after = pose_from_fields(found.after, PENDANT).base_T_flange @ new
    assert np.abs(displacement(after, before)[3:]).max() <= 0.05  # two decimals of mm and degrees


def test_written_points_are_read_back(tmp_path: Path) -> None:
    points = (TaughtPoint("a, with a comma", "base", POSE), TaughtPoint("b", "camera", POSE))
    found = carried(points, np.eye(4), np.eye(4), EYE_TO_HAND, PENDANT)
    path = tmp_path / "points.csv"
    path.write_text(taught_text(found, PENDANT.labels), encoding="utf-8")
    assert [p.name for p in read_taught(path, PENDANT)] == ["a, with a comma", "b"]
    assert read_taught(path, PENDANT)[0].fields == POSE
