"""`lens` and `focus` as real commands on the example session's images and points."""

from __future__ import annotations

import itertools
import json
import os
import shutil
import signal
import subprocess
from collections.abc import Collection
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import cv2
import numpy as np
import pytest
import yaml
from command import STATIONBOOK, answer, refused, stationbook

from engine.camera.model import DepthCamera
from engine.errors import FileError, StationbookError
from engine.files import sha256
from engine.images.load import encode_png
from engine.images.sources import NewImage
from engine.sessions.cell_file import read_cell
from engine.sessions.confirmed import confirm
from engine.sessions.folder import open_session
from engine.simulate.scenario import cell
from engine.steps.focus import focusing
from engine.steps.station_image import confirmed_source

EXAMPLE = Path(__file__).parent.parent / "sessions" / "bottling-line-2-infeed"


@pytest.fixture
def session(tmp_path: Path) -> Path:
    return Path(shutil.copytree(EXAMPLE, tmp_path / "session"))


def change(file: Path, old: str, new: str) -> None:
    text = file.read_text(encoding="utf-8")
    assert old in text
    file.write_text(text.replace(old, new, 1), encoding="utf-8")


def test_lens_found_from_the_stations_is_the_simulated_one(session: Path) -> None:
    found = answer("lens", session)
    true = np.array(cell().camera.matrix)
    for name, row, column in (("fx", 0, 0), ("fy", 1, 1), ("cx", 0, 2), ("cy", 1, 2)):
        off = abs(found["matrix"][row][column] - true[row, column])
        assert off <= 4 * found["u_px"][name]
    assert found["residual_px"] <= found["cell_residual_px"] <= 0.05


def test_lens_of_another_focal_length_is_named(session: Path) -> None:
    change(session / "session.yaml", "[1400.0, 0.0, 640.0]", "[1428.0, 0.0, 640.0]")
    change(session / "session.yaml", "[0.0, 1400.0, 512.0]", "[0.0, 1428.0, 512.0]")
    found = answer("lens", session, status=1)
    assert "focal length" in found["differs"]
    assert found["cell_residual_px"] > 2 * found["residual_px"]


def test_lens_and_solve_agree_on_a_missing_distortion(session: Path) -> None:
    change(session / "session.yaml", "[-0.085, 0.062, 0.0004, -0.0003, 0.0]", "[0, 0, 0, 0, 0]")
    run = answer("lens", session, status=1)
    assert "distortion" in run["differs"]
    assert [item["code"] for item in run["findings"]] == ["lens", "lens-corner", "lens-own"]
    solved = json.loads(stationbook("solve", session, "--json", "--no-write").stdout)
    assert "lens" in [item["code"] for item in solved["findings"]]
    assert run["cell_residual_px"] > 5 * run["residual_px"]


def test_what_lens_writes_is_what_a_cell_takes(session: Path, tmp_path: Path) -> None:
    change(session / "session.yaml", "[1400.0, 0.0, 640.0]", "[1428.0, 0.0, 640.0]")
    shown = stationbook("lens", session).stdout
    lines = shown[shown.index("for cell.yaml:\n") :].splitlines()[1:]
    given = yaml.safe_load("\n".join(lines))
    found = answer("lens", session, status=1)
    np.testing.assert_allclose(given["matrix"], found["matrix"], atol=1e-3)
    described = yaml.safe_load((session / "cell.yaml").read_text(encoding="utf-8"))
    described["camera"] |= given
    (session / "new.yaml").write_text(yaml.safe_dump(described), encoding="utf-8")
    answer("start", session / "new.yaml", tmp_path / "next")


def test_a_cell_without_lens_data_gets_them_from_its_own_images(session: Path) -> None:
    known = answer("solve", session, "--no-write")
    text = (session / "session.yaml").read_text(encoding="utf-8")
    start, end = text.index("    matrix:"), text.index("\n  board:")
    without = text[:start] + "    matrix: none" + text[end:]
    (session / "session.yaml").write_text(without, encoding="utf-8")
    found = answer("solve", session)
    off = np.subtract(found["base_T_camera"]["position_mm"], known["base_T_camera"]["position_mm"])
    assert np.linalg.norm(off) < 2 * found["uncertainty"]["position_mm"]
    assert found["verdict"] == known["verdict"] == "accepted"
    assert "focal length" in [item["name"] for item in found["board_and_lens"]]
    assert "lens" not in known  # nothing was to be found there
    shown = answer("lens", session)
    stored = found["lens"]
    for key in ("matrix", "distortion"):  # alike but for rounding, which memory decides
        np.testing.assert_allclose(stored[key], shown[key], rtol=1e-7, atol=1e-9)
    assert stored["u"] == pytest.approx(shown["u"], rel=1e-6)
    exported = json.loads(stationbook("export", session, "--as", "json").stdout)["lens"]
    assert exported["matrix"] == found["lens"]["matrix"]
    assert exported["u"] == found["lens"]["u"]
    answer("report", session)
    assert "from this session&#x27;s own images" in (session / "report.html").read_text("utf-8")
    assert shown["matrix"][0][0] == pytest.approx(1400.0, abs=4 * shown["u_px"]["fx"])
    assert shown["cell_residual_px"] is None
    later = Path(shutil.copytree(session, session.parent / "later"))
    for number in range(1, 7):  # too few are left
        answer("edit", later, "--station", number, "--aside", "test")
    # The earlier session's images gave the lens that its place of the camera belongs to.
    assert answer("recheck", later, "--against", session)["moved"] is False
    quick = answer("solve", later, "--board-from", session, "--no-write")
    np.testing.assert_allclose(quick["lens"]["matrix"], found["lens"]["matrix"], rtol=1e-9)
    session = later
    assert "matrix: none" in (session / "session.yaml").read_text(encoding="utf-8")
    run = stationbook("solve", session, "--json", "--no-write")
    codes = [item["code"] for item in json.loads(run.stdout)["findings"]]
    assert "lens-unknown" in codes


def test_lens_needs_enough_stations(session: Path) -> None:
    for number in range(1, 7):
        answer("edit", session, "--station", number, "--aside", "test")
    assert "at least 5" in refused("lens", session)


def test_focus_reports_on_one_image(session: Path) -> None:
    seen = answer("focus", session / "cell.yaml", "--image", session / "images" / "002.png")
    assert (seen["found"], seen["expected"]) == (88, 88)
    assert 0 < seen["edge_width_px"] < seen["edge_limit_px"]


def test_a_cell_without_a_source_is_told_where_each_can_put_it_right(session: Path) -> None:
    assert "--image" in refused("focus", session / "cell.yaml")
    made = open_session(session)
    with pytest.raises(StationbookError, match="no image source") as told:
        confirmed_source(made.cell, session)
    assert "--" not in str(told.value)


def test_focus_uses_no_source_that_was_not_confirmed(session: Path) -> None:
    change(session / "cell.yaml", "source: none", "source: {folder: images}")
    assert "--confirm" in refused("focus", session / "cell.yaml")


@pytest.mark.skipif(os.name == "nt", reason="sends an interrupt as POSIX does")
def test_focus_follows_the_confirmed_folder_until_interrupted(
    session: Path, tmp_path: Path
) -> None:
    change(session / "cell.yaml", "source: none", "source: {folder: images}")
    words = [str(STATIONBOOK), "focus", str(session / "cell.yaml"), "--confirm", "--json"]
    process = subprocess.Popen(
        words,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "STATIONBOOK_CONFIG": str(tmp_path / "config")},
        # A run in the background hands down that interrupts are ignored.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    assert process.stdout is not None
    seen = json.loads(process.stdout.readline())
    assert seen["found"] == 88
    assert process.stderr is not None
    (session / "images" / "zzz.png").write_bytes(b"garbage")
    said = iter(process.stderr.readline, "")
    assert any("zzz.png: not a readable image" in line for line in said)  # at once, not at the end
    process.send_signal(signal.SIGINT)
    _, told = process.communicate(timeout=30)
    assert process.returncode == 0
    assert "stopped" in told


def test_setting_the_lens_waits_for_no_depth(session: Path) -> None:
    plain = read_cell(session / "cell.yaml")
    camera = replace(plain.camera, source={"folder": "images"}, depth=DepthCamera(0.1, "camera"))
    cell = replace(plain, camera=camera)
    confirm(session, {"folder": "images"}, now=datetime(2026, 11, 25, tzinfo=UTC))
    image = confirmed_source(cell, session, depth=False).newest(set())
    assert image is not None  # at once, and the first one is no exception
    assert confirmed_source(cell, session).newest(set()) is None


def test_focus_names_a_source_that_was_not_confirmed_by_its_code(
    session: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("STATIONBOOK_CONFIG", str(tmp_path / "config"))
    change(session / "cell.yaml", "source: none", "source: {folder: incoming}")
    said = refused("focus", session / "cell.yaml")
    assert "source-inactive: The image source folder incoming is not used on this machine" in said
    assert "--confirm" in said


def test_a_session_of_a_cell_without_a_robot_begins_by_saying_what_is_not_checked(
    session: Path, tmp_path: Path
) -> None:
    described = yaml.safe_load((session / "cell.yaml").read_text(encoding="utf-8"))
    bare = tmp_path / "bare.yaml"
    bare.write_text(yaml.safe_dump({**described, "robot": "none"}), encoding="utf-8")
    for cell_file, folder, expected in (
        (session / "cell.yaml", "one", []),
        (bare, "two", [("reach-unchecked", "note")]),
    ):
        said = answer("start", cell_file, tmp_path / folder)["findings"]
        told = [(item["code"], item["level"]) for item in said if item["code"] != "frames-told"]
        assert told == expected


def test_focus_shows_bars_that_follow_the_newest_image_and_remember_the_best(
    session: Path,
) -> None:
    sharp = cv2.imread(str(session / "images" / "002.png"), cv2.IMREAD_GRAYSCALE)
    pictures = [cv2.GaussianBlur(sharp, (0, 0), 5.0), sharp, cv2.GaussianBlur(sharp, (0, 0), 2.0)]
    known = read_cell(session / "cell.yaml")
    shown = []

    class Source:
        def newest(self, taken: Collection[str]) -> NewImage | None:
            if not pictures:
                raise FileError("camera", "is gone", "Check the cable.")
            data = encode_png(pictures.pop(0))
            return NewImage(data, "a.png", sha256(data))

    for sight in itertools.islice(focusing(known, Source(), sleep=lambda _: None), 5):
        shown.append(sight)
    bars = [{bar.name: bar for bar in sight.bars} for sight in shown[:3]]
    first, second, third = (bar["sharp edges"] for bar in bars)
    assert first.share < third.share < second.share == third.best
    assert (first.good, second.good) == (False, True)
    assert "camera: is gone" in shown[3].trouble
    assert shown[4] is None  # said once
    text = stationbook("focus", session / "cell.yaml", "--image", session / "images/002.png").stdout
    assert "sharp edges" in text
    assert "####" in text


def test_record_notices_a_file_older_than_the_session(session: Path) -> None:
    pose = "600 -80 400 170 5 -90"
    old = session / "images" / "old.png"
    shutil.copy(session / "images" / "002.png", old)
    os.utime(old, (1e9, 1e9))
    run = stationbook("record", session, "--pose", pose, "--image", old, "--json")
    codes = [item["code"] for item in json.loads(run.stdout)["findings"]]
    assert run.returncode == 1
    assert "image-old" in codes


def test_a_dark_image_of_sixteen_bits_is_called_dark(session: Path) -> None:
    grey = cv2.imread(str(session / "images" / "002.png"), cv2.IMREAD_GRAYSCALE)
    deep = grey.astype(np.uint16) * 257
    for share, expected in ((1, []), (64, ["under-exposed"])):
        path = session / "deep.png"
        cv2.imwrite(str(path), deep // share)
        seen = answer("focus", session / "cell.yaml", "--image", path)
        assert [item["code"] for item in seen["findings"]] == expected
