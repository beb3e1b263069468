"""What a step changes: written by one writer, in one piece, by whom it names."""

from __future__ import annotations

from pathlib import Path

import pytest
from files_samples import CELL, NOW, write_cell

from engine.cell.session import Session
from engine.errors import FileError
from engine.findings import Level
from engine.proof.touch import Touches, read_touches
from engine.sessions import changes
from engine.sessions.changes import Change, Who, commit, remark
from engine.sessions.folder import open_session
from engine.sessions.journal import read_journal, unfinished
from engine.steps.checking import check_session
from engine.steps.editing import annotate
from engine.steps.proving import view_added
from engine.steps.starting import create_session

SEEN = "id,u_px,v_px\n" + "".join(f"{k},{100 + 9 * k},{100 + 7 * (k % 11)}\n" for k in range(88))
ROBOT = CELL[CELL.index("robot:") : CELL.index("pendant:")]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    create_session(write_cell(tmp_path), tmp_path / "s", operator="A. Example", now=NOW)
    return tmp_path / "s"


def view(folder: Path) -> Change:
    """Return the change that adds what the camera saw of the board lying in the cell."""
    seen = folder.parent / "seen.csv"
    seen.write_text(SEEN)
    return view_added(open_session(folder), folder, read_touches(folder), seen, None, NOW).change


def files(folder: Path) -> set[str]:
    return {str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file()}


def test_a_view_that_cannot_be_stored_leaves_no_points_behind(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = files(folder)

    def full(path: Path, data: bytes) -> None:
        raise FileError(path, "the disk is full")

    with monkeypatch.context() as patched:
        patched.setattr(changes, "write_bytes_atomic", full)
        with pytest.raises(FileError, match="disk is full"):
            commit(folder, view(folder), Who(None, NOW))
    assert files(folder) == before
    assert read_touches(folder) == Touches()
    assert len(unfinished(folder)) == 1


def test_points_left_by_a_stop_in_the_middle_do_not_stand_in_a_views_way(folder: Path) -> None:
    (folder / "points").mkdir()
    (folder / "points/proof-001.csv").write_text("id,u_px,v_px\n0,1,1\n")
    commit(folder, view(folder), Who(None, NOW))
    (stored,) = read_touches(folder).views
    assert (folder / stored.points).read_text() != "id,u_px,v_px\n0,1,1\n"
    line = read_journal(folder)[-1]
    assert (line["action"], line["file"]) == ("proof view", "proof.yaml")
    assert list(line["files"]) == [stored.points]


def test_whoever_is_not_named_is_the_sessions_operator(folder: Path) -> None:
    session = open_session(folder)
    commit(folder, Change("plan", session), Who(None, NOW))
    commit(folder, Change("plan", session), Who("B. Example", NOW))
    assert [line["who"] for line in read_journal(folder)[1:]] == ["A. Example", "B. Example"]


def test_a_remark_and_no_change_leave_every_file_but_the_journal_as_it_was(folder: Path) -> None:
    before = (folder / "session.yaml").read_bytes() + b"# by hand\n"
    (folder / "session.yaml").write_bytes(before)
    session = open_session(folder)
    commit(folder, remark("recheck", session, folder, {"moved": False}), Who(None, NOW))
    commit(folder, None, Who(None, NOW))
    assert (folder / "session.yaml").read_bytes() == before
    lines = read_journal(folder)
    assert [line["action"] for line in lines] == ["start", "recheck"]
    assert lines[-1]["before"] == lines[-1]["after"]


def test_a_step_writes_nothing_by_itself(folder: Path) -> None:
    session: Session = open_session(folder)
    before = files(folder)
    view(folder)
    with pytest.raises(Exception, match="there is no station 4"):
        annotate(session, 4, "look again")
    assert files(folder) == before


def test_a_cell_without_a_robot_says_once_that_reach_is_not_checked(tmp_path: Path) -> None:
    create_session(write_cell(tmp_path, CELL), tmp_path / "with", now=NOW)
    create_session(
        write_cell(tmp_path, CELL.replace(ROBOT, "robot: none\n")), tmp_path / "without", now=NOW
    )
    said = {
        name: [
            item.level
            for item in check_session(open_session(tmp_path / name), tmp_path / name)
            if item.code == "reach-unchecked"
        ]
        for name in ("with", "without")
    }
    assert said == {"with": [], "without": [Level.NOTE]}
