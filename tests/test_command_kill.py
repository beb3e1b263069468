"""`record` killed at any moment loses no acknowledged station."""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import time
from functools import partial
from pathlib import Path

import pytest
from command import STATIONBOOK, answer, process, stationbook
from crash_replay import LOCK, TRACED, from_strace, states
from killing import run_killed_at
from made_session import Stop, stops

from engine.sessions.folder import open_session
from engine.sessions.numbers import stored_points
from engine.simulate.scenario import cell_text
from tui.main import main

TIMED_KILLS = 2  # the test above kills at every call
MOST_CALLS = 200  # one `record` makes some forty that change the disk
COUNT = 30  # stops to choose from; most attempts are killed before they store
needs_fork = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")


@pytest.fixture(scope="module")
def made() -> tuple[Stop, ...]:
    return stops(COUNT)[0]


def started(folder: Path) -> Path:
    folder.mkdir()
    (folder / "cell.yaml").write_text(cell_text(), encoding="utf-8")
    session = folder / "session"
    answer("start", folder / "cell.yaml", session)
    return session


def record_words(session: Path, stop: Stop, points: Path) -> list[str]:
    points.write_text(stop.points, encoding="utf-8")
    return [
        *("record", str(session), "--pose", " ".join(stop.pose), "--points", str(points)),
        *("--accept", "small-move", "--accept", "does-not-fit"),
    ]


def check_kept(session: Path, acknowledged: dict[int, tuple[str, ...]]) -> None:
    """Every acknowledged station is there as typed, and every stored one is whole."""
    opened = open_session(session)
    kept = {station.id: station.pose for station in opened.stations}
    assert acknowledged.items() <= kept.items()
    for station in opened.stations:
        assert stored_points(opened, session, station) is not None


@needs_fork
def test_record_killed_at_every_call_loses_no_acknowledged_station(
    tmp_path: Path, made: tuple[Stop, ...]
) -> None:
    """One kill before each call that changes the disk, and in the middle of each write."""
    session = started(tmp_path / "cell")
    points = tmp_path / "seen.csv"
    assert stationbook(*record_words(session, made[0], points)).returncode == 0
    acknowledged = {1: made[0].pose}
    unstored = unspoken = 0
    for position in range(MOST_CALLS):
        number = open_session(session).next_id
        stop = made[number - 1]
        words = record_words(session, stop, points)
        ended = run_killed_at(position, partial(main, words))
        if f"station {number} stored" in ended.printed:
            acknowledged[number] = stop.pose
        check_kept(session, acknowledged)
        if not ended.killed:
            break
        stored = open_session(session).station(number) is not None
        unstored += not stored
        unspoken += stored and number not in acknowledged
    assert not ended.killed
    assert number in acknowledged  # the last run was left alone and stored its station
    assert unstored >= 10  # so many calls come before the commit,
    assert unspoken >= 1  # and some between the commit and the word about it


def test_record_killed_at_random_moments_loses_no_acknowledged_station(
    tmp_path: Path, made: tuple[Stop, ...]
) -> None:
    """Whole processes, killed wherever they are; where that is depends on the machine."""
    rng = random.Random(3)
    session = started(tmp_path / "cell")
    points = tmp_path / "seen.csv"
    begin = time.perf_counter()
    run = process(*record_words(session, made[0], points))
    whole = time.perf_counter() - begin
    assert run.returncode == 0, run.stdout + run.stderr
    acknowledged = {1: made[0].pose}
    for _ in range(TIMED_KILLS):
        number = open_session(session).next_id
        stop = made[number - 1]
        words = [str(STATIONBOOK), *record_words(session, stop, points)]
        running = subprocess.Popen(
            words, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
        )
        time.sleep(rng.uniform(0.5, 1.05) * whole)
        running.kill()
        if f"station {number} stored" in running.communicate()[0]:
            acknowledged[number] = stop.pose
        check_kept(session, acknowledged)


def test_a_killed_writer_locks_nobody_out(tmp_path: Path, made: tuple[Stop, ...]) -> None:
    session = started(tmp_path / "cell")
    words = record_words(session, made[0], tmp_path / "seen.csv")
    running = subprocess.Popen([str(STATIONBOOK), *words], stdout=subprocess.DEVNULL)
    lock = session / ".lock"
    while not (lock.exists() and lock.read_bytes()) and running.poll() is None:
        time.sleep(0.001)
    running.kill()
    running.wait()
    assert stationbook(*words).returncode in (0, 1)
    assert open_session(session).station(1) is not None


def whole_content(folder: Path) -> dict[str, bytes]:
    return {str(p): p.read_bytes() for p in folder.rglob("*") if p.is_file() and p.name != LOCK}


def laid_out(state: dict[str, bytes], folder: Path, scratch: Path) -> Path:
    shutil.rmtree(scratch, ignore_errors=True)
    for name, data in state.items():
        place = scratch / Path(name).relative_to(folder)
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(data)
    return scratch


def test_every_prefix_of_what_record_writes_is_the_state_before_or_after(
    tmp_path: Path, made: tuple[Stop, ...]
) -> None:
    """The real command's write, fsync and rename calls, traced by strace and replayed."""
    strace = shutil.which("strace")
    if strace is None:
        pytest.skip("strace is not installed; tests/test_files_crash.py replays recorded calls")
    session = started(tmp_path / "cell")
    points = tmp_path / "seen.csv"
    assert stationbook(*record_words(session, made[0], points)).returncode == 0
    before = whole_content(session)
    trace = tmp_path / "trace"
    options = ["-f", "-y", "-xx", "-s", "1000000", "-e", f"trace={TRACED}", "-o", str(trace)]
    words = [str(STATIONBOOK), *record_words(session, made[1], points)]
    run = subprocess.run([strace, *options, *words], capture_output=True, text=True, check=False)
    if "ptrace" in run.stderr.lower():
        pytest.skip("this machine forbids tracing; tests/test_files_crash.py replays instead")
    assert run.returncode == 0, run.stdout + run.stderr
    counts = set()
    for done, state in states(before, from_strace(trace.read_text(), session)):
        place = laid_out(state, session, tmp_path / "scratch")
        opened = open_session(place)
        check_kept(place, {1: made[0].pose})
        counts.add(len(opened.stations))
        assert len(opened.stations) in (1, 2), f"after {done} calls"
    assert counts == {1, 2}
