"""An archive solved again: what changed in units of U, on several cores, after being killed."""

from __future__ import annotations

import json
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from command import STATIONBOOK, answer, refused, stationbook
from made_session import make_session

import engine.steps.archive as archive
from engine.sessions.results import read_result


@pytest.fixture
def root(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Four sessions: two that are solved, one without result, one that cannot be read."""
    monkeypatch.setenv("STATIONBOOK_CONFIG", str(tmp_path / "config"))
    make_session(tmp_path / "root" / "a" / "one", 5)
    shutil.copytree(tmp_path / "root" / "a" / "one", tmp_path / "root" / "a" / "two")
    assert stationbook("solve", tmp_path / "root" / "a" / "one").returncode in (0, 1)
    shutil.copy(tmp_path / "root/a/one/result.yaml", tmp_path / "root/a/two/result.yaml")
    make_session(tmp_path / "root" / "none", 4)
    (tmp_path / "root" / "bad").mkdir()
    (tmp_path / "root" / "bad" / "session.yaml").write_text("format: 1\nname: [")
    return tmp_path / "root"


def contents(root: Path) -> dict[Path, bytes]:
    return {p: p.read_bytes() for p in root.rglob("*") if p.is_file() and p.name != ".lock"}


def test_what_changed_is_told_and_nothing_is_stored(root: Path) -> None:
    path = root / "a" / "two" / "result.yaml"
    stored = read_result(path.parent)
    assert stored.camera is not None
    assert stored.uncertainty.work_volume_mm is not None
    before = stored.camera.position_mm[2]
    text = path.read_text()
    path.write_text(text.replace(str(before), str(before + 1.0)))  # position and matrix
    held = contents(root)
    run = stationbook("solve", "--all", root, "--jobs", "1", "--json")
    assert run.returncode == 2  # one cannot be read
    rows = {Path(row["folder"]).name: row for row in json.loads(run.stdout)["sessions"]}
    assert rows["one"]["changed"] is False
    assert rows["one"]["shift_mm"] == pytest.approx(0.0, abs=1e-6)
    assert rows["two"]["shift_mm"] == pytest.approx(1.0, abs=1e-6)
    assert rows["two"]["shift_u"] == pytest.approx(
        1.0 / (2 * stored.uncertainty.work_volume_mm), rel=1e-6
    )
    assert rows["none"]["verdict_before"] is None
    assert "session.yaml" in rows["bad"]["error"]
    assert contents(root) == held


def test_with_store_every_result_is_stored(root: Path) -> None:
    shutil.rmtree(root / "bad")
    document = answer("solve", "--all", root, "--store", "--jobs", "1")
    assert all(row["stored"] for row in document["sessions"])
    assert read_result(root / "none").verdict == document["sessions"][-1]["verdict"]


def test_two_processes_say_the_same_as_one(root: Path) -> None:
    one = stationbook("solve", "--all", root, "--jobs", "1", "--json")
    two = stationbook("solve", "--all", root, "--jobs", "2", "--json")
    assert json.loads(one.stdout) == json.loads(two.stdout)
    table = stationbook("solve", "--all", root, "--jobs", "1").stdout
    assert "4 sessions: 2 as before, 2 changed, 0 no longer accepted, 1 not solved" in table


def test_a_killed_run_goes_on_where_it_was(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shutil.rmtree(root / "bad")
    command = [str(STATIONBOOK), "solve", "--all", str(root), "--jobs", "1"]
    record = archive.record_of(root, False)
    with subprocess.Popen(command, stdout=subprocess.DEVNULL) as run:
        end = time.monotonic() + 120
        while not (record.exists() and record.read_text().strip()):
            assert run.poll() is None
            assert time.monotonic() < end
            time.sleep(0.01)
        run.send_signal(signal.SIGKILL if sys.platform != "win32" else signal.SIGTERM)
    done = [
        json.loads(line)["folder"] for line in record.read_text().splitlines() if line[-1:] == "}"
    ]
    assert done
    solved: list[str] = []
    real = archive.solve_session
    monkeypatch.setattr(
        archive, "solve_session", lambda s, f: (solved.append(str(f)), real(s, f))[1]
    )
    document = answer("solve", "--all", root, "--jobs", "1")
    assert len(document["sessions"]) == 3
    assert not set(solved) & set(done)
    assert not record.exists()


def test_what_was_done_before_its_inputs_changed_is_done_again(root: Path) -> None:
    folder = root / "none"
    found = archive.solve_again(str(folder), False, None, archive.datetime.now())
    assert archive.solve_again(str(folder), False, found, archive.datetime.now()) is found
    path = folder / "points" / "001.csv"
    path.write_text(path.read_text().replace(",", ",", 1) + "\n")
    other = archive.solve_again(str(folder), False, found, archive.datetime.now())
    assert other is not found
    assert other.inputs != found.inputs


def test_words_that_do_not_fit_are_refused(root: Path, tmp_path: Path) -> None:
    assert "--all" in refused("solve")
    assert "--store belongs" in refused("solve", root / "none", "--store")
    (tmp_path / "empty").mkdir()
    assert "no session below" in refused("solve", "--all", tmp_path / "empty")
    assert "Leave DIR" in refused("solve", root / "none", "--all", root)


def test_processes_begin_from_a_screen_whose_stderr_is_no_file() -> None:
    code = (
        "import io, sys, threading\n"
        "from engine.steps.archive import processes\n"
        "sys.stderr = type('Screen', (io.StringIO,), {'fileno': lambda self: -1})()\n"
        "threading.Thread(target=threading.Event().wait, daemon=True).start()\n"
        "processes(2).shutdown()"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr
