"""journal.jsonl: an append-only record of every action, one JSON document a line.

A line is written before the file whose change it records, and carries that file's SHA-256 before
and after. So whether an action was finished can be seen from the files alone: following the
hashes back from the content that is there now, every line that the chain does not pass through
was never finished.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from .dump import plain
from .places import JOURNAL_FILE, PROOF_FILE, RESULT_FILE, SESSION_FILE
from .store import append_line
from .yaml_text import read_bytes, sha256

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
    path = folder / JOURNAL_FILE
    if not os.path.exists(path):
        return ()
    texts = read_bytes(path, MAX_JOURNAL).decode("utf-8", "replace").split("\n")
    lines = [line for line in map(_parsed, texts) if line is not None]
    finished: set[int] = set()
    for file in {line["file"] for line in lines}:
        current = folder / file
        now = sha256(read_bytes(current)) if current.is_file() else None
        own = [(number, line) for number, line in enumerate(lines) if line["file"] == file]
        finished |= _finished(own, now)
    return tuple({**line, "finished": n in finished} for n, line in enumerate(lines))


def unfinished(folder: Path) -> list[Line]:
    """Return the lines at the end of the journal whose change never reached the disk."""
    found: list[Line] = []
    for line in reversed(read_journal(folder)):
        if line["finished"]:
            break
        found.insert(0, line)
    return found


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
