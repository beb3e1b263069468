"""Killed or cut off from power at any moment: the state before or after, never between.

The crash model is common practice: data is certain after fsync of the file, names after fsync of
the folder (POSIX.1-2017 `fsync`, `rename`); everything else may be there, missing or in part.
"""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest
from crash_replay import LOCK, TRACED, Call, from_strace, states
from files_samples import NOW, with_new_station, write_cell
from killing import CALLS, run_killed_at

from engine.cell.session import Session
from engine.errors import FileError
from engine.sessions import store
from engine.sessions.changes import Change, Who, commit, result_change
from engine.sessions.folder import open_session
from engine.sessions.journal import unfinished
from engine.sessions.lock import writing
from engine.sessions.results import read_result
from engine.steps.starting import create_session

ROOT = Path(__file__).parent.parent
KILLS = 40  # tests/bench/bench_faults.py kills at every position of every command
LONGEST = 80  # calls that a writer lives; some three commits, so kills fall into all parts of one
IMAGE = bytes(range(256)) * 20
WHO = Who("A. Example", NOW)


def started(tmp_path: Path, name: str = "session") -> Path:
    folder = tmp_path / name
    create_session(write_cell(tmp_path), folder, now=NOW)
    return folder


def record_next(folder: Path, session: Session) -> Session:
    new = with_new_station(session)
    image = f"images/{new.stations[-1].id:03d}.png"
    if (folder / image).exists():
        image = image.replace(".png", f"-{random.randrange(10**9)}.png")
    return replace(new, origin=commit(folder, Change("record", new, files={image: IMAGE}), WHO))


def record_until_killed(folder: Path) -> None:
    with writing(folder):
        session = open_session(folder)
        while True:
            session = record_next(folder, session)
            print(session.stations[-1].id, flush=True)


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork; the replay covers Windows' order")
def test_no_acknowledged_station_is_lost_in_random_kills(tmp_path: Path) -> None:
    rng = random.Random(20261125)
    total = 0
    for round_ in range(KILLS // 10):
        folder = started(tmp_path, f"session-{round_}")
        session = record_next(folder, open_session(folder))
        for kill in range(1, 11):
            known = len(session.stations)
            ended = run_killed_at(rng.randrange(LONGEST), partial(record_until_killed, folder))
            assert ended.killed
            ids = ended.printed.split()
            session = open_session(folder)
            count = len(session.stations)
            assert [s.id for s in session.stations] == list(range(1, count + 1))
            assert known + len(ids) <= count <= known + len(ids) + 1
            assert len(unfinished(folder)) <= kill
            total += len(ids)
    assert total > KILLS / 4  # else the writers were killed before they wrote anything


class Recorder:
    """Stands in for the calls of the operating system that store.py makes, and notes them."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.folder, self.calls, self.open = folder, list[Call](), dict[int, str]()
        for name in CALLS:
            monkeypatch.setattr(store.os, name, self._noting(name, getattr(os, name)))

    def _noting(self, name: str, real: object) -> object:
        def call(*args: object, **words: object) -> object:
            result = real(*args, **words)
            self._note(name, args, result)
            return result

        return call

    def _note(self, name: str, args: tuple, result: object) -> None:
        if name == "open":
            self.open[result] = str(args[0])
            if args[1] & os.O_CREAT:
                self._add(Call("create", str(args[0])))
        elif name == "close":
            self.open.pop(args[0], None)
        elif name == "replace":
            self._add(Call("rename", str(args[0]), to=str(args[1])))
        elif name == "link":
            self._add(Call("link", str(args[0]), to=str(args[1])))
        elif name in ("unlink", "mkdir"):
            self._add(Call(name, str(args[0])))
        elif path := self.open.get(args[0]):
            if name == "write":
                self._add(Call("write", path, data=bytes(args[1][:result])))
            elif name == "ftruncate":
                self._add(Call("truncate", path, size=args[1]))
            else:
                self._add(Call("sync", path))

    def _add(self, call: Call) -> None:
        if call.path.startswith(str(self.folder)) and not call.path.endswith(LOCK):
            self.calls.append(call)


def content(folder: Path) -> dict[str, bytes]:
    files = (path for path in folder.rglob("*") if path.is_file() and path.name != LOCK)
    return {str(path): path.read_bytes() for path in files}


def restored(state: dict[str, bytes], folder: Path, scratch: Path) -> Path:
    shutil.rmtree(scratch, ignore_errors=True)
    for path, data in state.items():
        place = scratch / Path(path).relative_to(folder)
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(data)
    return scratch


def check_every_prefix(
    folder: Path, before: dict[str, bytes], calls: list[Call], old: Session, scratch: Path
) -> None:
    new = open_session(folder)
    assert len(new.stations) == len(old.stations) + 1
    image = f"images/{new.stations[-1].id:03d}.png"
    assert {"create", "write", "rename"} <= {call.kind for call in calls}
    renamed = next(k for k, call in enumerate(calls) if call.to.endswith("session.yaml"))
    opened = {"before": 0, "after": 0}
    for done, state in states(before, calls):
        place = restored(state, folder, scratch)
        found = open_session(place)
        assert found in (old, new)
        if found == new:
            assert done > renamed
            assert (place / image).read_bytes() == IMAGE
            assert unfinished(place) == []
        else:
            assert done < len(calls)
            assert len(unfinished(place)) <= 1
        opened["after" if found == new else "before"] += 1
        assert record_next(place, found) == open_session(place)  # work goes on from there
    assert min(opened.values()) > 0


def test_a_commit_cut_off_after_any_call_is_there_or_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = started(tmp_path)
    old = record_next(folder, open_session(folder))
    before = content(folder)
    with monkeypatch.context() as patched:
        recorder = Recorder(folder, patched)
        record_next(folder, old)
    check_every_prefix(folder, before, recorder.calls, old, tmp_path / "scratch")


def test_the_replay_notices_a_missing_fsync(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = started(tmp_path)
    old = record_next(folder, open_session(folder))
    before = content(folder)
    with monkeypatch.context() as patched:
        recorder = Recorder(folder, patched)
        record_next(folder, old)
    careless = [call for call in recorder.calls if call.kind != "sync"]
    with pytest.raises((AssertionError, FileError)):
        check_every_prefix(folder, before, careless, old, tmp_path / "scratch")


def test_a_result_cut_off_after_any_call_is_the_old_or_the_new_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = started(tmp_path)
    session, said = open_session(folder), {"format": 1, "mount": "eye-to-hand", "inputs": {}}
    commit(folder, result_change("solve", session, folder, {**said, "basis": "old"}), WHO)
    before = content(folder)
    with monkeypatch.context() as patched:
        recorder = Recorder(folder, patched)
        commit(folder, result_change("solve", session, folder, {**said, "basis": "new"}), WHO)
    found = set()
    for _, state in states(before, recorder.calls):
        place = restored(state, folder, tmp_path / "scratch")
        basis = read_result(place).basis
        if basis == "new":
            assert (place / "result-001.yaml").read_bytes() == before[str(folder / "result.yaml")]
        found.add(basis)
    assert found == {"old", "new"}


ONE_COMMIT = """
import sys
sys.path.insert(0, "tests")
from pathlib import Path
from test_files_crash import record_next
from engine.sessions.folder import open_session
folder = Path(sys.argv[1])
record_next(folder, open_session(folder))
"""


def test_the_system_calls_of_a_real_commit_survive_every_cut(tmp_path: Path) -> None:
    """The same with the calls as the kernel sees them, traced by strace."""
    strace = shutil.which("strace")
    if strace is None:
        pytest.skip("strace is not installed; the recorded calls above are replayed instead")
    folder = started(tmp_path)
    old = record_next(folder, open_session(folder))
    before = content(folder)
    trace = tmp_path / "trace"
    options = ["-f", "-y", "-xx", "-s", "1000000", "-e", f"trace={TRACED}", "-o", str(trace)]
    run = subprocess.run(
        [strace, *options, sys.executable, "-c", ONE_COMMIT, str(folder)],
        cwd=ROOT,
        capture_output=True,
        text=True,
    )
    if "PTRACE" in run.stderr or "ptrace" in run.stderr:
        pytest.skip("this machine forbids tracing; the recorded calls above are replayed instead")
    assert run.returncode == 0, run.stderr
    calls = from_strace(trace.read_text(), folder)
    check_every_prefix(folder, before, calls, old, tmp_path / "scratch")
