"""`record` remembers a stop that it refused: the second with the same shift names the tool."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from command import answer, stationbook
from made_session import make_session, stops

from engine.cell.session import Station
from engine.cell.stations import station_pose
from engine.frames import rotation_exp, transform
from engine.pendant.entry import format_pose
from engine.sessions.folder import open_session
from engine.sessions.journal import altered, read_journal, unfinished
from engine.sessions.results import read_result

TOOL = transform(rotation_exp([0.02, 0.01, 0.4]), [0.0, 40.0, 120.0])
SAME = "the one refused before it are off by the same"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    make_session(tmp_path / "s", 5)
    return tmp_path / "s"


def record(folder: Path, number: int, *, shifted: bool, name: str = "now.csv") -> list[str]:
    """Record stop ``number`` of the same cell, typed in another tool; return what is said."""
    stop = stops(8)[0][number]
    cell = open_session(folder).cell
    there = station_pose(cell, Station(9, pose=stop.pose))
    assert there is not None
    typed = format_pose(there @ TOOL, cell.pendant) if shifted else stop.pose
    (folder.parent / name).write_text(stop.points)
    run = stationbook(
        "record", folder, "--pose", " ".join(typed), "--points", folder.parent / name, "--json"
    )
    assert run.returncode == (1 if shifted else 0)
    return [item["message"] for item in json.loads(run.stdout)["findings"]]


def test_the_second_stop_with_one_shift_names_the_tool(folder: Path) -> None:
    before = (folder / "session.yaml").read_bytes()
    assert not any(SAME in said for said in record(folder, 5, shifted=True))
    assert any(SAME in said for said in record(folder, 6, shifted=True))  # by the same file name
    assert (folder / "session.yaml").read_bytes() == before
    assert not (folder / "points" / "006.csv").exists()
    assert [line["action"] for line in read_journal(folder)] == ["refused"] * 2
    assert unfinished(folder) == altered(folder) == []
    answer("check", folder)
    answer("solve", folder)
    assert len(read_result(folder).stations) == 5


def test_the_same_stop_again_is_no_second_one_and_is_noted_once(folder: Path) -> None:
    for _ in range(3):
        assert not any(SAME in said for said in record(folder, 5, shifted=True))
    assert len(read_journal(folder)) == 1


def test_a_station_that_is_stored_ends_what_is_remembered(folder: Path) -> None:
    record(folder, 5, shifted=True)
    record(folder, 6, shifted=False)
    assert not any(SAME in said for said in record(folder, 7, shifted=True))


@pytest.mark.parametrize(
    "spoil",
    [
        {"pose": ["1", "x"]}, {"pose": 7}, {"pose": [None] * 6}, {"points": "id,u_px,v_px\n1,2"},
        {"points": None, "board_pose": [float("nan")] * 7}, {"points": None, "board_pose": "abc"},
        {"points": "id,u_px,v_px\n" + "".join(f"{9000 + k},1.0,{k}.5\n" for k in range(9))},
        {"points": ["a"]},
    ],
)  # fmt: skip
def test_a_line_that_somebody_changed_says_nothing(folder: Path, spoil: dict[str, object]) -> None:
    record(folder, 5, shifted=True)
    path = folder / "journal.jsonl"
    path.write_text(json.dumps(json.loads(path.read_text()) | spoil) + "\n")
    assert not any(SAME in said for said in record(folder, 6, shifted=True))
    path.write_bytes(path.read_bytes()[:-40])  # cut off, as by a kill
    assert not any(SAME in said for said in record(folder, 7, shifted=True))
    assert len(open_session(folder).stations) == 5


def test_few_points_of_a_large_board_are_kept(folder: Path) -> None:
    record(folder, 5, shifted=True)
    (line,) = read_journal(folder)
    ids = np.array([int(row.split(",")[0]) for row in line["points"].split()[1:]])
    assert 30 <= len(ids) <= 60
    assert np.ptp(ids) > 60  # all over the board
