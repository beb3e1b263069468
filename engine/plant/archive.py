"""Every session below a folder at a glance, by cell, and an index of that.

The index repeats what the files said, with size and time of each; it is believed only while these
are the same and older than the look, and never without looking at the files' state. Nothing heavy
is loaded here.
"""

from __future__ import annotations

import json
import os
import stat
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from datetime import datetime
from pathlib import Path, PurePath
from typing import Any

from ..cell.result import ACCEPTED
from ..errors import FileError
from ..files import inside, read_bytes, sha256
from ..sessions.journal import MAX_JOURNAL
from ..sessions.schema import program_version
from ..sessions.store import (
    JOURNAL_FILE,
    RESULT_FILE,
    SESSION_FILE,
    config_folder,
    make_folder,
    write_text_atomic,
)
from .summary import Noted, Result, Summary, settled, summary

DEEPEST = 8  # levels below the folder that is looked through; plants sort by hall, line, cell, year
IN_DOUBT_NS = 2 * 10**9  # ns; a file changed so shortly before the look may change again unseen
UNREADABLE = "(cannot be read)"  # the cell of sessions that do not say theirs
MAX_INDEX = 64 * 2**20  # bytes; a session takes about one kilobyte
INDEX_FORM = 9  # raised when a summary holds other things than before
SUMMED = (SESSION_FILE, RESULT_FILE, JOURNAL_FILE)


def by_cell(summaries: Iterable[Summary]) -> dict[str, list[Summary]]:
    """Return the sessions of each cell by its name, in the order of their days."""
    cells: dict[str, list[Summary]] = {}
    for item in summaries:
        cells.setdefault(item.cell or UNREADABLE, []).append(item)
    for listed in cells.values():
        listed.sort(key=lambda item: day_of(item.created) or datetime.min)
    return dict(sorted(cells.items()))


def day_of(text: str | None) -> datetime | None:
    """Return a time of a file without its zone, as the clock on the wall showed it, or None."""
    try:
        return datetime.fromisoformat(text).replace(tzinfo=None) if text else None
    except ValueError:
        return None


def last_result(sessions: Sequence[Summary]) -> Summary | None:
    """Return the session that gave the last accepted result, or the last where none is.

    One that touches refuted had been accepted: no earlier one takes its place unsaid.

    ``sessions`` of one cell, in the order of their days.
    """
    solved = [item for item in sessions if item.result is not None]
    good = [
        item
        for item in solved
        if item.result and (item.result.verdict == ACCEPTED or item.result.refuted)
    ]
    return next(reversed(good or solved), None)


def last_part(folder: str) -> str:
    """Return how rechecks name a session that lies beside theirs: by its folder's name."""
    return PurePath(folder.replace("\\", "/")).name


# ---- finding sessions --------------------------------------------------------------------------


def session_folders(root: Path, levels: int = DEEPEST) -> list[Path]:
    """Return every session folder below ``root``, by name; links are not followed.

    ``levels``: how deep folders of folders are looked through; 0: only what lies in ``root``.

    Raises FileError where ``root`` is no folder.
    """
    if (root / SESSION_FILE).is_file():
        return [root]
    try:
        found = [Path(path) for path in _below(str(root), levels)]
    except OSError as error:
        raise FileError.from_os(root, error, "read") from None
    return sorted(found)


def _below(folder: str, levels: int) -> Iterator[str]:
    with os.scandir(folder) as entries:
        inside = [e.path for e in entries if e.name[0] != "." and e.is_dir(follow_symlinks=False)]
    for path in inside:
        if os.path.isfile(f"{path}/{SESSION_FILE}"):
            yield path
        elif levels:
            with suppress(OSError):
                yield from _below(path, levels - 1)


# ---- the index ---------------------------------------------------------------------------------


def summaries(root: Path, *, index: bool = True, levels: int = DEEPEST) -> list[Summary]:
    """Return every session below ``root`` at a glance, by folder; no copy of another one.

    ``levels`` as in `session_folders`. ``index``: believe and renew the index in the user's own
    configuration folder. A folder that nothing can be written to only costs time. Raises FileError
    where ``root`` is no folder.
    """
    folders = session_folders(root, levels)
    name = f"{sha256(str(root.resolve()).encode())[:16]}.json"
    path = config_folder() / "index" / name
    known = _read_index(path) if index else {}
    entries: dict[str, tuple[list[int], Summary, int]] = {}
    changed = False
    for folder in folders:
        name = str(folder)
        state, newest = _state(name)
        old = known.get(name)
        if old is not None and old[0] == state:
            entries[name] = old
        else:
            entries[name], changed = (state, summary(folder), newest), True
    for cell in by_cell(item for _, item, _ in entries.values()).values():
        last = last_result(cell)
        if last is not None and last.result is not None and last.result.same is None:
            state, item, newest = entries[last.folder]
            entries[last.folder], changed = (state, settled(item), newest), True
    if index and (changed or len(entries) != len(known)):
        with suppress(FileError):
            _write_index(path, entries)
    return without_copies([item for _, item, _ in entries.values()])


def without_copies(items: Sequence[Summary]) -> list[Summary]:
    """Return the sessions without those that another one holds and goes on from.

    A pack that was opened again, or a backup, does not know what the session was found to be since.
    Of copies that are alike to the last line of the journal the one counts that rechecks name.
    """
    named = {last_part(line.against) for item in items for line in item.noted if line.against}
    alike: dict[tuple[str, str, str], list[Summary]] = {}
    for item in items:
        if item.created:
            alike.setdefault((item.cell, item.name, item.created), []).append(item)
    copies: set[str] = set()
    for listed in alike.values():
        if len(listed) > 1:
            told = [(_journal(item.folder), item.folder) for item in listed]
            told.sort(key=lambda one: (-len(one[0]), last_part(one[1]) not in named))
            for n, (journal, folder) in enumerate(told):
                if journal and any(longer.startswith(journal) for longer, _ in told[:n]):
                    copies.add(folder)
    return [item for item in items if item.folder not in copies]


def _journal(folder: str) -> bytes:
    with suppress(FileError):
        return read_bytes(inside(Path(folder), JOURNAL_FILE), MAX_JOURNAL)
    return b""


def _state(folder: str) -> tuple[list[int], int]:
    """Return what tells one state of a session's files from another, and the newest time [ns]."""
    state: list[int] = []
    newest = 0
    for name in SUMMED:
        try:
            status = os.stat(f"{folder}/{name}")
        except OSError:
            state += (0, 0, 0)
            continue
        time = status.st_mtime_ns if stat.S_ISREG(status.st_mode) else 0
        state += (status.st_size, time, status.st_ino)
        newest = max(newest, time, status.st_ctime_ns)
    return state, newest


def _version() -> str:
    return f"{program_version()} {INDEX_FORM}"


def _read_index(path: Path) -> dict[str, tuple[list[int], Summary, int]]:
    """Return what the index says, by folder; nothing where it is missing, old or damaged."""
    try:
        document = json.loads(read_bytes(path, MAX_INDEX))
        if document["made by"] != _version():
            return {}
        return {
            name: (state, _summary_from(name, plain), 0)
            for name, state, plain in document["sessions"]
        }
    except (FileError, ValueError, KeyError, TypeError, RecursionError):
        return {}


def _write_index(path: Path, entries: Mapping[str, Any]) -> None:
    """Write the index, without what was changed so lately that another change could hide."""

    settled = time.time_ns() - IN_DOUBT_NS
    listed = [
        (name, state, item[1:])
        for name, (state, item, newest) in entries.items()
        if newest < settled
    ]
    make_folder(path.parent)
    write_text_atomic(path, json.dumps({"made by": _version(), "sessions": listed}))


def _summary_from(folder: str, plain: list[Any]) -> Summary:
    """Return a summary from what the index holds of it; raises TypeError for another form."""
    item = Summary(folder, *plain)
    result = None if item.result is None else Result(*item.result)
    return item._replace(result=result, noted=tuple(Noted(*one) for one in item.noted))
