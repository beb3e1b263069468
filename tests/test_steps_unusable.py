"""A session of which too few stations are usable: why, how many, and what to do."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from command import stationbook
from made_session import make_session

from engine.cell.stations import station_pose
from engine.pendant.entry import format_pose
from engine.sessions.folder import open_session, session_text
from engine.simulate.scenario import cell, truth
from engine.simulate.virtual_cell import VirtualCell
from engine.steps import unusable

DARK = np.random.default_rng(1).integers(0, 12, (1024, 1280)).astype(np.uint8)


def blind(folder: Path, images: int, count: int = 6) -> Path:
    """Return a session whose stations have no points; the first ``images`` have a dark image."""
    make_session(folder, count)
    path = folder / "session.yaml"
    text = re.sub(r"points: points/\d+\.csv", "points: null", path.read_text())
    (folder / "images").mkdir()
    for number in range(1, images + 1):
        name = f"images/{number:03d}.png"
        cv2.imwrite(str(folder / name), DARK)
        text = text.replace("image: null", f"image: {name}", 1)
    path.write_text(text)
    return folder


def said(folder: Path, *words: str) -> dict[str, str]:
    run = stationbook("solve", folder, "--no-write", "--json", *words)
    assert run.returncode == 1
    return next(f for f in json.loads(run.stdout)["findings"] if f["code"] == "too-few")


def test_images_without_a_board_say_why_how_many_and_what_to_do(tmp_path: Path) -> None:
    found = said(blind(tmp_path / "s", images=4))
    assert found["message"].startswith("0 usable stations; at least 3 are needed. ")
    assert "4 without points (1, 2, 3 ...): No board found in images/001.png." in found["message"]
    assert "grey levels" in found["message"]  # too dark
    assert "2 without points (5, 6): The station has no image and no points." in found["message"]
    assert "light" in found["remedy"]
    assert "Take the image at this stop" in found["remedy"]
    assert "\n" not in found["message"]


def test_points_that_were_never_stored_and_files_that_are_gone_are_told(tmp_path: Path) -> None:
    folder = blind(tmp_path / "s", images=2)
    (folder / "images" / "002.png").unlink()
    room = VirtualCell(cell("eye-to-hand", 6), truth("eye-to-hand", 6), 3)
    room.go_to(room.suggest_stations(1)[0])
    cv2.imwrite(str(folder / "images" / "001.png"), room.take_image())
    found = said(folder)
    assert "1 without points (1): The board is found in images/001.png now" in found["message"]
    assert "1 without points (2): " in found["message"]
    assert "002.png" in found["message"]
    assert "Take the station again with this image" in found["remedy"]


def test_of_many_images_the_first_are_looked_at_and_stations_with_points_are_left_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(unusable, "LOOKED_AT", 3)
    found = said(blind(tmp_path / "many", images=6))
    assert "3 without points (1, 2, 3): " in found["message"]
    assert found["message"].endswith("Of 6 such stations the first 3 were looked at.")
    make_session(tmp_path / "few", 2)
    assert said(tmp_path / "few")["message"] == "2 usable stations; at least 3 are needed."


def with_quaternions(folder: Path, count: int = 8) -> Path:
    """Return a session whose pendant shows quaternions."""
    make_session(folder, count)
    made = open_session(folder)
    pendant = replace(
        made.cell.pendant,
        rotation="quaternion-xyzw",
        labels=("X", "Y", "Z", "qx", "qy", "qz", "qw"),
        decimals=(2, 2, 2, 6, 6, 6, 6),
    )
    stations = []
    for one in made.stations:
        pose = station_pose(made.cell, one)
        assert pose is not None
        stations.append(replace(one, pose=format_pose(pose, pendant)))
    new = replace(made, cell=replace(made.cell, pendant=pendant), stations=tuple(stations))
    (folder / "session.yaml").write_text(session_text(new), encoding="utf-8")
    return folder


@pytest.mark.parametrize("command", ["solve", "check", "recalibration"])
def test_a_quaternion_off_length_leaves_its_station_out_and_the_others_solved(
    tmp_path: Path, command: str
) -> None:
    folder = with_quaternions(tmp_path / "s")
    session = open_session(folder)
    typed = session.stations[3].pose
    assert typed is not None
    wrong = (*typed[:6], f"{float(typed[6]) + 0.2:.6f}")
    path = folder / "session.yaml"
    stations = (*session.stations[:3], replace(session.stations[3], pose=wrong))
    path.write_text(session_text(replace(session, stations=(*stations, *session.stations[4:]))))
    words: tuple[str | Path, ...] = (command, folder)
    if command == "recalibration":
        words = ("solve", folder, "--board-from", with_quaternions(tmp_path / "old"))
    run = stationbook(*words, "--json")
    assert run.returncode == 1, run.stderr
    found = json.loads(run.stdout)
    (told,) = [item for item in found["findings"] if item["code"] == "format"]
    assert told["station"] == 4
    assert "Station 4 is left out" in told["message"]
    assert "have length" in told["message"]
    if command != "check":
        assert found["verdict"] == "not-accepted"
        assert [row["id"] for row in found["stations"] if row["used"]] == [1, 2, 3, 5, 6, 7, 8]
        assert found["uncertainty"]["position_mm"] is not None


def test_a_session_of_which_no_pose_can_be_read_is_told_and_no_error(tmp_path: Path) -> None:
    folder = with_quaternions(tmp_path / "s", 4)
    session = open_session(folder)
    stations = tuple(
        replace(one, pose=(*one.typed[:3], "1.000000", "1.000000", "1.000000", "1.000000"))
        for one in session.stations
    )
    (folder / "session.yaml").write_text(session_text(replace(session, stations=stations)))
    run = stationbook("solve", folder, "--json", "--no-write")
    assert run.returncode == 1
    codes = [item["code"] for item in json.loads(run.stdout)["findings"]]
    assert codes[:4] == ["format"] * 4
    assert "too-few" in codes
