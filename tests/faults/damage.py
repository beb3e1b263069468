"""Damaged inputs through what reads them: a sentence each, and nothing else.

An input counts as failed where anything but a `StationbookError` comes out of a reader, where a
command prints a traceback or "internal error", leaves with another status than 0, 1 or 2, sends a
control character to the terminal, or takes longer than `MOST_S` of CPU.
"""

from __future__ import annotations

import random
import resource
import shutil
import time
import traceback
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from unittest.mock import patch

from command import stationbook
from mutations import damaged
from photographs import read_image
from world import DEPTH_SIZE

from engine.boards.points_file import read_points
from engine.camera.model import DepthCamera
from engine.depth.reading import decode_depth, depth_bytes
from engine.errors import StationbookError
from engine.plant.summary import summary
from engine.proof.compare import read_taught
from engine.proof.touch import read_touches
from engine.report.pack import unpack
from engine.robots.urdf import import_urdf
from engine.sessions.cell_file import read_cell
from engine.sessions.cell_parts import read_robot
from engine.sessions.changes import Who, commit
from engine.sessions.confirmed import read_settings
from engine.sessions.folder import open_session
from engine.sessions.journal import altered, read_journal, restored
from engine.sessions.numbers import observations
from engine.sessions.results import read_result, what_changed
from engine.sessions.signature import verified
from engine.steps.editing import annotate
from engine.steps.foreign import Convention, read_foreign
from engine.steps.importing import table_rows
from tui.desk.overview import session_row
from tui.desk.recheck import last_rechecks
from tui.words import visible

METRES = DepthCamera(1000.0, "camera")
MOST_MB = 600  # MB that one input may add to what the process ever held
MOST_S = 5.0  # s of CPU for one input
NOW = datetime(2026, 11, 25, 9, 12, tzinfo=UTC)
WHO = Who("A. Example", NOW)


@dataclass
class Tally:
    """What came of the inputs: how many by kind of file, and what failed, with its seed."""

    inputs: Counter[str] = field(default_factory=Counter)
    failed: list[str] = field(default_factory=list)
    slowest_s: float = 0.0
    grown_mb: int = 0
    refused: int = 0

    def table(self) -> str:
        """Return the counts as a table."""
        rows = [f"{name:28} {count:8}" for name, count in sorted(self.inputs.items())]
        last = f"{'all':28} {self.inputs.total():8}"
        said = f"refused {self.refused}, failed {len(self.failed)}, slowest {self.slowest_s:.2f} s"
        return "\n".join([*rows, last, f"{said}, at most {self.grown_mb} MB more"])


def _peak_mb() -> int:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024


def _session(home: Path) -> None:
    """Everything that the screen and the commands read of a session folder."""
    folder = home / "session"
    last_rechecks([folder])
    summary(folder)
    errors = []
    listed = partial(session_row, now=NOW)
    for look in (listed, read_journal, altered, restored, read_result, read_touches, verified):
        try:
            look(folder)
        except StationbookError as error:
            errors.append(error)
    session = open_session(folder)
    observations(session, folder)
    if not errors:
        what_changed(session, folder, read_result(folder))
    if session.stations:
        commit(folder, annotate(session, session.stations[0].id, "seen"), WHO)
    open_session(folder)


def _unpack(home: Path) -> None:
    target = home / "unpacked"
    shutil.rmtree(target, ignore_errors=True)
    unpack(home / "session.zip", target)


def _settings(home: Path) -> None:
    with patch.dict("os.environ", {"STATIONBOOK_CONFIG": str(home)}):
        read_settings()


def _image(kind: str) -> Callable[[Path], object]:
    return lambda home: read_image(home / f"image.{kind}")


def _depth(name: str) -> Callable[[Path], object]:
    def read(home: Path) -> None:
        depth = decode_depth(depth_bytes(home / name), name, METRES, DEPTH_SIZE)
        depth.z(), depth.xy()

    return read


def _script(name: str) -> Callable[[Path], object]:
    return lambda home: read_foreign(
        home / name, read_cell(home / "cell.yaml").pendant, Convention("mm")
    )


DEPTH = ("deep.png", "deep.tiff", "deep.npy", "cloud.npy", "text.ply", "deep.ply", "text.pcd",
         "deep.pcd")  # fmt: skip
READERS: dict[str, Callable[[Path], object]] = {
    "session/session.yaml": _session,
    "session/result.yaml": _session,
    "session/proof.yaml": _session,
    "session/journal.jsonl": _session,
    "session/points/001.csv": _session,
    "session/signature.yaml": _session,
    "cell.yaml": lambda home: read_cell(home / "cell.yaml"),
    "arm.yaml": lambda home: read_robot(home / "arm.yaml"),
    "arm.urdf": lambda home: import_urdf(home / "arm.urdf", "l0", "l6"),
    **{f"image.{kind}": _image(kind) for kind in ("png", "tiff", "jpg", "bmp")},
    **{name: _depth(name) for name in DEPTH},
    **{name: _script(name) for name in ("script.npz", "script.json")},
    "table.csv": lambda home: table_rows(open_session(home / "session"), home / "table.csv"),
    "seen.csv": lambda home: read_points(home / "seen.csv", read_cell(home / "cell.yaml").board),
    "taught.csv": lambda home: read_taught(
        home / "taught.csv", open_session(home / "session").cell.pendant
    ),
    "session.zip": _unpack,
    "settings.yaml": _settings,
}

COMMANDS: dict[str, tuple[tuple[str, ...], ...]] = {
    "session/session.yaml": (
        ("check", "session"), ("solve", "session", "--no-write"), ("plan", "session", "--no-write"),
        ("report", "session", "--no-write"), ("lens", "session"),
        ("export", "session", "--as", "json"), ("compare", "session", "session"),
    ),
    "session/result.yaml": (
        ("report", "session", "--no-write"), ("export", "session", "--as", "pendant"),
        ("compare", "session", "session"), ("proof", "session", "--no-write"),
        ("shift", "session", "--points", "taught.csv", "--against", "session"),
    ),
    "session/proof.yaml": (("proof", "session", "--no-write"), ("solve", "session", "--no-write")),
    "session/journal.jsonl": (("check", "session"), ("report", "session", "--no-write")),
    "session/points/001.csv": (("check", "session"), ("report", "session", "--no-write")),
    "cell.yaml": (("plan", "cell.yaml", "--count", "2"), ("board", "cell.yaml", "--out", "b.svg")),
    "arm.urdf": (("robot", "import", "arm.urdf", "--base", "l0", "--tip", "l6"),),
    "taught.csv": (("shift", "session", "--points", "taught.csv", "--against", "session"),),
    "image.png": (("focus", "cell.yaml", "--image", "image.png"),),
    "session.zip": (("unpack", "session.zip", "--to", "again"),),
    "session/signature.yaml": (("check", "session"),),
    "table.csv": (("import", "session", "table.csv"),),
    "script.npz": (("import", "session", "script.npz", "--unit", "mm"),),
    "script.json": (("import", "session", "script.json", "--unit", "mm"),),
}  # fmt: skip


def spoil(home: Path, count: int, seed: int, tally: Tally, *, commands: bool = False) -> None:
    """Put ``count`` damaged inputs through the readers, or through the commands."""
    rng = random.Random(seed)
    names = sorted(COMMANDS if commands else READERS)
    whole = {name: (home / name).read_bytes() for name in names}
    kept = {path: path.read_bytes() for path in (home / "session").rglob("*") if path.is_file()}
    for number in range(count):
        name = names[number % len(names)]
        case = f"{name} seed {seed} input {number}"
        (home / name).write_bytes(damaged(whole[name], rng))
        tally.inputs[name] += 1
        begin, held = time.process_time(), _peak_mb()
        if commands:
            _run(home, rng.choice(COMMANDS[name]), case, tally)
        else:
            _read(home, READERS[name], case, tally)
        took = time.process_time() - begin
        grown = _peak_mb() - held
        tally.slowest_s, tally.grown_mb = max(tally.slowest_s, took), max(tally.grown_mb, grown)
        if grown > MOST_MB:
            tally.failed.append(f"{case}: {grown} MB")
        if took > MOST_S:
            tally.failed.append(f"{case}: {took:.1f} s")
        (home / name).write_bytes(whole[name])
        if name.startswith("session/"):
            _restore(home / "session", kept)


def _restore(folder: Path, kept: dict[Path, bytes]) -> None:
    for path in folder.rglob("*"):
        if path.is_file() and path not in kept:
            path.unlink()
    for path, data in kept.items():
        if not path.exists() or path.read_bytes() != data:
            path.write_bytes(data)


def _read(home: Path, reader: Callable[[Path], object], case: str, tally: Tally) -> None:
    try:
        reader(home)
    except StationbookError:
        tally.refused += 1
    except Exception as error:
        last = traceback.extract_tb(error.__traceback__)[-1]
        tally.failed.append(
            f"{case}: {type(error).__name__}: {error} ({last.filename}:{last.lineno})"
        )


def _run(home: Path, words: tuple[str, ...], case: str, tally: Tally) -> None:
    args = [str(home / word) if _is_path(word) else word for word in words]
    shutil.rmtree(home / "again", ignore_errors=True)
    run = stationbook(
        *args, *(("--out", str(home / "made.yaml"), "--force") if "import" in args else ())
    )
    said = run.stdout + run.stderr
    case = f"{case}: {' '.join(words)}"
    if run.returncode not in (0, 1, 2):
        tally.failed.append(f"{case}: exit {run.returncode}")
    if "Traceback" in said or "internal error" in said:
        tally.failed.append(f"{case}: {said[said.find('internal error') :][:200]}")
    if visible(said) != said:
        tally.failed.append(f"{case}: control characters")
    tally.refused += run.returncode == 2


def _is_path(word: str) -> bool:
    return "." in word or word in ("session", "again")
