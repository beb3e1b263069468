"""Bad input to the real commands: one clear sentence, exit status 2, nothing lost."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from command import answer, contents, refused, stationbook
from made_session import make_session, stops

from engine.simulate.scenario import cell_text

COMMANDS = ("check", "solve")


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session of four stations that solves."""
    folder = tmp_path_factory.mktemp("good") / "session"
    make_session(folder, 4)
    return folder


@pytest.fixture
def session(good: Path, tmp_path: Path) -> Path:
    """A copy to spoil."""
    folder = tmp_path / "session"
    shutil.copytree(good, folder)
    return folder


def edit(session: Path, old: str, new: str) -> None:
    text = (session / "session.yaml").read_text(encoding="utf-8")
    assert old in text
    (session / "session.yaml").write_text(text.replace(old, new, 1), encoding="utf-8")


@pytest.mark.parametrize("command", COMMANDS)
def test_a_missing_folder_is_named(command: str, tmp_path: Path) -> None:
    assert "nowhere" in refused(command, tmp_path / "nowhere")


@pytest.mark.parametrize("command", COMMANDS)
def test_an_empty_folder_is_no_session(command: str, tmp_path: Path) -> None:
    assert str(tmp_path) in refused(command, tmp_path)


@pytest.mark.parametrize("command", COMMANDS)
def test_a_folder_in_place_of_the_session_file_is_refused(command: str, tmp_path: Path) -> None:
    (tmp_path / "session.yaml").mkdir()
    assert "session.yaml" in refused(command, tmp_path)


@pytest.mark.parametrize(
    "text", [b"", b"\x00\x01\xff\xfe", b"{[", b"just words", b"- 1\n- 2\n", b"\xff\xfe\x00"]
)
def test_a_session_file_that_is_no_yaml_session_is_refused(session: Path, text: bytes) -> None:
    (session / "session.yaml").write_bytes(text)
    for command in COMMANDS:
        assert "session.yaml" in refused(command, session)


def test_a_newer_format_says_so(session: Path) -> None:
    edit(session, "format: 1", "format: 99")
    assert "99" in refused("solve", session)
    assert "newer" in refused("check", session)


def test_a_session_file_cut_off_halfway_is_refused(session: Path) -> None:
    path = session / "session.yaml"
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    assert "session.yaml" in refused("solve", session)
    assert path.read_bytes() == data[: len(data) // 2]


@pytest.mark.parametrize("value", [".nan", ".inf", "-.inf", "nan", "1e999"])
def test_values_that_are_no_finite_numbers_are_refused(session: Path, value: str) -> None:
    edit(session, "pitch_mm: 20", f"pitch_mm: {value} #")
    assert "pitch_mm" in refused("solve", session)


def test_a_station_that_cannot_be_read_is_set_aside_and_named_with_its_line(session: Path) -> None:
    first = stops(4)[0][0].pose[0]
    edit(session, first, "nan")
    for command in COMMANDS:
        found = answer(command, session, status=1)["findings"]
        said = next(item["message"] for item in found if item["code"] == "station-damaged")
        assert "station 1, line " in said
        assert "stations[1].pose[1]: expected a number" in said


def test_a_session_with_more_damaged_than_whole_stations_is_refused(session: Path) -> None:
    text = (session / "session.yaml").read_text(encoding="utf-8")
    (session / "session.yaml").write_text(text.replace("- id: ", "- id: nan"), encoding="utf-8")
    for command in COMMANDS:
        assert "stations[1].id" in refused(command, session)


def test_a_missing_points_file_is_named_with_its_station(session: Path) -> None:
    (session / "points" / "003.csv").unlink()
    for command in COMMANDS:
        sentence = refused(command, session)
        assert "station 3" in sentence
        assert "003.csv" in sentence


@pytest.mark.parametrize("keep", [0, 1, 3])
def test_a_short_points_file_is_named_with_its_station(session: Path, keep: int) -> None:
    path = session / "points" / "002.csv"
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    path.write_text("".join(lines[:keep]), encoding="utf-8")
    sentence = refused("solve", session)
    assert "station 2" in sentence


def test_points_that_do_not_match_the_board_are_refused(session: Path) -> None:
    edit(session, "columns: 11", "columns: 5")
    assert "points" in refused("solve", session)


def test_points_of_another_board_are_refused_when_recording(session: Path, tmp_path: Path) -> None:
    points = tmp_path / "seen.csv"
    rows = "".join(f"{k},{k}.5,{k}.25\n" for k in range(200))
    points.write_text("id,u_px,v_px\n" + rows, encoding="utf-8")
    before = contents(session)
    assert "seen.csv" in refused("record", session, "--pose", "1 2 3 4 5 6", "--points", points)
    assert contents(session) == before


@pytest.mark.parametrize(
    "data",
    [b"", b"no image at all", b"\x89PNG\r\n\x1a\n" + bytes(50)],
    ids=["empty", "text", "cut"],
)
def test_an_image_that_is_no_image_is_refused(session: Path, tmp_path: Path, data: bytes) -> None:
    image = tmp_path / "0007.png"
    image.write_bytes(data)
    before = contents(session)
    pose = " ".join(stops(4)[0][0].pose)
    assert "0007.png" in refused("record", session, "--pose", pose, "--image", image)
    assert contents(session) == before


def test_a_missing_image_is_refused(session: Path, tmp_path: Path) -> None:
    pose = " ".join(stops(4)[0][0].pose)
    sentence = refused("record", session, "--pose", pose, "--image", tmp_path / "none.png")
    assert "none.png" in sentence


def test_nothing_typed_is_refused(session: Path) -> None:
    assert "--pose" in refused("record", session)


def test_an_unknown_station_lists_those_that_exist(session: Path) -> None:
    assert "1, 2, 3, 4" in refused("edit", session, "--station", 9, "--back")


def test_a_folder_in_use_is_not_started_again(session: Path, tmp_path: Path) -> None:
    (tmp_path / "cell.yaml").write_text(cell_text(), encoding="utf-8")
    before = contents(session)
    assert "session already" in refused("start", tmp_path / "cell.yaml", session)
    assert contents(session) == before


def test_starting_says_where_images_are_expected(tmp_path: Path) -> None:
    """A folder that a cell names is not looked at, so that it is not there is known too late."""
    text = cell_text().replace("source: none", "source: {folder: incoming}")
    (tmp_path / "cell.yaml").write_text(text, encoding="utf-8")
    said = stationbook("start", tmp_path / "cell.yaml", tmp_path / "one").stdout
    assert f"images are expected in {tmp_path / 'incoming'}: make it" in said


def test_a_bad_folder_among_several_gives_its_line_and_the_others_run(session: Path) -> None:
    run = stationbook("solve", session, session / "missing", session, "--json", "--no-write")
    lines = run.stdout.splitlines()
    assert run.returncode == 2
    assert len(lines) == 3
    assert '"error"' in lines[1]
    assert lines[0] == lines[2]
    assert '"verdict"' in lines[0]
    assert "Traceback" not in run.stderr


@pytest.fixture
def mounted(tmp_path: Path) -> Iterator[Path]:
    """A tiny disk of its own."""
    disk = tmp_path / "disk"
    disk.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", "size=160k,mode=755", "tmpfs", str(disk)]
    if os.name == "nt" or subprocess.run(words, capture_output=True, check=False).returncode:
        pytest.skip("mounting a small disk needs root on Linux")
    yield disk
    subprocess.run(["umount", str(disk)], check=True)


def test_a_full_disk_loses_nothing(good: Path, mounted: Path, tmp_path: Path) -> None:
    session = mounted / "session"
    shutil.copytree(good, session)
    before = contents(session)
    free = shutil.disk_usage(mounted).free
    (mounted / "ballast").write_bytes(bytes(max(free - 4096, 0)))
    stop = stops(5, seed=3)[0][4]
    points = tmp_path / "seen.csv"
    points.write_text(stop.points, encoding="utf-8")
    accept = [w for code in ("small-move", "does-not-fit") for w in ("--accept", code)]
    words = ("record", session, "--pose", " ".join(stop.pose), "--points", points, *accept)
    assert "full" in refused(*words)
    after = contents(session)
    assert {name: after[name] for name in before} == before
    (mounted / "ballast").unlink()
    assert stationbook(*words).returncode == 0


def test_a_read_only_folder_is_refused_and_can_still_be_read(good: Path, mounted: Path) -> None:
    session = mounted / "session"
    shutil.copytree(good, session)
    subprocess.run(["mount", "-o", "remount,ro", str(mounted)], check=True)
    sentence = refused("edit", session, "--station", 1, "--note", "hello")
    assert "write" in sentence
    assert stationbook("solve", session, "--no-write").returncode in (0, 1)
    assert np.array(contents(session)).size


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("0 0 nan 0 0 0 1", "z: “nan” is not a number"),
        ("0 0 0 0 inf 0 1", "qy: “inf” is not a number"),
        ("0 0 900 0 0 0 2", "the quaternion's length is 2"),
        ("0 0 900 0 0 0", "missing: qw"),
    ],
)
def test_a_board_pose_that_is_none_says_which_number(session: Path, text: str, said: str) -> None:
    before = contents(session)
    pose = "600 0 300 180 0 0"
    assert said in refused("record", session, "--pose", pose, "--board-pose", text)
    assert contents(session) == before


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("-0.1 -0.07 0.9 0 0 0 1", "looks like metres"),
        ("-100 -70 -900 0 0 0 1", "not lie wholly before"),
        ("0 0 900000 0 0 0 1", "too far away"),
    ],
)
def test_a_board_that_no_camera_sees_is_not_recorded(session: Path, text: str, said: str) -> None:
    before = contents(session)
    words = ("record", session, "--pose", "600 0 300 180 0 0", "--board-pose", text)
    assert said in stationbook(*words).stdout
    assert contents(session) == before
