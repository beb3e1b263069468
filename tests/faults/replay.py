"""Every prefix of the calls by which a command changes the disk, as a power cut would leave it.

The command runs under strace; `crash_replay` says what a disk may hold after each of its calls. In
each such state the session must open with every station, and nothing stand there in part.
"""

from __future__ import annotations

import shutil
import subprocess
from contextlib import suppress
from pathlib import Path

from command import STATIONBOOK
from crash_replay import LOCK, TRACED, from_strace, states
from interrupted import Outcomes, check, commands, fresh

STRACE = shutil.which("strace")


def replay(home: Path, scratch: Path, name: str, found: Outcomes, *, step: int = 1) -> None:
    """Trace the named command and look at every ``step``-th state that it may leave behind.

    Raises OSError where this machine has no strace or forbids tracing.
    """
    if STRACE is None:
        raise OSError("strace is not installed")
    place = fresh(home, scratch, name)
    before, trace = _content(place), scratch.with_suffix(".trace")
    told = ["-f", "-y", "-xx", "-s", "4000000", "-e", f"trace={TRACED}", "-o", str(trace)]
    words = [STRACE, *told, str(STATIONBOOK), *commands(place)[name]]
    run = subprocess.run(words, capture_output=True, text=True, check=False)
    if "ptrace" in run.stderr.lower():
        raise OSError("this machine forbids tracing")
    if run.returncode not in (0, 1):
        found.failed.append(f"{name}: {run.stderr[-200:]}")
    calls = from_strace(trace.read_text(), place)
    found.calls += len(calls)
    for number, (done, state) in enumerate(states(before, calls)):
        if number % step == 0:
            _lay_out(state, place)
            found.states += 1
            check(place, name, f"{name}, power cut after {done} calls", found, "", again=False)


def _content(folder: Path) -> dict[str, bytes]:
    return {str(p): p.read_bytes() for p in folder.rglob("*") if p.is_file() and p.name != LOCK}


def _lay_out(state: dict[str, bytes], place: Path) -> None:
    """Make ``place`` hold what ``state`` says, writing only what differs."""
    for path in sorted(place.rglob("*"), reverse=True):
        if path.is_file() and str(path) not in state:
            path.unlink()
        elif path.is_dir() and path.name != "out":
            with suppress(OSError):  # not empty
                path.rmdir()
    for name, data in state.items():
        path = Path(name)
        if not path.is_file() or path.read_bytes() != data:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(data)
