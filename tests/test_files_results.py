"""result.yaml carries the hashes of its inputs, and no result is ever lost."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import yaml
from files_samples import NOW, POSE, write_cell
from made_session import make_session

from engine.cell.result import StationResult
from engine.cell.session import Station
from engine.errors import FileError
from engine.files import sha256
from engine.sessions.changes import Change, Who, commit, keep_earlier, result_change
from engine.sessions.folder import open_session
from engine.sessions.journal import read_journal, unfinished
from engine.sessions.results import (
    input_hashes,
    read_result,
    result_document,
)
from engine.steps.solve import keep, solve_session
from engine.steps.starting import create_session

WHO = Who("A. Example", NOW)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    create_session(write_cell(tmp_path), tmp_path / "s", now=NOW)
    return tmp_path / "s"


def test_a_result_comes_back_with_its_inputs(folder: Path) -> None:
    document = {
        "format": 1,
        "mount": "eye-to-hand",
        "verdict": "accepted",
        "covariance": np.eye(6) * 1e-9,
        "proven": False,
        "noise": {"pixel_px": np.float64(0.15), "robot_position_mm": float("nan")},
        "stations": [{"id": np.int64(1), "used": np.bool_(True), "turn": "010"}],
        "inputs": {"session.yaml": "ab" * 32},
    }
    commit(folder, result_change("solve", open_session(folder), folder, document), WHO)
    found = read_result(folder)
    np.testing.assert_array_equal(np.array(found.covariance), np.eye(6) * 1e-9)
    assert (found.noise.pixel_px, found.noise.robot_position_mm) == (0.15, None)
    assert found.stations == (StationResult(1, True, turn="010"),)
    assert found.inputs == {"session.yaml": "ab" * 32}
    written = yaml.safe_load((folder / "result.yaml").read_text())
    said = result_document(found)
    assert {key: said[key] for key in ("verdict", "covariance", "inputs")} == {
        key: written[key] for key in ("verdict", "covariance", "inputs")
    }


def test_everything_solved_comes_back_as_it_was(tmp_path: Path) -> None:
    make_session(tmp_path / "s", 5)
    session = open_session(tmp_path / "s")
    solved = solve_session(session, tmp_path / "s")
    commit(tmp_path / "s", keep(solved, session, tmp_path / "s"), WHO)
    found = read_result(tmp_path / "s")
    assert found == replace(solved.stored, inputs=solved.inputs)
    assert result_document(found) == yaml.safe_load((tmp_path / "s/result.yaml").read_text())


def test_damage_is_named_with_line_and_key(folder: Path) -> None:
    path = folder / "result.yaml"
    path.write_text("format: 1\nmount: eye-to-hand\nuncertainty:\n  pick_mm: wide\n")
    with pytest.raises(FileError, match=r"line 4.*uncertainty\.pick_mm.*a number, got wide"):
        read_result(folder)
    path.write_text("format: 1\nverdict: accepted\n")
    with pytest.raises(FileError, match="mount"):
        read_result(folder)


def test_earlier_results_are_kept_beside_the_new_one(folder: Path) -> None:
    for verdict in ("first", "second", "second", "third"):
        document = {"format": 1, "verdict": verdict, "inputs": {}}
        commit(folder, result_change("solve", open_session(folder), folder, document), WHO)
    kept = {p.name: yaml.safe_load(p.read_text())["verdict"] for p in folder.glob("result*.yaml")}
    assert kept == {"result.yaml": "third", "result-001.yaml": "first", "result-002.yaml": "second"}
    solved = [line for line in read_journal(folder) if line["action"] == "solve"]
    assert [line["kept"] for line in solved] == [None, "result-001.yaml", "result-002.yaml"]
    assert unfinished(folder) == []


def test_an_earlier_file_is_not_kept_twice(tmp_path: Path) -> None:
    path = tmp_path / "report.html"
    assert keep_earlier(path) is None
    path.write_text("one")
    assert keep_earlier(path) == tmp_path / "report-001.html"
    assert keep_earlier(path) == tmp_path / "report-001.html"
    path.write_text("two")
    assert keep_earlier(path) == tmp_path / "report-002.html"


def test_inputs_are_the_files_of_the_stations_in_use(folder: Path, tmp_path: Path) -> None:
    session = create_session(tmp_path / "cell.yaml", tmp_path / "t", now=NOW)
    session = session.with_station(Station(1, POSE, points="points/001.csv"))
    session = session.with_station(Station(2, POSE, points="points/002.csv", use=False))
    files = {"points/001.csv": b"id,u_px,v_px\n", "points/002.csv": b"id,u_px,v_px\n9,9,9\n"}
    commit(tmp_path / "t", Change("record", session, files=files), WHO)
    hashes = input_hashes(session, tmp_path / "t")
    assert set(hashes) == {"session.yaml", "points/001.csv"}
    assert hashes["points/001.csv"] == sha256(files["points/001.csv"])


def test_a_missing_damaged_or_newer_result_is_refused(folder: Path) -> None:
    with pytest.raises(FileError, match="Run `stationbook solve` first"):
        read_result(folder)
    (folder / "result.yaml").write_text("format: 2\n")
    with pytest.raises(FileError, match="newer"):
        read_result(folder)
    (folder / "result.yaml").write_bytes(b"\x00\x01")
    with pytest.raises(FileError):
        read_result(folder)
