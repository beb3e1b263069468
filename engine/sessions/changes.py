"""One change of a session folder, and the one function that writes it.

A step of the job says what is to change and writes nothing; `commit` writes in this order: new
files (images, points), the journal's line, then the changed file by renaming. The rename is the
commit: stopped before it, the folder holds the state before.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from ..cell.session import Session
from ..errors import FileError
from . import journal
from .places import SESSION_FILE
from .schema import leads_outside
from .session_file import session_text
from .store import encoded, make_folder, remove, write_bytes_atomic, write_bytes_new
from .yaml_text import MAX_BYTES, read_bytes, sha256

MAX_STORED = 512 * 2**20  # bytes; the largest image of an industrial sensor takes 300 MB


@dataclass(frozen=True, slots=True)
class Who:
    """Who does something, and when. ``operator`` None: whoever the session names."""

    operator: str | None
    now: datetime


@dataclass(frozen=True, slots=True)
class Change:
    """One change, checked but not yet written.

    Attributes:
        action: the journal's word for it.
        session: the session after it.
        details: what else the journal says: what was typed, accepted, replaced.
        files: contents of new files by path in the folder; existing files are never overwritten.
        file: the file that changes.
        content: what ``file`` holds after it; None: ``session`` as session.yaml.
    """

    action: str
    session: Session
    details: Mapping[str, object] = field(default_factory=dict)
    files: Mapping[str, bytes] = field(default_factory=dict)
    file: str = SESSION_FILE
    content: bytes | None = None


def remark(action: str, session: Session, folder: Path, details: Mapping[str, object]) -> Change:
    """Return a journal line that goes with no change: something was found out.

    It carries the hash of session.yaml, so that it tells which state it speaks of.
    """
    unchanged = read_bytes(folder / SESSION_FILE, MAX_BYTES)
    return Change(action, session, details, content=unchanged)


def commit(folder: Path, change: Change | None, who: Who) -> None:
    """Store one change: new files, the journal's line, then the changed file; None: nothing to do.

    Hold the lock (`lock.writing`) from before opening the session until after this. Raises
    FileError; then the folder holds the state before, and no new file is left behind.
    """
    if change is None:
        return
    path = folder / change.file
    data = encoded(session_text(change.session)) if change.content is None else change.content
    before, after = _hash_of(path), sha256(data)
    line = {
        "at": who.now.isoformat("T", "seconds"),
        "action": change.action,
        "who": who.operator or change.session.operator,
        **change.details,
        "file": change.file,
        "before": before,
        "after": after,
        "files": {name: sha256(content) for name, content in change.files.items()},
    }
    stored: list[Path] = []
    try:
        for name, content in change.files.items():
            if new := _store_new(folder, name, content):
                stored.append(new)
        journal.append(folder, line)
        if before != after:
            write_bytes_atomic(path, data)
    except BaseException:
        if before == after or _hash_of(path) != after:
            for new in stored:
                with suppress(FileError):
                    remove(new)
        raise


def _hash_of(path: Path) -> str | None:
    return sha256(read_bytes(path, MAX_BYTES)) if os.path.exists(path) else None


def _store_new(folder: Path, name: str, content: bytes) -> Path | None:
    """Store a new file; None where the same content lies there already."""
    if leads_outside(name):
        raise FileError(folder, f"{name!r} is not a path inside this folder")
    path = folder / name
    if path.is_file() and read_bytes(path, MAX_STORED) == content:
        return None
    make_folder(path.parent)
    write_bytes_new(path, content)
    return path
