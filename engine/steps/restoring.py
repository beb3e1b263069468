"""Restoring session.yaml from the journal, shown as a difference first; the file there is kept."""

from __future__ import annotations

import os
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from ..cell.session import Session
from ..errors import FileError, StationbookError
from ..files import inside, read_bytes
from ..sessions.changes import Change, Who, commit, earlier_copy
from ..sessions.folder import open_session, session_from, what_differs
from ..sessions.journal import restored
from ..sessions.lock import WriterLock, take_lock
from ..sessions.store import SESSION_FILE
from ..sessions.yaml_text import parse_yaml

ACTION = "rebuild"  # the word in the journal


@dataclass(frozen=True, slots=True)
class Rebuilding:
    """What is wrong with session.yaml, and what the journal can put in its place.

    Attributes:
        problem: what is wrong with the file; "" where it can be read.
        difference: what would change, each in a clause; empty where nothing would.
        at, action: when and by what the state in the journal was stored; None: it tells none.
        session, content: that state.
    """

    problem: str
    difference: tuple[str, ...] = ()
    at: str | None = None
    action: str | None = None
    session: Session | None = None
    content: bytes | None = None


def rebuilding(folder: Path) -> Rebuilding:
    """Return what the journal can restore. Raises FileError where that cannot be read either."""
    file, problem = None, ""
    try:
        file = open_session(folder)
        problem = "; ".join(file.damaged)
    except StationbookError as error:
        problem = str(error)
    known = restored(folder)
    if known is None:
        return Rebuilding(problem)
    told = session_from(parse_yaml(known.content, folder / SESSION_FILE))
    if file is None:
        stations = "station" if len(told.stations) == 1 else "stations"
        apart = [f"the whole file: {told.name!r} with {len(told.stations)} {stations}"]
    else:
        apart = what_differs(file, told)
    return Rebuilding(problem, tuple(apart), known.at, known.action, told, known.content)


def rebuild(folder: Path, found: Rebuilding, who: Who) -> str | None:
    """Restore session.yaml and return the name under which the file there is kept, "" for none.

    None: there was nothing to restore. Hold the lock (`restoring`). Raises FileError.
    """
    if found.session is None or found.content is None or not found.difference:
        return None
    path = inside(folder, SESSION_FILE)
    kept = earlier_copy(path)
    files = {kept.name: read_bytes(path)} if kept is not None else {}
    details = {"kept": kept and kept.name, "problem": found.problem}
    commit(folder, Change(ACTION, found.session, details, files, content=found.content), who)
    return kept.name if kept is not None else ""


def restoring(folder: Path, now: datetime) -> WriterLock:
    """Take the lock of a folder whose session.yaml may be damaged or gone; as `lock.writing`."""
    if not os.path.isdir(folder):
        raise FileError(folder, "there is no such folder", "Check the name.")
    return take_lock(folder, None, now)
