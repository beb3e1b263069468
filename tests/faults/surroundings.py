"""What is around a session: a disk that is full, files without the right to them, clocks."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from command import stationbook
from interrupted import STATIONS, commands
from world import typed

from engine.errors import StationbookError
from engine.sessions.folder import open_session
from engine.sessions.journal import altered

BLOCK = 4096  # bytes; what a small disk gives out at a time
NOBODY = 65534


@contextmanager
def small_disk(place: Path, size: int) -> Iterator[Path]:
    """Mount a disk of ``size`` bytes; raises OSError where that is not permitted."""
    place.mkdir(parents=True)
    words = ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(place)]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise OSError(done.stderr.strip())
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


def fill(place: Path, left: int) -> Path:
    """Fill a disk up to ``left`` bytes."""
    filler = place / "filler"
    with filler.open("wb", buffering=0) as file, suppress(OSError):
        while True:
            file.write(bytes(BLOCK))
    size = filler.stat().st_size
    os.truncate(filler, max(size - left, 0))
    return filler


def on_a_full_disk(home: Path, disk: Path, name: str, left: int) -> tuple[int, list[str]]:
    """Give a command with ``left`` bytes free, then with room; return status and what failed."""
    place = disk / "x"
    shutil.rmtree(place, ignore_errors=True)
    shutil.copytree(home, place)
    (place / "out").mkdir()
    filler, failed = fill(disk, left), list[str]()
    run = stationbook(*commands(place)[name])
    case = f"{name} with {left} bytes free"
    said = run.stdout + run.stderr
    if run.returncode not in (0, 1, 2) or "internal error" in said or "Traceback" in said:
        failed.append(f"{case}: {run.returncode} {said[-300:]}")
    if run.returncode == 2 and "disk is full" not in said:
        failed.append(f"{case}: does not say why: {said[-300:]}")
    failed += unharmed(place / "session", case)
    if run.returncode == 2:
        filler.unlink()
        again = stationbook(*commands(place)[name])
        if again.returncode not in (0, 1):
            failed.append(f"{case}: with room it ends with {again.returncode}: {again.stderr}")
    filler.unlink(missing_ok=True)
    return run.returncode, failed


def unharmed(session: Path, case: str) -> list[str]:
    """Return what is lost of a session, or not as its journal says."""
    try:
        kept = {station.id: station.pose for station in open_session(session).stations}
        lost = [n for n in range(1, STATIONS + 1) if kept.get(n) != typed(n)]
        wrong = [item for item in altered(session) if item.how != "added"]
    except StationbookError as error:
        return [f"{case}: {error}"]
    return [f"{case}: station {n} is lost" for n in lost] + [f"{case}: {w}" for w in wrong]


def as_nobody(task: Callable[[], int]) -> int:
    """Run ``task`` in a fork as a user without rights, where this one has all; its exit status."""
    pid = os.fork()
    if pid == 0:
        status = 98
        try:
            if os.geteuid() == 0:
                os.setgroups([])
                os.setgid(NOBODY)
                os.setuid(NOBODY)
            status = task()
        finally:
            os._exit(status)
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
