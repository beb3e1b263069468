"""A full disk, missing rights, a clock that jumps, a system that holds files: nothing is lost."""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest
import world
from command import STATIONBOOK, stationbook
from made_session import make_session
from surroundings import as_nobody, on_a_full_disk, small_disk, unharmed

from engine.errors import FileError
from engine.sessions import store
from engine.sessions.changes import Who, commit
from engine.sessions.folder import open_session
from engine.sessions.journal import altered, read_journal
from engine.steps.editing import annotate
from engine.steps.recording import Consent, examine, record_station
from engine.steps.station_image import no_view
from engine.steps.station_pose import examine_pose, known
from tui.desk.desk import Desk

posix = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork and rights of POSIX")
NOON = datetime.fromisoformat("2026-11-25T12:00:00+01:00")
MB = 2**20


@pytest.fixture(scope="module")
def home() -> Iterator[Path]:
    """Files that every user may reach."""
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patched:
        Path(folder).chmod(0o755)
        patched.setenv("STATIONBOOK_CONFIG", f"{folder}/config")
        yield world.build(Path(folder) / "world").parent


# ---- a full disk -------------------------------------------------------------------------------


@posix
def test_on_a_disk_that_is_really_full_nothing_is_lost_and_the_reason_is_said(
    home: Path, tmp_path: Path
) -> None:
    try:
        with small_disk(tmp_path / "disk", 16 * MB) as disk:
            for name in ("record", "edit", "solve", "report", "pack", "unpack"):
                for left in (0, 12_288):
                    status, failed = on_a_full_disk(home, disk, name, left)
                    assert failed == []
                    assert status == 2 or left > 0
    except OSError as error:
        pytest.skip(f"no disk can be mounted here: {error}")


@posix
def test_a_process_that_may_write_only_so_much_stops_with_a_sentence(tmp_path: Path) -> None:
    make_session(tmp_path / "s", 3)
    words = f"trap '' XFSZ; ulimit -f 1; exec {STATIONBOOK} edit {tmp_path}/s --station 2 --note x"
    run = subprocess.run(["bash", "-c", words], capture_output=True, text=True, check=False)
    assert run.returncode == 2
    assert "too large" in run.stderr
    assert [station.note for station in open_session(tmp_path / "s").stations] == [None] * 3
    assert altered(tmp_path / "s") == []


# ---- an error log that cannot be written -------------------------------------------------------


@pytest.mark.parametrize("place", ["", "file", "full"])
def test_an_unforeseen_error_is_told_where_its_log_cannot_be_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, place: str
) -> None:
    import tui.commands.explain as explain

    def broken(args: object) -> int:
        raise ZeroDivisionError("nobody foresaw this")

    monkeypatch.setattr(explain, "run_explain", broken)
    (tmp_path / "file").write_text("in the way")
    if place == "":  # no home folder at all
        for name in (store.CONFIG_VARIABLE, "XDG_CONFIG_HOME", "HOME"):
            monkeypatch.delenv(name, raising=False)
        monkeypatch.setattr(Path, "home", lambda: (_ for _ in ()).throw(RuntimeError("no home")))
    elif place == "full":
        monkeypatch.setenv(store.CONFIG_VARIABLE, str(tmp_path / "config"))

        def full(*_: object) -> int:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

        monkeypatch.setattr(os, "write", full)
    else:
        monkeypatch.setenv(store.CONFIG_VARIABLE, str(tmp_path / "file"))
    run = stationbook("explain")
    monkeypatch.undo()
    assert run.returncode == 2
    assert "nobody foresaw this" in run.stderr
    assert "the error log cannot be written" in run.stderr
    assert "Traceback" not in run.stderr


# ---- rights ------------------------------------------------------------------------------------

LOCKED = (
    "session/session.yaml", "session/journal.jsonl", "session/result.yaml", "session/proof.yaml",
    "session/points/003.csv", "session/points", "session",
)  # fmt: skip
COMMANDS = (("check",), ("solve",), ("report",), ("pack", "--out", "b.zip"))


@posix
def test_what_may_not_be_read_is_named_and_stays_as_it_is(home: Path) -> None:
    place = home.parent / "locked"
    shutil.copytree(home, place)
    for path in (place, *place.rglob("*")):
        path.chmod(0o777 if path.is_dir() else 0o666)
    said = place / "said.txt"

    def run() -> int:
        worst = 0
        with said.open("w") as file:
            for word, *more in COMMANDS:
                out = [place / name if "." in name else name for name in more]
                done = stationbook(word, place / "session", *out)
                file.write(f"{done.stdout}\n{done.stderr}\n")
                worst = max(worst, done.returncode)
        return worst

    run()  # what a command loads, it loads before the rights are gone
    (place / "b.zip").unlink()
    said.chmod(0o666)
    for name in LOCKED:
        mode = (place / name).stat().st_mode
        (place / name).chmod(0)
        assert as_nobody(run) == 2
        (place / name).chmod(mode)
        (place / "b.zip").unlink(missing_ok=True)
        text = said.read_text()
        assert "internal error" not in text
        assert "Traceback" not in text
        assert "no permission" in text
        assert unharmed(place / "session", name) == []


# ---- clocks ------------------------------------------------------------------------------------


def test_a_clock_that_jumps_years_while_a_session_is_open_loses_nothing(tmp_path: Path) -> None:
    make_session(tmp_path / "s", 3)
    now = NOON
    desk = Desk(tmp_path / "s", clock=lambda: now)
    desk.open()
    try:
        for number, jump in enumerate((0, 3650, -11_000, 1, -1, 40_000)):
            now = NOON + timedelta(days=jump)
            desk.do("note", annotate, number % 3 + 1, f"note {number}")
            desk.rows()
    finally:
        desk.close()
    assert [s.note for s in open_session(tmp_path / "s").stations] == ["note 3", "note 4", "note 5"]
    assert [line["finished"] for line in read_journal(tmp_path / "s")] == [True] * 6
    assert altered(tmp_path / "s") == []
    assert stationbook("check", tmp_path / "s").returncode in (0, 1)
    assert stationbook("cells", tmp_path).returncode == 0


def test_a_clock_set_back_moves_no_robot(tmp_path: Path) -> None:
    """The robot stands at the stop stored last, whatever the computer's clock says meanwhile."""
    make_session(tmp_path / "s", 3)
    session = open_session(tmp_path / "s")
    for back, retake in ((0, None), (9_000, None), (9_000, 2)):
        line = f"{612 + len(session.visited)}.25 10.00 400.00 10.000 20.000 30.000"
        pose = examine_pose(session, line, earlier=known(session, retake=retake))
        draft = examine(session, tmp_path / "s", pose, no_view())
        codes = [item.code for item in draft.findings]
        who = Who(None, NOON - timedelta(days=back))
        session = record_station(session, tmp_path / "s", draft, who, Consent(codes)).session
        assert session.visited[-1].id == (retake or len(session.stations))
    last = replace(session.existing(2), taken="9999-12-31T23:59:59+00:00")  # written by hand
    session = session.with_station(last)
    stored = record_station(session, tmp_path / "s", draft, who, Consent(codes)).session
    assert stored.existing(2).taken == who.now.isoformat(timespec="seconds")


# ---- Windows, by a stand-in for its calls ------------------------------------------------------


def test_a_rename_over_a_file_that_a_reader_has_open_is_tried_until_it_lets_go(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_session(tmp_path / "s", 3)
    held, replace = iter([True] * 5), os.replace

    def refusing(source: str, target: str) -> None:
        if next(held, False):
            raise PermissionError(errno.EACCES, "the file is open")
        replace(source, target)

    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setattr(os, "replace", refusing)
    monkeypatch.setattr(store, "REPLACE_PAUSE", 0.001)
    session = open_session(tmp_path / "s")
    commit(tmp_path / "s", annotate(session, 2, "kept"), Who("A. Example", NOON))
    assert open_session(tmp_path / "s").existing(2).note == "kept"
    assert next(held, None) is None

    monkeypatch.setattr(
        os, "replace", lambda *_: (_ for _ in ()).throw(PermissionError(13, "open"))
    )
    session = open_session(tmp_path / "s")
    with pytest.raises(FileError, match="no permission"):
        commit(tmp_path / "s", annotate(session, 2, "not kept"), Who("A. Example", NOON))
    assert open_session(tmp_path / "s").existing(2).note == "kept"
    assert [path.name for path in (tmp_path / "s").glob(".*.aside")] == []
