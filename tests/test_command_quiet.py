"""What libraries say by themselves never reaches the operator's terminal."""

from __future__ import annotations

import math
import warnings
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from command import process, stationbook
from made_session import make_session

from engine.cell.session import Session
from engine.sessions.folder import open_session, session_text
from engine.sessions.store import ERROR_LOG
from engine.steps.station_pose import predictor_for
from tui.main import main


def in_radians(folder: Path) -> Session:
    """Make a session whose angles were typed in radians while the cell says degrees."""
    make_session(folder, 8)
    session = open_session(folder)
    stations = []
    for station in session.stations:
        x, y, z, *angles = station.pose or ()
        turned = (f"{math.radians(float(angle)):.4f}" for angle in angles)
        stations.append(replace(station, pose=(x, y, z, *turned)))
    session = replace(session, stations=tuple(stations))
    (folder / "session.yaml").write_text(session_text(session), encoding="utf-8")
    return open_session(folder)


def test_angles_in_the_wrong_unit_give_no_numerical_warning(tmp_path: Path) -> None:
    session = in_radians(tmp_path / "s")
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        made = predictor_for(session, tmp_path / "s")
    assert made is not None
    assert made.result is None or made.result.verdict == "not-accepted"


def test_solving_angles_in_the_wrong_unit_prints_only_the_answer(tmp_path: Path) -> None:
    in_radians(tmp_path / "s")
    run = stationbook("solve", tmp_path / "s")
    assert run.returncode == 1
    assert run.stderr == ""
    assert "unit" in run.stdout


def test_warnings_of_libraries_go_into_the_error_log(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("STATIONBOOK_CONFIG", str(tmp_path))
    import tui.commands.explain as explain

    def warning(args: object) -> int:
        np.array(1.0) / np.array(0.0)
        return 0

    monkeypatch.setattr(explain, "run_explain", warning)
    assert main(["explain"]) == 0
    assert capfd.readouterr().err == ""
    assert "divide by zero" in (tmp_path / ERROR_LOG).read_text(encoding="utf-8")


def test_what_an_image_library_writes_by_itself_stays_off_the_terminal(tmp_path: Path) -> None:
    make_session(tmp_path / "s", 1)
    grey = np.random.default_rng(0).integers(0, 255, (1024, 1280), dtype=np.uint8)
    data = bytearray(cv2.imencode(".jpg", grey)[1].tobytes())
    data[len(data) // 2 : len(data) // 2 + 200] = np.random.default_rng(1).bytes(200)
    (tmp_path / "damaged.jpg").write_bytes(data)
    pose = " ".join(open_session(tmp_path / "s").stations[0].pose or ())
    words = ("record", tmp_path / "s", "--pose", pose, "--image", tmp_path / "damaged.jpg")
    run = stationbook(*words)
    assert "JPEG" not in run.stderr
    assert "board-missing" in run.stdout + run.stderr


def test_what_image_libraries_write_in_worker_processes_stays_off_the_terminal(
    tmp_path: Path,
) -> None:
    grey = np.random.default_rng(0).integers(0, 255, (1024, 1280), dtype=np.uint8)
    data = bytearray(cv2.imencode(".jpg", grey)[1].tobytes())
    data[len(data) // 2 : len(data) // 2 + 200] = np.random.default_rng(1).bytes(200)
    for name in ("a", "b"):
        make_session(tmp_path / name, 4)
        session = open_session(tmp_path / name)
        pictured = replace(session.stations[0], image="images/001.jpg")
        session = replace(session, stations=(pictured, *session.stations[1:]))
        (tmp_path / name / "session.yaml").write_text(session_text(session), encoding="utf-8")
        (tmp_path / name / "images").mkdir()
        (tmp_path / name / "images" / "001.jpg").write_bytes(data)
        stationbook("solve", tmp_path / name)
    run = process("report", tmp_path / "a", tmp_path / "b", "--jobs", 2, "--no-write")
    assert run.stdout.count("report: not written") == 2
    assert run.stderr == ""
