"""The sessions of one folder: state, age and result of each."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

from engine.errors import FileError
from engine.sessions.glance import Glance, ResultGlance, read_glance, read_result_glance
from engine.sessions.places import RESULT_FILE, SESSION_FILE

from .rows import counts


@dataclass(frozen=True, slots=True)
class SessionRow:
    """One session in words. ``problem`` is the sentence where it cannot be read."""

    folder: Path
    name: str
    state: str
    role: str
    done: str
    age: str
    result: str
    problem: str = ""
    recheck: str = ""

    def rechecked(self, said: str) -> SessionRow:
        """Return the row with what the last recheck said."""
        return replace(self, recheck=said)


def session_folders(folder: Path) -> list[Path]:
    """Return the session folders in ``folder``, the one changed last first; [] without one."""
    found: list[tuple[float, Path]] = []
    with suppress(OSError):
        for inside in folder.iterdir():
            with suppress(OSError):
                found.append(((inside / SESSION_FILE).stat().st_mtime, inside))
    return [inside for _, inside in sorted(found, key=lambda item: -item[0])]


def overview(folder: Path, now: datetime) -> Iterator[SessionRow]:
    """Yield one row per session in ``folder``, the one changed last first."""
    for inside in session_folders(folder):
        yield session_row(inside, now)


def session_row(folder: Path, now: datetime) -> SessionRow:
    """Return the row of one session."""
    age = _age(folder / SESSION_FILE, now)
    try:
        glance = read_glance(folder)
    except FileError as error:
        return SessionRow(folder, folder.name, "damaged", "error", "", age, "", str(error))
    result = read_result_glance(folder)
    state, role = _state(folder, glance, result)
    used, _, left = counts(glance.stations, glance.plan)
    done = f"{used}, {left} left" if left else f"{used}"
    return SessionRow(folder, glance.name, state, role, done, age, _result(result))


def _state(folder: Path, glance: Glance, result: ResultGlance | None) -> tuple[str, str]:
    if result is None:
        return ("recording", "note") if glance.stations else ("started", "dim")
    if _changed_since(folder):
        return "changed", "warning"
    if result.verdict != "accepted":
        return "NOT ok", "error"
    return ("proven", "good") if result.proven else ("accepted", "good")


def _changed_since(folder: Path) -> bool:
    """Tell whether the session was stored after its result."""
    try:
        stored = (folder / SESSION_FILE).stat().st_mtime
        return stored > (folder / RESULT_FILE).stat().st_mtime
    except OSError:
        return False


def _result(result: ResultGlance | None) -> str:
    if result is None or result.expanded_mm is None:
        return ""
    return f"U {result.expanded_mm:.2f} mm"


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
