"""Commands killed, or refused by the system, at each call by which they change a disk.

A kill comes before a call or in the middle of a write; a refusal is the system's error in the place
of the call (disk full, fault, read-only). After each the session must open with every station that
was acknowledged, no file may stand half written under its final name, and the same command must
succeed when it is given again.
"""

from __future__ import annotations

import errno
import io
import itertools
import os
import shutil
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import yaml
from killing import CALLS, run_killed_at
from world import ACCEPT, record_words, tip, typed

from engine.errors import StationbookError
from engine.report.pack import check_pack
from engine.sessions.folder import open_session
from engine.sessions.journal import altered
from engine.sessions.numbers import observations
from tui.main import main

MOST_CALLS = 400
ERRORS = (errno.ENOSPC, errno.EIO, errno.EROFS, errno.EACCES)
STATIONS = 5
MADE = {  # what a command makes that refuses to do it again
    "start": "new/session.yaml",
    "unpack": "u/session.yaml",
    "pack": "s.zip",
    "swap": "other/session.yaml",
    "demo": "demo/session.yaml",
}
EVERY = {"demo": 45}  # positions between two that are tried: each run takes seconds


@dataclass
class Outcomes:
    """How often what was tried, and what went wrong."""

    kills: int = 0
    refusals: int = 0
    calls: int = 0  # traced, each of them a place for a power cut
    states: int = 0  # of the disk that a power cut may leave there
    positions: dict[str, int] = field(default_factory=dict)
    failed: list[str] = field(default_factory=list)

    def table(self) -> str:
        """Return the counts as a table."""
        rows = [f"{name:12} {count:4} positions" for name, count in self.positions.items()]
        said = f"{self.kills} kills, {self.refusals} refused calls, failed {len(self.failed)}"
        return "\n".join([*rows, said])


def commands(home: Path) -> dict[str, list[str]]:
    """Return the words of every command that writes, by its name."""
    s, out = str(home / "session"), home / "out"
    return {
        "start": ["start", str(home / "cell.yaml"), str(home / "out" / "new")],
        "record": record_words(home / "session", STATIONS + 1, home / "seen.csv"),
        "edit": ["edit", s, "--station", "2", "--note", "seen"],
        "plan": ["plan", s, "--count", "2", "--out", str(out / "plan.html")],
        "solve": ["solve", s],
        "proof-view": ["proof", s, "--view", str(home / "laid-1.csv")],
        "proof-touch": ["proof", s, "--touch", "5", "--pose", " ".join(typed(2)),
                        "--accept", "touch-off"],
        "report": ["report", s],
        "export": ["export", s, "--as", "json", "--not-accepted", "--out", str(out / "e.json")],
        "board": ["board", str(home / "cell.yaml"), "--out", str(out / "b.svg")],
        "import": ["robot", "import", str(home / "arm.urdf"), "--base", "l0", "--tip", "l6",
                   "--out", str(out / "arm.yaml")],
        "pack": ["pack", s, "--out", str(out / "s.zip")],
        "unpack": ["unpack", str(home / "session.zip"), "--to", str(out / "u")],
        "table": ["import", s, str(home / "more.csv"), "--images", str(home / "more"), "--store",
                  *ACCEPT],
        "event": ["event", s, "--what", "washed"],
        "about": ["about", s, "--customer", "A. Example", "--temperature", "21"],
        "swap": ["swap", s, str(out / "other"), "--cell", "second line"],
        "tip": ["tip", s, "--use", *(word for n in range(1, 5) for word in ("--touch", tip(n)))],
        "frame": ["frame", s, "--name", "belt", "--as", "json", "--out", str(out / "f.json"),
                  *(word for n in (1, 2, 3) for word in ("--touch", " ".join(typed(n))))],
        "sign": ["sign", s],
        "rebuild": ["doctor", s, "--rebuild"],
        "photo": ["edit", s, "--station", "2", "--photo", str(home / "image.jpg")],
        "demo": ["demo", "--auto", "--dir", str(out / "demo")],
    }  # fmt: skip


def refuse_at(position: int, error: int) -> None:
    """Let this process's call number ``position`` that changes a disk, and all after it, fail."""
    done = itertools.count()

    def refusing(real: Callable[..., object]) -> Callable[..., object]:
        def call(*args: object, **more: object) -> object:
            changes = real is not _open or bool(args[1] & (os.O_WRONLY | os.O_RDWR | os.O_CREAT))
            if changes and real not in (_close, _unlink) and next(done) == position:
                raise OSError(error, os.strerror(error))
            return real(*args, **more)

        return call

    for name in CALLS:
        setattr(os, name, refusing(getattr(os, name)))


_open, _close, _unlink = os.open, os.close, os.unlink


def _forked(task: Callable[[], object]) -> int:
    """Run ``task`` in a fork; return its exit status (99: it did not end by itself)."""
    pid = os.fork()
    if pid == 0:
        status = 98
        try:
            nowhere = os.open(os.devnull, os.O_RDWR)
            for number in (1, 2):
                os.dup2(nowhere, number)
            sys.stdout = sys.stderr = io.StringIO()
            status = int(task() or 0)  # type: ignore[call-overload]
        finally:
            os._exit(status)
    _, how = os.waitpid(pid, 0)
    return os.waitstatus_to_exitcode(how) if os.WIFEXITED(how) else 99


def _refused(words: list[str], position: int, error: int) -> int:
    refuse_at(position, error)
    return main(words)


def interrupt(home: Path, scratch: Path, names: list[str], found: Outcomes, step: int = 1) -> None:
    """Kill and refuse the named commands at every ``step``-th position.

    Killed halfway through a call they are given again; killed before and after it, only looked at.
    """
    for name in names:
        for position in range(0, MOST_CALLS, step * EVERY.get(name, 1)):
            found.positions[name] = position
            if not _killed(home, scratch, name, position, 0.5, found):
                break
            for part in (0.0, 1.0) if step == 1 and name not in EVERY else ():
                _killed(home, scratch, name, position, part, found)
            place = fresh(home, scratch, name)
            error = ERRORS[position % len(ERRORS)]
            status = _forked(partial(_refused, commands(place)[name], position, error))
            found.refusals += 1
            if status not in (0, 1, 2):
                found.failed.append(f"{name} refused at {position}: exit {status}")
            check(place, name, f"{name} refused at {position}", found, "")


def _killed(
    home: Path, scratch: Path, name: str, position: int, part: float, found: Outcomes
) -> bool:
    """Run a command that is killed there, and look at what it left; tell whether it was killed."""
    place = fresh(home, scratch, name)
    ended = run_killed_at(position, partial(main, commands(place)[name]), part)
    found.kills += ended.killed
    case = f"{name} killed at {position}, {part:.0%} done"
    check(place, name, case, found, ended.printed, again=part == 0.5)
    return ended.killed


def fresh(home: Path, scratch: Path, name: str) -> Path:
    """Copy the files to ``scratch``, ready for the named command."""
    shutil.rmtree(scratch, ignore_errors=True)
    shutil.copytree(home, scratch)
    (scratch / "out").mkdir(exist_ok=True)
    if name == "solve":  # else there is no other result to store
        _forked(partial(main, ["edit", str(scratch / "session"), "--station", "2", "--aside", "x"]))
    if name == "rebuild":
        with (scratch / "session" / "session.yaml").open("a") as file:
            file.write("rotten: [\n")
    return scratch


def check(
    home: Path, name: str, case: str, found: Outcomes, printed: str, *, again: bool = True
) -> None:
    """Look whether anything is lost or half written; with ``again`` give the command once more."""
    session = home / "session"
    if name == "rebuild":  # what is rotten is put right by giving the command again
        _forked(partial(main, commands(home)[name]))
    try:
        opened = open_session(session)
        observations(opened, session)
        kept = {station.id: station.pose for station in opened.stations}
        least = STATIONS + (f"station {STATIONS + 1} stored" in printed)
        if any(kept.get(number) != typed(number) for number in range(1, least + 1)):
            found.failed.append(f"{case}: a station is lost")
        for wrong in altered(session):
            if wrong.how != "added":
                found.failed.append(f"{case}: {wrong}")
        _whole(home)
    except (StationbookError, ValueError, OSError, yaml.YAMLError) as error:
        found.failed.append(f"{case}: {type(error).__name__} {error}")
    if not again:
        return
    status = _forked(partial(main, commands(home)[name]))
    done = name in MADE and (home / "out" / MADE[name]).exists()
    if status not in (0, 1) and not done and name != "record":
        found.failed.append(f"{case}: given again it ends with {status}")


def _whole(home: Path) -> None:
    """Raise where a file stands half written under its final name."""
    session, out = home / "session", home / "out"
    for name in ("result.yaml", "proof.yaml"):
        yaml.load((session / name).read_bytes(), yaml.CSafeLoader)
    for path in session.glob("report*.html"):
        if not path.read_text(encoding="utf-8").rstrip().endswith("</html>"):
            raise ValueError(f"{path} is cut off")
    if (out / "s.zip").exists():
        check_pack(out / "s.zip")
    if (out / "u").exists():
        observations(open_session(out / "u"), out / "u")
    for name in ("new", "other", "demo"):
        if (out / name / "session.yaml").exists():
            observations(open_session(out / name), out / name)
    texts = (("plan.html", "</html>"), ("b.svg", "</svg>"), ("e.json", "}"), ("f.json", "}"))
    for name, end in texts:
        if (out / name).exists() and not (out / name).read_text().rstrip().endswith(end):
            raise ValueError(f"{name} is cut off")
