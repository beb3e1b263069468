"""The journal of a session folder: what was done, what was finished, what was altered since.

journal.jsonl is an append-only record of every action, one JSON document a line. A line is written
before the file whose change it records, and carries that file's SHA-256 before and after. So
whether an action was finished can be seen from the files alone: following the hashes back from the
content that is there now, every line that the chain does not pass through was never finished.

Each line also carries the SHA-256 of the line before it, and how the text of the file changed. So a
line that was altered or taken out shows by the next one, and the file can be made again from the
journal, which its hash then proves. Whoever writes all of it anew, hashes included, leaves no
trace: that is what a signature is for (`signature`).
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator, Mapping, Sequence
from difflib import SequenceMatcher
from itertools import takewhile
from pathlib import Path
from typing import Any, Literal, NamedTuple

from ..errors import FileError
from ..files import LARGEST_FILE, NOT_OURS, inside, opened, read_bytes, sha256, sha256_of
from .store import JOURNAL_FILE, KEPT_IN, PROOF_FILE, RESULT_FILE, SESSION_FILE, append_line
from .yaml_text import plain

CHANGED = (SESSION_FILE, RESULT_FILE, PROOF_FILE)  # files whose changes it records
PATCHED = (SESSION_FILE, PROOF_FILE)  # of these also how the text changed; results are kept whole
MAX_JOURNAL = 16 * 2**20  # bytes; a thousand actions take 1 MB, `check` reads 7 MB a second
MAX_LINES = 40_000  # twice what actions of the usual size have in as many bytes
MAX_FILES = 20_000  # that one line names: 5,000 rows of a table with image, points, depth and view
MAX_REMADE = 2**30  # bytes of all states of a file; 1,500 stations stored one by one take 450 MB
TAIL = 2**18  # bytes; some hundred lines
REMEMBERED = 16  # states of a file; so many actions in a row may be cut off by kills

Line = dict[str, Any]
Patch = list[list[Any]]  # [first, end, text]: blocks first to end of the text before become this


# ---- writing -----------------------------------------------------------------------------------


def append(folder: Path, line: Mapping[str, object]) -> None:
    """Append one line to the journal of a session folder and force it to the disk.

    ``line`` holds at, who, action (a word), file, before, after (SHA-256 of that file; ``before``
    None: there was none), files (new files and their SHA-256), and whatever belongs to the action.
    """
    path = inside(folder, JOURNAL_FILE)
    last = _tail(path)[-1:]
    chained = {**line, "prev": sha256(last[0]) if last else None}
    append_line(path, json.dumps(plain(chained), ensure_ascii=False))


def last_line(folder: Path, digest: str | None = None) -> str | None:
    """Return the SHA-256 of the journal's last line; with ``digest``: of the line that has it."""
    hashes = [sha256(text) for text in _texts(folder)]
    if digest is not None:
        return digest if digest in hashes else None
    return hashes[-1] if hashes else None


def patch_for(folder: Path, file: str, old: bytes | None, new: bytes) -> Patch | None:
    """Return how ``file`` changes, for its line; the whole text where no line tells the old one."""
    if file not in PATCHED:
        return None
    texts = _tail(inside(folder, JOURNAL_FILE)) if old is not None else []
    lines = (line for line in map(_parsed, reversed(texts)) if line is not None)
    told = next((line["after"] for line in lines if line["file"] == file and "patch" in line), None)
    known = old is not None and told == sha256(old)
    before, after = _blocks(old.decode() if known and old else ""), _blocks(new.decode())
    steps = SequenceMatcher(None, before, after, autojunk=False).get_opcodes()
    return [[i, j, "".join(after[a:b])] for tag, i, j, a, b in steps if tag != "equal"]


def _blocks(text: str) -> list[str]:
    """Return the text cut before every line that is not indented: a key or a station each."""
    return re.split(r"(?m)^(?=\S)", text)


def _tail(path: Path) -> list[bytes]:
    """Return the last lines, whole ones; at least one where there is any."""
    if not os.path.exists(path):
        return []
    with opened(path, MAX_JOURNAL) as file:
        size = file.seek(0, os.SEEK_END)
        file.seek(max(size - TAIL, 0))
        texts = file.read().split(b"\n")
        if size > TAIL:
            texts = texts[1:]
        if not any(texts):
            file.seek(0)
            texts = file.read().split(b"\n")
    return [text for text in texts if text]


# ---- reading -----------------------------------------------------------------------------------


def read_journal(folder: Path) -> tuple[Line, ...]:
    """Return all readable lines, oldest first, each with ``finished`` true or false added.

    A damaged or cut-off line is passed over. Raises FileError where the file cannot be read.
    """
    lines = [line for line in map(_parsed, _texts(folder)) if line is not None]
    finished: set[int] = set()
    for file in {line["file"] for line in lines}:
        own = [(number, line) for number, line in enumerate(lines) if line["file"] == file]
        finished |= _finished(own, _now(folder, file))
    return tuple({**line, "finished": n in finished} for n, line in enumerate(lines))


def unfinished(folder: Path) -> list[Line]:
    """Return the lines at the end of the journal whose change never reached the disk."""
    lines = reversed(read_journal(folder))
    return list(takewhile(lambda line: not line["finished"], lines))[::-1]


def _texts(folder: Path) -> list[bytes]:
    path = inside(folder, JOURNAL_FILE)
    if not os.path.exists(path):
        return []
    data = read_bytes(path, MAX_JOURNAL)
    if (lines := data.count(b"\n")) > MAX_LINES:
        raise FileError(path, f"the journal has {lines} lines, more than {MAX_LINES}", NOT_OURS)
    return [text for text in data.split(b"\n") if text]


def _now(folder: Path, file: str) -> str | None:
    path = inside(folder, file)
    return sha256_of(path, LARGEST_FILE) if os.path.exists(path) else None


_EMPTY: Line = {"at": "", "action": "?", "who": None, "before": None, "files": {}}
_KINDS: dict[str, type | tuple[type, ...]] = {
    "at": str,
    "action": str,
    "who": (str, type(None)),
    "before": (str, type(None)),
    "after": str,
    "files": dict,
}


def _parsed(text: bytes) -> Line | None:
    """Return a line, None where it is none: damaged, or changed so that it says nothing sure."""
    try:
        line = json.loads(text.decode("utf-8", "replace"))
    except (ValueError, RecursionError):
        return None
    if not isinstance(line, dict) or line.get("file") not in CHANGED:
        return None
    line = _EMPTY | line
    if not all(isinstance(line.get(key), kind) for key, kind in _KINDS.items()):
        return None
    digests = line["files"].values()
    texts = len(digests) <= MAX_FILES and all(isinstance(digest, str) for digest in digests)
    return line if texts else None


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


def newest(folder: Path, words: tuple[str, ...]) -> str | None:
    """Return the last action that begins with one of ``words``, of the last some hundred lines."""
    actions = (line["action"] for line in latest(folder))
    return next((action for action in actions if action.startswith(words)), None)


def latest(folder: Path) -> Iterator[Line]:
    """Yield the last some hundred readable lines, the newest first, finished or not."""
    lines = (_parsed(text) for text in reversed(_tail(inside(folder, JOURNAL_FILE))))
    return (line for line in lines if line is not None)


# ---- what was altered since --------------------------------------------------------------------


class Altered(NamedTuple):
    """A file that is not what the journal says, or a line (its number) that is not what was
    written before the next one."""

    path: str
    how: Literal["altered", "deleted", "added", "line"]
    line: int = 0


def altered(folder: Path) -> list[Altered]:
    """Return what is not as the journal wrote it down; nothing where there is no journal.

    Raises FileError where a file cannot be read.
    """
    texts = _texts(folder)
    lines = [line for line in map(_parsed, texts) if line is not None]
    found = [Altered(JOURNAL_FILE, "line", number) for number in _unchained(texts)]
    for file in CHANGED:
        own = [line for line in lines if line["file"] == file]
        now = _now(folder, file)
        states = {state for line in own for state in (line["before"], line["after"])}
        if own and now not in states:
            found.append(Altered(file, "deleted" if now is None else "altered"))
    return found + list(_files_altered(folder, lines))


def _files_altered(folder: Path, lines: Sequence[Line]) -> Iterator[Altered]:
    written: dict[str, set[str]] = {}
    stored: set[str] = set()  # files of lines that were surely finished: a later one began there
    began = {line["before"] for line in lines}
    for line in lines:
        for name, digest in line["files"].items():
            written.setdefault(name, set()).add(digest)
            if line["after"] in began or line["before"] == line["after"]:
                stored.add(name)
    for name, digests in written.items():
        try:
            now = _now(folder, name)
        except FileError:
            now = ""
        left_out = not (folder / name).parent.is_dir()  # a pack without images lacks the folder
        if now is None and name in stored and not left_out:
            yield Altered(name, "deleted")
        elif now is not None and now not in digests:
            yield Altered(name, "altered")
    if lines and (lines[0]["file"], lines[0]["before"]) == (SESSION_FILE, None):
        # written from the first day on, so what it does not name was added
        for kind in KEPT_IN:
            for path in sorted((folder / kind).glob("*")):
                name = f"{kind}/{path.name}"
                if name not in written and not path.name.startswith("."):
                    yield Altered(name, "added")


def _unchained(texts: Sequence[bytes]) -> Iterator[int]:
    """Yield the numbers (from 1) of lines that the line after them does not follow."""
    chained, before = False, None
    for number, text in enumerate(texts):
        line = _parsed(text)
        if line is not None and "prev" in line:
            if line["prev"] != before and (chained or before is not None or number == 0):
                yield max(number, 1)
            chained = True
        elif line is not None and chained:
            yield number + 1
        before = sha256(text)


# ---- what it can restore -----------------------------------------------------------------------


class Restored(NamedTuple):
    """The newest state of a file that the journal tells whole: when it was stored, its content."""

    at: str
    action: str
    content: bytes


def restored(folder: Path) -> Restored | None:
    """Return the newest session.yaml that the journal tells and its hash proves, or None.

    None also where all states together take more than `MAX_REMADE`. Raises FileError where the
    journal cannot be read.
    """
    states: dict[str, str] = {}
    newest, remade = None, 0
    for line in map(_parsed, _texts(folder)):
        if line is None or line["file"] != SESSION_FILE or line["before"] == line["after"]:
            continue
        for text in (states.get(line["before"] or "", ""), ""):
            made = _patched(text, line.get("patch"))
            remade += len(made or "") + len(text)
            if remade > MAX_REMADE:
                return None
            if made is not None and sha256(made.encode()) == line["after"]:
                states[line["after"]] = made
                newest = Restored(line["at"], line["action"], made.encode())
                break
        while len(states) > REMEMBERED:
            del states[next(iter(states))]
    return newest


def _patched(text: str, patch: object) -> str | None:
    """Return the text after the change, None for a damaged one."""
    if not isinstance(patch, list):
        return None
    blocks, out, at = _blocks(text), list[str](), 0
    for step in patch:
        match step:
            case [int(first), int(end), str(new)] if at <= first <= end <= len(blocks):
                out += [*blocks[at:first], new]
                at = end
            case _:
                return None
    return "".join([*out, *blocks[at:]])


# ---- what it says of the camera ----------------------------------------------------------------

OVERTAKEN = "overtaken"  # the word in the journal


OPEN = "open"
MARKS = {  # what a recheck found against a result, the gravest first: the word here, and for people
    "camera": "camera moved",
    "something": "something does not fit",
    "lens": "lens may have changed",
    "contradict": "recheck contradicts the result",
    "beyond": "picks beyond the tolerance",
    OPEN: "recheck open",
}
LIFTED = "none"


class Mark(NamedTuple):
    """What a recheck found against a result (of `MARKS`): when, and with which session."""

    at: str
    by: str
    found: str = "camera"

    @property
    def bars(self) -> bool:
        """Whether the result is not to be used; else there is a caution only."""
        return self.found != OPEN


def overtaken(folder: Path, cameras: Sequence[str]) -> dict[str, Mark]:
    """Return what rechecks found against a result, by name of its camera. Raises FileError.

    A line that names no camera speaks of all.
    """
    marks: dict[str, Mark | None] = dict.fromkeys(cameras)
    for line in map(_parsed, (text for text in _texts(folder) if OVERTAKEN.encode() in text)):
        if line is None or line.get("action") != OVERTAKEN:
            continue
        at, by = str(line.get("at"))[:16].replace("T", " "), str(line.get("by"))
        found = marked_as(line)
        mark = None if found == LIFTED else Mark(at, by, found)
        marks |= {name: mark for name in cameras if line.get("camera", name) == name}
    return {name: mark for name, mark in marks.items() if mark is not None}


def marked_as(line: Mapping[str, object]) -> str:
    """Return what a line of the journal marks a result with, of `MARKS`, or `LIFTED`."""
    found = line.get("found")
    if isinstance(found, str) and found in (*MARKS, LIFTED):
        return found
    return "camera" if line.get("moved") is True else LIFTED
