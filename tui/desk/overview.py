"""The sessions of one folder: state, age and result of each."""

from __future__ import annotations

import traceback
from collections.abc import Iterator
from contextlib import suppress
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from engine.errors import FileError, StationbookError
from engine.sessions.glance import Glance, read_glance
from engine.sessions.journal import overtaken
from engine.sessions.store import JOURNAL_FILE, RESULT_FILE, SESSION_FILE, append_error_log

from .views import counts

if TYPE_CHECKING:
    from engine.cell.result import StoredResult

Stamps = tuple[tuple[int, int] | None, ...]  # time [ns] and size of files


class SessionRow(NamedTuple):
    """One session in words. ``problem`` is the sentence where it cannot be read.

    ``unknown``: why U of its result is not known.
    """

    folder: Path
    name: str
    state: str
    role: str
    done: str
    age: str
    result: str
    problem: str = ""
    recheck: str = ""
    cell: str = ""
    unknown: str = ""

    @property
    def comparable(self) -> bool:
        """Whether a recheck can be held against its result."""
        return bool(self.result) and not self.unknown


def session_folders(folder: Path) -> list[Path]:
    """Return the session folders in ``folder``, the one changed last first; [] without one."""
    found: list[tuple[float, Path]] = []
    with suppress(OSError):
        for inside in folder.iterdir():
            with suppress(OSError):
                found.append(((inside / SESSION_FILE).stat().st_mtime, inside))
    return [inside for _, inside in sorted(found, key=lambda item: -item[0])]


def free_folder(above: Path, name: str) -> Path:
    """Return a folder that is not there yet: ``name``, or with a number."""
    free, number = above / name, 1
    while free.exists():
        number += 1
        free = above / f"{name}-{number}"
    return free


def by_cell(rows: list[SessionRow]) -> list[SessionRow]:
    """Return the rows with those of one cell together, the cell changed last first."""
    order = list(dict.fromkeys(row.cell for row in rows))
    return sorted(rows, key=lambda row: order.index(row.cell))


def stamps(folder: Path, *names: str) -> Stamps:
    """Return what tells one state of these files from another; None of one that is not there."""
    found: list[tuple[int, int] | None] = []
    for name in names:
        try:
            status = (folder / name).stat()
        except OSError:
            found.append(None)
        else:
            found.append((status.st_mtime_ns, status.st_size))
    return tuple(found)


def changed(folder: Path) -> Stamps:
    """Return what tells one state of a session from another, without reading it."""
    return stamps(folder, SESSION_FILE, RESULT_FILE, JOURNAL_FILE)


def overview(folder: Path, now: datetime) -> Iterator[SessionRow]:
    """Yield one row per session in ``folder``, the one changed last first."""
    for inside in session_folders(folder):
        yield _alone(inside, now)


def _alone(folder: Path, now: datetime) -> SessionRow:
    """Return the row of one session, whatever is wrong with it: the others are shown all the same.

    What nobody foresaw is written to the error log.
    """
    try:
        return session_row(folder, now)
    except FileError as error:
        age = _age(folder / SESSION_FILE, now)
        return SessionRow(folder, folder.name, "damaged", "error", "", age, "", str(error))
    except Exception as error:
        problem = f"this session cannot be shown ({type(error).__name__}: {error})"
        with suppress(StationbookError):
            append_error_log("".join(traceback.format_exception(error)))
        return SessionRow(folder, folder.name, "damaged", "error", "", "", "", problem)


def session_row(folder: Path, now: datetime) -> SessionRow:
    """Return the row of one session. Raises FileError for one of which a file cannot be read."""
    glance, age = read_glance(folder), _age(folder / SESSION_FILE, now)
    from engine.cell.result import not_known_by  # not before the first picture
    from engine.sessions.results import read_result

    result = None
    with suppress(FileError):
        result = read_result(folder)
    state, role = _state(folder, glance, result)
    if glance.problem:
        state, role = "damaged", "error"
    seen, _, _, left = counts(glance.stations, glance.plan)
    done = f"{seen}, {left} left" if left else f"{seen}"
    expanded, why = (result.expanded_mm, not_known_by(result.unknown_by)) if result else (None, "")
    said = "U unknown" if why else "" if expanded is None else f"U {expanded:.2f} mm"
    return SessionRow(
        folder, glance.name, state, role, done, age, said, glance.problem,
        cell=glance.cell, unknown=f"U {why}" if why else "",
    )  # fmt: skip


def _state(folder: Path, glance: Glance, result: StoredResult | None) -> tuple[str, str]:
    if result is None:
        return ("recording", "note") if glance.stations else ("started", "dim")
    if _left_behind(folder, result):
        return "changed", "warning"
    if result.by_touch == "failed":
        return "disproved", "error"
    if not result.accepted or _barred(folder, glance):
        return "NOT ok", "error"
    if result.told:
        return "as told", "warning"
    return ("proven", "good") if result.proven else ("accepted", "good")


def _barred(folder: Path, glance: Glance) -> bool:
    return any(mark.bars for mark in overtaken(folder, glance.cameras).values())


def _left_behind(folder: Path, result: StoredResult) -> bool:
    """Tell whether the session is another one than the result was computed from.

    The hashes of the files decide. Where session.yaml alone differs, as after a note, it takes the
    strict reader to say whether that touches the result.
    """
    from engine.sessions.results import changed_inputs

    changed = changed_inputs(result, folder)
    if changed != {SESSION_FILE}:
        return bool(changed)
    from engine.sessions.folder import open_session
    from engine.sessions.results import what_changed

    try:
        return what_changed(open_session(folder), folder, result) is not None
    except FileError:
        return True


def _age(path: Path, now: datetime) -> str:
    try:
        then = datetime.fromtimestamp(path.stat().st_mtime, now.tzinfo)
    except OSError:
        return ""
    passed = now - then
    if passed < timedelta(hours=12):
        return f"{then:%H:%M}"
    days = max(passed.days, 1)
    return f"{days} d" if days < 100 else f"{days // 30} months"
