"""One change of a session folder, the one function that writes it, and the journal of them all.

A step of the job says what is to change and writes nothing; `commit` writes in this order: new
files (images, points), the journal's line, then the changed file by renaming. The rename is the
commit: stopped before it, the folder holds the state before.

journal.jsonl is an append-only record of every action, one JSON document a line. A line is written
before the file whose change it records, and carries that file's SHA-256 before and after. So
whether an action was finished can be seen from the files alone: following the hashes back from the
content that is there now, every line that the chain does not pass through was never finished.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from itertools import takewhile
from pathlib import Path
from typing import Any, NamedTuple

from ..cell.session import Session
from ..errors import FileError
from ..files import inside, read_bytes, sha256
from .folder import session_text
from .schema import leads_outside
from .store import (
    JOURNAL_FILE,
    PROOF_FILE,
    RESULT_FILE,
    SESSION_FILE,
    append_line,
    encoded,
    make_folder,
    remove,
    write_bytes_atomic,
    write_bytes_new,
)
from .yaml_text import plain, yaml_dump

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
    unchanged = read_bytes(inside(folder, SESSION_FILE))
    return Change(action, session, details, content=unchanged)


def commit(folder: Path, change: Change | None, who: Who) -> None:
    """Store one change: new files, the journal's line, then the changed file; None: nothing to do.

    Hold the lock (`lock.writing`) from before opening the session until after this. Raises
    FileError; then the folder holds the state before, and no new file is left behind.
    """
    if change is None:
        return
    path = inside(folder, change.file)
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
        append(folder, line)
        if before != after:
            write_bytes_atomic(path, data)
    except BaseException:
        if before == after or _hash_of(path) != after:
            for new in stored:
                with suppress(FileError):
                    remove(new)
        raise


def result_change(
    action: str, session: Session, folder: Path, document: Mapping[str, Any]
) -> Change | None:
    """Return the change that puts ``document`` into result.yaml, the one before kept beside it.

    Numbers that are not finite are stored as null. None: the folder holds the same result already.
    """
    path = inside(folder, RESULT_FILE)
    data = encoded(yaml_dump(plain(document)))
    kept = _earlier_copy(path)
    if kept is None:
        return Change(action, session, {"kept": None}, {}, RESULT_FILE, data)
    if (before := read_bytes(path)) == data:
        return None
    return Change(action, session, {"kept": kept.name}, {kept.name: before}, RESULT_FILE, data)


def keep_earlier(path: Path) -> Path | None:
    """Store a copy of ``path`` beside it as name-001, name-002, ... and return the copy's path.

    None where there is nothing to keep. A copy that holds the same content already is used again.
    """
    copy = _earlier_copy(path)
    if copy is not None and not copy.exists():
        write_bytes_new(copy, read_bytes(path))
    return copy


def _earlier_copy(path: Path) -> Path | None:
    """Return where a copy of ``path`` belongs, or lies already; None where nothing is to keep."""
    if not path.is_file():
        return None
    data, number = read_bytes(path), 1
    while (copy := path.with_stem(f"{path.stem}-{number:03d}")).exists():
        if read_bytes(copy) == data:
            break
        number += 1
    return copy


def _hash_of(path: Path) -> str | None:
    return sha256(read_bytes(path)) if os.path.exists(path) else None


def _store_new(folder: Path, name: str, content: bytes) -> Path | None:
    """Store a new file; None where the same content lies there already."""
    if leads_outside(name):
        raise FileError(folder, f"{name!r} is not a path inside this folder")
    path = inside(folder, name)
    if path.is_file() and read_bytes(path, MAX_STORED) == content:
        return None
    make_folder(path.parent)
    write_bytes_new(path, content)
    return path


CHANGED = (SESSION_FILE, RESULT_FILE, PROOF_FILE)  # files whose changes it records
MAX_JOURNAL = 512 * 2**20  # bytes; a thousand actions take 0.5 MB

Line = dict[str, Any]


def append(folder: Path, line: Mapping[str, object]) -> None:
    """Append one line to the journal of a session folder and force it to the disk.

    ``line`` holds at, who, action (a word), file, before, after (SHA-256 of that file; ``before``
    None: there was none), files (new files and their SHA-256), and whatever belongs to the action.
    """
    append_line(folder / JOURNAL_FILE, json.dumps(plain(line), ensure_ascii=False))


def read_journal(folder: Path) -> tuple[Line, ...]:
    """Return all readable lines, oldest first, each with ``finished`` true or false added.

    A damaged or cut-off line is passed over. Raises FileError where the file cannot be read.
    """
    path = inside(folder, JOURNAL_FILE)
    if not os.path.exists(path):
        return ()
    texts = read_bytes(path, MAX_JOURNAL).decode("utf-8", "replace").split("\n")
    lines = [line for line in map(_parsed, texts) if line is not None]
    finished: set[int] = set()
    for file in {line["file"] for line in lines}:
        current = inside(folder, file)
        now = sha256(read_bytes(current)) if current.is_file() else None
        own = [(number, line) for number, line in enumerate(lines) if line["file"] == file]
        finished |= _finished(own, now)
    return tuple({**line, "finished": n in finished} for n, line in enumerate(lines))


def unfinished(folder: Path) -> list[Line]:
    """Return the lines at the end of the journal whose change never reached the disk."""
    lines = reversed(read_journal(folder))
    return list(takewhile(lambda line: not line["finished"], lines))[::-1]


def _parsed(text: str) -> Line | None:
    try:
        line = json.loads(text)
    except (ValueError, RecursionError):
        return None
    if not isinstance(line, dict) or line.get("file") not in CHANGED:
        return None
    before = line.get("before")
    whole = isinstance(line.get("after"), str) and (before is None or isinstance(before, str))
    return line if whole else None


def _finished(lines: list[tuple[int, Line]], now: str | None) -> set[int]:
    """Return the numbers of the finished lines among those of one file, whose hash is ``now``."""
    first: dict[str, int] = {}
    for number, line in lines:
        first.setdefault(line["after"], number)
    finished = set()
    wanted = now
    for number, line in reversed(lines):
        if wanted is None:
            break  # there was no file before this: nothing earlier can have been finished
        nowhere = first.get(wanted, number) >= number and line["before"] != wanted
        if line["after"] == wanted or nowhere:  # nowhere: the file was changed by hand since
            finished.add(number)
            wanted = line["before"]
    return finished


OVERTAKEN = "overtaken"  # the word in the journal


class Mark(NamedTuple):
    """That the camera moved after a result: when a recheck found it, and with which session."""

    at: str
    by: str


def overtaken(folder: Path) -> Mark | None:
    """Return the mark of a session whose camera moved since, or None. Raises FileError."""
    mark = None
    for line in read_journal(folder):
        if line.get("action") == OVERTAKEN:
            at, by = str(line.get("at"))[:16].replace("T", " "), str(line.get("by"))
            mark = Mark(at, by) if line.get("moved") is True else None
    return mark
