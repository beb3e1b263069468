"""The list of sessions: states that do not depend on the times of files."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from datetime import datetime
from pathlib import Path

import pytest
from files_samples import NOW
from made_session import make_session

from engine.sessions.changes import Who, commit
from engine.sessions.folder import open_session
from engine.sessions.store import JOURNAL_FILE
from engine.steps.solve import keep, solve_session
from tui.desk.overview import overview, session_row

COUNT = 200  # sessions; a cell checked every week for four years


@pytest.fixture(scope="module")
def solved(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("one") / "s"
    make_session(folder, 5)
    session = open_session(folder)
    commit(folder, keep(solve_session(session, folder), session, folder), Who(None, NOW))
    return folder


def state(folder: Path) -> str:
    return session_row(folder, datetime.now().astimezone()).state


def copied(solved: Path, folder: Path) -> Path:
    """Copy a session as unpacking does: result first, session.yaml last, all with fresh times."""
    shutil.copytree(solved, folder, copy_function=shutil.copyfile)
    later = time.time() + 60
    os.utime(folder / "session.yaml", (later, later))
    return folder


def test_a_copied_session_is_not_called_changed(solved: Path, tmp_path: Path) -> None:
    assert state(copied(solved, tmp_path / "copy")) == state(solved) != "changed"


def test_a_note_changes_nothing_and_a_station_set_aside_does(solved: Path, tmp_path: Path) -> None:
    folder = copied(solved, tmp_path / "copy")
    text = (folder / "session.yaml").read_text(encoding="utf-8")
    (folder / "session.yaml").write_text(
        text.replace("operator: null", "operator: A. Example", 1), encoding="utf-8"
    )
    assert open_session(folder).operator == "A. Example"
    assert state(folder) == state(solved)
    (folder / "session.yaml").write_text(text.replace("use: true", "use: false", 1))
    assert state(folder) == "changed"


def test_other_points_are_called_changed_though_their_file_is_older(
    solved: Path, tmp_path: Path
) -> None:
    folder = copied(solved, tmp_path / "copy")
    points = next((folder / "points").iterdir())
    points.write_text(points.read_text(encoding="utf-8").replace("1,", "1,0", 1), encoding="utf-8")
    os.utime(points, (0, 0))
    assert state(folder) == "changed"
    points.unlink()
    assert state(folder) == "changed"


def test_two_hundred_sessions_are_listed_quickly(solved: Path, tmp_path: Path) -> None:
    for number in range(COUNT):
        copied(solved, tmp_path / f"{number:03d}")
    started = time.process_time()
    rows = list(overview(tmp_path, datetime.now().astimezone()))
    took = time.process_time() - started
    assert len(rows) == COUNT
    assert took < 25e-3 * COUNT  # of one processor; the list is filled behind the first picture


def test_the_list_needs_no_mathematics() -> None:
    script = "import tui.desk.overview, sys; print(' '.join(sys.modules))"
    run = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert set(run.stdout.split()).isdisjoint({"numpy", "scipy", "cv2"})


def test_a_session_whose_journal_cannot_be_read_is_damaged_and_says_why(
    solved: Path, tmp_path: Path
) -> None:
    """Whether its camera moved since stands there: it is not listed as accepted."""
    folder = copied(solved, tmp_path / "a")
    (folder / JOURNAL_FILE).unlink()
    (folder / JOURNAL_FILE).mkdir()
    (row,) = overview(tmp_path, datetime.now().astimezone())
    assert row.state == "damaged"
    assert "this is a folder" in row.problem
    assert "cannot be shown" not in row.problem
