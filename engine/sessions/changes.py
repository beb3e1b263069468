"""One change of a session folder, and the one function that writes it.

A step of the job says what is to change and writes nothing; `commit` writes in this order: new
files (images, points), the journal's line, then the changed file by renaming. The rename is the
commit: stopped before it, the folder holds the state before. Where session.yaml is not the file
that was opened, nothing is written.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from ..cell.session import Session
from ..errors import ChangedError, FileError, StationbookError, StoredError
from ..files import LARGEST_FILE, inside, read_bytes, sha256, sha256_of, written
from .folder import open_session, session_text, what_differs
from .journal import PATCHED, append, patch_for
from .store import (
    RESULT_FILE,
    SESSION_FILE,
    encoded,
    make_folder,
    remove,
    write_bytes_atomic,
    write_bytes_new,
)
from .yaml_text import plain, yaml_dump


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
    unchanged = read_bytes(inside(folder, SESSION_FILE))
    return Change(action, session, details, content=unchanged)


def commit(folder: Path, change: Change | None, who: Who, opened: str | None = None) -> str | None:
    """Store one change: new files, the journal's line, then the changed file; None: nothing to do.

    ``opened`` is the SHA-256 that session.yaml must have, that of the file that was opened where it
    is not given. Returns what it is afterwards. Hold the lock (`lock.writing`) from before opening
    the session until after this.

    Raises ChangedError where session.yaml is another one than was opened, FileError where it cannot
    be stored: then the folder holds the state before, and no new file is left behind. Raises
    StoredError where it is stored, but the disk does not confirm that it will stay.
    """
    if change is None:
        return opened
    opened = opened or change.session.origin
    _refuse_unlike_opened(folder, change, opened)
    path = inside(folder, change.file)
    data = encoded(session_text(change.session)) if change.content is None else change.content
    old = read_bytes(path) if os.path.exists(path) else None
    before, after = None if old is None else sha256(old), sha256(data)
    files, details = dict(change.files), dict(change.details)
    if old is not None and change.content is None and change.session.damaged:
        kept = earlier_copy(path)
        if kept is not None:  # what could not be read is not lost by writing the rest
            files[kept.name], details["damaged"] = old, list(change.session.damaged)
    line = {
        "at": who.now.isoformat("T", "seconds"),
        "action": change.action,
        "who": who.operator or change.session.operator,
        **details,
        "file": change.file,
        "before": before,
        "after": after,
        "files": {name: sha256(content) for name, content in files.items()},
    }
    if before != after and change.file in PATCHED:
        line["patch"] = patch_for(folder, change.file, old, data)
    stored: list[Path] = []
    try:
        for name, content in files.items():
            if new := _store_new(folder, name, content):
                stored.append(new)
        append(folder, line)
        if before != after:
            write_bytes_atomic(path, data)
            written(path, data)
    except BaseException as error:
        if before == after or _hash_of(path) != after:
            for new in stored:
                with suppress(FileError):
                    remove(new)
        elif isinstance(error, FileError):
            raise StoredError(path, error.clause, after) from error
        raise
    return after if change.file == SESSION_FILE else opened


def _refuse_unlike_opened(folder: Path, change: Change, opened: str | None) -> None:
    """Refuse to replace what another hand wrote into session.yaml, and say what differs."""
    path = inside(folder, SESSION_FILE)
    if opened is None or _hash_of(path) == opened:
        return
    try:
        apart = what_differs(open_session(folder), change.session)
    except StationbookError as error:
        apart = [error.problem]
    if apart:
        raise ChangedError(path, apart)


def result_change(
    action: str, session: Session, folder: Path, document: Mapping[str, Any]
) -> Change | None:
    """Return the change that puts ``document`` into result.yaml, the one before kept beside it.

    Numbers that are not finite are stored as null. None: the folder holds the same result already.
    """
    path = inside(folder, RESULT_FILE)
    data = encoded(yaml_dump(plain(document)))
    kept = earlier_copy(path)
    if kept is None:
        return Change(action, session, {"kept": None}, {}, RESULT_FILE, data)
    if (before := read_bytes(path)) == data:
        return None
    return Change(action, session, {"kept": kept.name}, {kept.name: before}, RESULT_FILE, data)


def keep_earlier(path: Path) -> Path | None:
    """Store a copy of ``path`` beside it as name-001, name-002, ... and return the copy's path.

    None where there is nothing to keep. A copy that holds the same content already is used again.
    """
    copy = earlier_copy(path)
    if copy is not None and not copy.exists():
        write_bytes_new(copy, read_bytes(path, LARGEST_FILE))
    return copy


def earlier_copy(path: Path) -> Path | None:
    """Return where a copy of ``path`` belongs, or lies already; None where nothing is to keep."""
    if not path.is_file():
        return None
    data, number = read_bytes(path, LARGEST_FILE), 1
    while (copy := path.with_stem(f"{path.stem}-{number:03d}")).exists():
        if read_bytes(copy, LARGEST_FILE) == data:
            break
        number += 1
    return copy


def _hash_of(path: Path) -> str | None:
    return sha256(read_bytes(path)) if os.path.exists(path) else None


def _store_new(folder: Path, name: str, content: bytes) -> Path | None:
    """Store a new file; None where the same content lies there already."""
    path = inside(folder, name)
    if path.is_file() and sha256_of(path, LARGEST_FILE) == sha256(content):
        return None
    make_folder(path.parent)
    write_bytes_new(path, content)
    written(path, content)
    return path
