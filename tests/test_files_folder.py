"""A session folder from its creation to the numbers that the estimator works on."""

from __future__ import annotations

import errno
import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import yaml
from files_samples import CELL, NOW, POSE, SCARA, demo_cell, refusal, with_new_station, write_cell

from engine.cell.cell import Cell
from engine.cell.session import Session, Station
from engine.errors import FileError
from engine.files import sha256
from engine.pendant.entry import pose_from_fields
from engine.robots.kinematics import kinematics
from engine.sessions import store
from engine.sessions.changes import Change, Who, commit
from engine.sessions.folder import open_session
from engine.sessions.journal import read_journal, unfinished
from engine.sessions.lock import holder
from engine.sessions.numbers import observations, stored_points
from engine.steps.starting import create_session

POINTS = "id,u_px,v_px\n" + "".join(f"{k},{100 + k}.25,{200 + k}.5\n" for k in range(88))
TYPED = {"typed": list(POSE)}
WHO = Who("A. Example", NOW)


def content(folder: Path) -> dict[str, bytes]:
    files = (path for path in folder.rglob("*") if path.is_file() and path.name != ".lock")
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in files}


@pytest.fixture
def started(tmp_path: Path) -> tuple[Path, Session]:
    folder = tmp_path / "sessions/first"
    cell_path = write_cell(tmp_path)
    return folder, create_session(cell_path, folder, "first", "A. Example", now=NOW)


def test_a_new_session_opens_as_it_was_made(started: tuple[Path, Session]) -> None:
    folder, session = started
    assert open_session(folder) == session
    assert (session.name, session.operator, session.created) == (
        "first",
        "A. Example",
        NOW.isoformat(),
    )
    assert [line["action"] for line in read_journal(folder)] == ["start"]
    assert unfinished(folder) == []
    assert holder(folder) is None


def test_a_second_session_in_one_folder_is_refused(
    tmp_path: Path, started: tuple[Path, Session]
) -> None:
    before = content(started[0])
    with pytest.raises(FileError, match="holds a session already"):
        create_session(tmp_path / "cell.yaml", started[0], now=NOW)
    assert content(started[0]) == before


def test_a_bad_cell_makes_no_folder(tmp_path: Path) -> None:
    write_cell(tmp_path, CELL.replace("rows: 8", "rows: x"))
    with pytest.raises(FileError, match=r"board\.rows"):
        create_session(tmp_path / "cell.yaml", tmp_path / "new", now=NOW)
    assert not (tmp_path / "new").exists()


def test_a_session_keeps_its_own_robot_and_points_files(tmp_path: Path) -> None:
    (tmp_path / "lib").mkdir()
    (tmp_path / "lib/arm.yaml").write_text("format: 1\n" + SCARA)
    measured = "id,x_mm,y_mm,z_mm\n" + "".join(
        f"{k},{k % 11 * 20.01},{k // 11 * 20.0},0.02\n" for k in range(88)
    )
    (tmp_path / "lib/board.csv").write_text(measured)
    document = yaml.safe_load(CELL)
    document["robot"] = {"file": "../lib/arm.yaml"}
    document["board"]["points_file"] = "../lib/board.csv"
    (tmp_path / "cells").mkdir()
    cell_path = write_cell(tmp_path / "cells", yaml.safe_dump(document))
    folder = tmp_path / "made"
    session = create_session(cell_path, folder, now=NOW)
    for path in (*(tmp_path / "lib").iterdir(), cell_path):
        path.unlink()
    again = open_session(folder)
    assert again.cell.robot == session.cell.robot
    assert again.cell.robot is not None
    assert again.cell.robot.file == "robots/arm.yaml"
    assert again.cell.board.points()[10, 0] == pytest.approx(200.1)


def test_a_commit_stores_files_journal_and_station(started: tuple[Path, Session]) -> None:
    folder, session = started
    new = with_new_station(session)
    files = {"images/001.png": b"image", "points/001.csv": POINTS.encode()}
    commit(folder, Change("record", new, TYPED, files), WHO)
    assert open_session(folder) == new
    assert (folder / "images/001.png").read_bytes() == b"image"
    line = read_journal(folder)[-1]
    assert (line["who"], line["typed"], line["at"]) == ("A. Example", list(POSE), NOW.isoformat())
    assert line["files"] == {name: sha256(data) for name, data in files.items()}
    assert line["after"] == sha256((folder / "session.yaml").read_bytes())


def test_an_image_is_never_overwritten(started: tuple[Path, Session]) -> None:
    folder, session = started
    commit(folder, Change("record", session, TYPED, {"images/001.png": b"image"}), WHO)
    before = content(folder)
    with pytest.raises(FileError, match="exists already"):
        commit(
            folder,
            Change("record", with_new_station(session), TYPED, {"images/001.png": b"other"}),
            WHO,
        )
    assert content(folder) == before


@pytest.mark.parametrize(
    "name", ["../x.png", "/tmp/x.png", "images/../../x", "C:/x", "", "images\\x"]
)
def test_nothing_is_stored_outside_the_folder(started: tuple[Path, Session], name: str) -> None:
    folder, session = started
    before = content(folder.parent)
    with pytest.raises(FileError, match="not a path inside"):
        commit(folder, Change("record", with_new_station(session), TYPED, {name: b"x"}), WHO)
    assert content(folder.parent) == before


@pytest.mark.parametrize("failing", range(1, 12))
@pytest.mark.parametrize("call", ["open", "write", "fsync", "replace", "mkdir"])
def test_a_commit_that_fails_at_any_call_leaves_the_state_before(
    started: tuple[Path, Session], monkeypatch: pytest.MonkeyPatch, call: str, failing: int
) -> None:
    folder, session = started
    before = content(folder)
    new = with_new_station(session)
    change = Change("record", new, TYPED, {"images/001.png": b"image"})
    real, count = getattr(os, call), 0

    def sometimes(*args: object, **words: object) -> object:
        nonlocal count
        count += 1
        if count == failing:
            raise OSError(errno.ENOSPC, "full")
        return real(*args, **words)

    with monkeypatch.context() as patched:
        patched.setattr(store.os, call, sometimes)
        said = refusal(
            lambda: commit(folder, Change("record", new, TYPED, {"images/001.png": b"image"}), WHO)
        )
    assert said == "" or "disk is full" in said
    found = content(folder)
    if open_session(folder) == new:
        assert found["images/001.png"] == b"image"
        return
    assert found["session.yaml"] == before["session.yaml"]
    assert set(found) == set(before)
    assert len(unfinished(folder)) <= 1
    commit(folder, change, WHO)
    assert open_session(folder) == new


def with_stations(folder: Path, cell: Cell, *stations: Station) -> Session:
    (folder / "points").mkdir(exist_ok=True)
    return Session("by hand", None, "", cell, stations=stations)


def test_observations_are_the_stations_in_use_as_numbers(tmp_path: Path) -> None:
    cell = demo_cell(tmp_path)
    pose = (1.0, 2.0, 3.0, 0.0, 0.0, 0.6, 0.8)
    session = with_stations(
        tmp_path,
        cell,
        Station(1, POSE, points="points/001.csv"),
        Station(2, POSE, points="points/none.csv", use=False),
        Station(3, POSE, board_pose=pose, joints=("10", "0", "0", "0", "90", "0")),
        Station(4, POSE),
    )
    (tmp_path / "points/001.csv").write_text(POINTS)
    one, three, four = observations(session, tmp_path)
    assert (one.id, three.id, four.id) == (1, 3, 4)
    np.testing.assert_array_equal(
        one.base_T_flange, pose_from_fields(POSE, cell.pendant).base_T_flange
    )
    assert one.point_ids is not None
    assert one.pixels is not None
    np.testing.assert_array_equal(one.point_ids, np.arange(88))
    np.testing.assert_array_equal(one.pixels[7], (107.25, 207.5))
    assert one.camera_T_board is None
    assert three.pixels is None
    assert three.camera_T_board is not None
    # A turn of 2·atan2(0.6, 0.8) about z; 2·0.6·0.8 = 0.96 is its sine (computed by hand).
    np.testing.assert_allclose(three.camera_T_board[1, 0], 0.96)
    assert three.joints is not None
    np.testing.assert_allclose(three.joints, np.radians([10, 0, 0, 0, 90, 0]))
    assert four.pixels is None
    assert four.camera_T_board is None


def test_typed_joints_become_poses_through_the_robot(tmp_path: Path) -> None:
    cell = demo_cell(tmp_path)
    pendant = replace(cell.pendant, rotation="joints", labels=tuple(f"J{k}" for k in range(1, 7)))
    cell = replace(cell, pendant=pendant)
    session = with_stations(
        tmp_path, cell, Station(1, joints=("10", "20", "-30", "40", "50", "60"))
    )
    (found,) = observations(session, tmp_path)
    assert cell.robot is not None
    expected = kinematics(cell.robot).forward(np.radians([10, 20, -30, 40, 50, 60]))
    np.testing.assert_allclose(found.base_T_flange, expected)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (None, "no such file"),
        (b"", ""),
        (POINTS[:4].encode(), ""),
        (POINTS[:40].encode(), ""),
        (POINTS[: POINTS.index("105.25") + 4].encode(), ""),
        (POINTS.replace("105.25", "nan").encode(), "nan"),
        (POINTS.replace("105.25", "inf").encode(), "inf"),
        (POINTS.replace("\n5,", "\n500,").encode(), "500"),
        (POINTS.replace("\n5,", "\n4,").encode(), "4"),
        (b"\x89PNG\r\n\x1a\n\x00", ""),
        (b"id,u_px,v_px\n1,2,3\n2,3,4\n3,5,6\n", "3"),
    ],
    ids=["missing", "empty", "4 bytes", "short", "half", "nan", "inf", "id", "twice", "png",
         "three"],
)  # fmt: skip
def test_bad_points_are_refused_with_station_and_file(
    tmp_path: Path, data: bytes | None, said: str
) -> None:
    station = Station(7, POSE, points="points/007.csv")
    session = with_stations(tmp_path, demo_cell(tmp_path), station)
    if data is not None:
        (tmp_path / "points/007.csv").write_bytes(data)
    with pytest.raises(FileError) as caught:
        observations(session, tmp_path)
    assert "station 7" in str(caught.value)
    assert "007.csv" in str(caught.value)
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_station_without_points_has_none_stored(tmp_path: Path) -> None:
    session = with_stations(tmp_path, demo_cell(tmp_path), Station(1, POSE))
    assert stored_points(session, tmp_path, session.stations[0]) is None
