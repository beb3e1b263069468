"""The one module that writes to disk, and the names of what lies where.

A file that exists is replaced whole: the new content is written aside in the same folder, forced
to the disk, renamed over the old one, and the folder is forced to the disk. So a reader, or the
next start after a power cut, finds the old content or the new, never a mixture. A file that must
never be overwritten is created under a free name. When anything fails, what was half written is
taken away again and the old content stays.
"""

from __future__ import annotations

import errno
import io
import json
import os
import re
import shutil
import stat
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, Any

from ..errors import FileError
from ..files import inside, read_bytes, sha256, sha256_of

ASIDE = ".aside"  # ending of what is not finished; one per file, so the next writer clears it away
ERROR_LOG = "errors.log"
REPLACE_TRIES = 40  # Windows refuses a rename while a reader has the file open; readers are quick
REPLACE_PAUSE = 0.05  # s between tries: two seconds in all, as long as a person waits gladly

_MODE = 0o666  # less the user's umask
_BINARY = getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
_NO_LINK = getattr(os, "O_NOFOLLOW", 0)


def write_text_atomic(path: Path, text: str) -> None:
    """Replace ``path`` by ``text`` (UTF-8); raises FileError with the old content intact."""
    write_bytes_atomic(path, encoded(text))


def write_bytes_atomic(path: Path, data: bytes, mode: int | None = None) -> None:
    """Replace ``path`` by ``data``; raises FileError with the old content intact.

    A file that is there keeps its mode, a new one gets ``mode``, or what the user's umask leaves.
    """
    with suppress(OSError):
        mode = stat.S_IMODE(os.lstat(path).st_mode)
    with _told(path):
        aside = _aside(path)
        with _created(aside) as fd:
            _write_all(fd, data)
            if mode is not None and hasattr(os, "fchmod"):
                os.fchmod(fd, mode)
        with _taken_away_on_failure(aside):
            _replace(aside, path)
        _sync_folder(path.parent)


def write_bytes_new(path: Path, data: bytes, mode: int | None = None) -> None:
    """Create ``path`` with ``data``; raises FileError where the name is taken already."""
    with _new(path) as fd:
        if mode is not None and hasattr(os, "fchmod"):
            os.fchmod(fd, mode)
        _write_all(fd, data)


@contextmanager
def writing_new(path: Path) -> Iterator[IO[bytes]]:
    """Write a file piece by piece, as `write_bytes_new` writes it at once.

    Nothing is left of it where what writes it fails.
    """
    with _new(path) as fd, io.BufferedWriter(_Raw(fd), 2**20) as file:
        yield file


@contextmanager
def _new(path: Path) -> Iterator[int]:
    """Create a file aside, open while it is filled; it gets its name once it is whole."""
    with _told(path):
        if os.path.lexists(path):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST))
        aside = _aside(path)
        with _created(aside) as fd:
            yield fd
        with _taken_away_on_failure(aside):
            _name_new(aside, path)
        with _taken_away_on_failure(path):
            _sync_folder(path.parent)


@contextmanager
def making_new_folder(path: Path) -> Iterator[Path]:
    """Fill a folder that is not there yet; it gets its name once it is whole.

    Yields the folder aside to fill. Raises FileError where the name is taken already; then, or when
    what fills it fails, nothing is left of it.
    """
    aside = path.with_name(f".{path.name}{ASIDE}")
    with _told(path):
        if os.path.lexists(path):
            raise FileError(path, "this exists already", "Name a folder that does not exist yet.")
        make_folder(path.parent)
        shutil.rmtree(aside, ignore_errors=True)  # left by one that was interrupted
        try:
            os.mkdir(aside)
            yield aside
            os.rename(aside, path)
        except BaseException:
            shutil.rmtree(aside, ignore_errors=True)
            raise
        _sync_folder(path.parent)


def append_line(path: Path, line: str) -> None:
    """Append one line and force it to the disk; a cut-off line before it is closed first."""
    with _told(path):
        fd = _open_own(path, os.O_RDWR | os.O_CREAT | os.O_APPEND)
        try:
            size = os.lseek(fd, 0, os.SEEK_END)
            os.lseek(fd, max(size - 1, 0), os.SEEK_SET)
            cut_off = os.read(fd, 1) not in (b"", b"\n")
            try:
                _write_all(fd, (b"\n" if cut_off else b"") + encoded(line) + b"\n")
                os.fsync(fd)
            except BaseException:
                with suppress(OSError):
                    os.ftruncate(fd, size)
                raise
        finally:
            os.close(fd)
        if size == 0:
            _sync_folder(path.parent)


def make_folder(path: Path) -> None:
    """Create a folder and those above it where they are missing."""
    with _told(path):
        missing = [p for p in (path, *path.parents) if not p.exists()]
        for folder in reversed(missing):
            with suppress(FileExistsError):
                os.mkdir(folder)
            _sync_folder(folder.parent)
        if not path.is_dir():
            raise FileError(path, "this is a file, not a folder", "Use another name.")


def remove(path: Path) -> None:
    """Delete a file; no complaint where there is none."""
    with _told(path), suppress(FileNotFoundError):
        os.unlink(path)


def open_in_place(path: Path) -> int:
    """Open a file (created where missing) for `rewrite_in_place`; returns the descriptor."""
    with _told(path):
        return _open_own(path, os.O_RDWR | os.O_CREAT)


def rewrite_in_place(fd: int, path: Path, data: bytes) -> None:
    """Replace the content of an open file; for records that need not survive a power cut."""
    with _told(path):
        os.ftruncate(fd, 0)
        os.lseek(fd, 0, os.SEEK_SET)
        _write_all(fd, data)


def append_error_log(text: str) -> Path:
    """Append an unforeseen error to the log in the user's own folder; returns the log's path."""
    path = config_folder() / ERROR_LOG
    make_folder(path.parent)
    append_line(path, text)
    return path


def encoded(text: str) -> bytes:
    """Return the text in UTF-8; halves of characters are kept visible as ``\\udcxx``."""
    return text.encode("utf-8", "backslashreplace")


def no_formula(text: str) -> str:
    """Return a text for a CSV file, in which a spreadsheet runs nothing as a formula."""
    return f"'{text}" if text.startswith(("=", "+", "-", "@")) else text


@contextmanager
def _told(path: Path) -> Iterator[None]:
    """Turn the operating system's error into a sentence."""
    try:
        yield
    except OSError as error:
        raise FileError.from_os(path, error, "write") from None


def _aside(path: Path) -> Path:
    """Return the name beside ``path`` to write it under; what was left there is gone."""
    aside = path.with_name(f".{path.name}{ASIDE}")
    with suppress(FileNotFoundError):
        os.unlink(aside)
    return aside


@contextmanager
def _created(path: Path) -> Iterator[int]:
    """Create a file that is not there yet, open while it is filled, then forced to the disk."""
    fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | _BINARY, _MODE)
    with _taken_away_on_failure(path):
        try:
            yield fd
            os.fsync(fd)
        finally:
            os.close(fd)


class _Raw(io.RawIOBase):
    """An open file as what is written piece by piece needs it."""

    def __init__(self, fd: int) -> None:
        self._fd = fd

    def writable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = os.SEEK_SET, /) -> int:
        return os.lseek(self._fd, offset, whence)

    def write(self, data: Any, /) -> int:
        return os.write(self._fd, data)


def _name_new(aside: Path, path: Path) -> None:
    """Give a file its name, unless that is taken."""
    try:
        os.link(aside, path)
    except OSError as error:
        if error.errno == errno.EEXIST or os.path.lexists(path):
            raise
        os.rename(aside, path)  # a disk without links, such as a memory stick
    else:
        os.unlink(aside)


def _open_own(path: Path, flags: int) -> int:
    """Open an ordinary file of this program's own; what lies there in its place is refused."""
    fd = os.open(path, flags | _BINARY | _NO_LINK | getattr(os, "O_NONBLOCK", 0), _MODE)
    if stat.S_ISREG(os.fstat(fd).st_mode):
        return fd
    os.close(fd)
    raise FileError(path, "this is not an ordinary file", "Take it away.")


def _write_all(fd: int, data: bytes) -> None:
    left = memoryview(data)
    while left:
        left = left[os.write(fd, left) :]


def _replace(aside: Path, path: Path) -> None:
    for _ in range(REPLACE_TRIES if sys.platform == "win32" else 1):
        try:
            return os.replace(aside, path)
        except PermissionError as error:
            refused = error
            time.sleep(REPLACE_PAUSE)
    raise refused


def _sync_folder(folder: Path) -> None:
    """Force the names in a folder to the disk; Windows has no such call and needs none."""
    if sys.platform == "win32":
        return
    fd = os.open(folder, os.O_RDONLY | getattr(os, "O_DIRECTORY", 0))
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


@contextmanager
def _taken_away_on_failure(path: Path) -> Iterator[None]:
    """Delete ``path``, which this program has just created, when something fails."""
    try:
        yield
    except BaseException:
        with suppress(OSError):
            os.unlink(path)
        raise


# ---- what is where -----------------------------------------------------------------------------

SESSION_FILE = "session.yaml"
RESULT_FILE = "result.yaml"
PROOF_FILE = "proof.yaml"
JOURNAL_FILE = "journal.jsonl"
LOCK_FILE = ".lock"
KEPT_IN = ("images", "points", "depth", "robots", "board")  # folders of files that are recorded
OWN = (SESSION_FILE, RESULT_FILE, PROOF_FILE, JOURNAL_FILE, LOCK_FILE)


def session_path(folder: Path) -> Path:
    """Return the path of ``session.yaml``; raises FileError where ``folder`` is no session."""
    path = folder / SESSION_FILE
    try:
        inside(folder, SESSION_FILE)
        if path.exists():
            return path
        if folder.is_dir():
            raise FileError(
                folder, f"this folder holds no {SESSION_FILE}", "stationbook start makes one."
            )
        if folder.exists():
            raise FileError(folder, "this is a file; a session is a folder", "Check the name.")
    except OSError as error:
        raise FileError.from_os(folder, error, "open") from None
    except ValueError:  # a NUL character in the name
        raise FileError(repr(str(folder)), "this is no folder name") from None
    raise FileError(folder, "there is no such folder", "Check the name.")


CONFIG_VARIABLE = "STATIONBOOK_CONFIG"  # names another folder, for tests and shared machines


def config_folder() -> Path:
    """Return the configuration folder (which may not exist yet).

    ``STATIONBOOK_CONFIG``; else on Windows ``%APPDATA%\\\\stationbook``, elsewhere
    ``$XDG_CONFIG_HOME/stationbook`` or ``~/.config/stationbook``.
    """
    if own := os.environ.get(CONFIG_VARIABLE):
        return Path(own)
    variable = "APPDATA" if sys.platform == "win32" else "XDG_CONFIG_HOME"
    above = os.environ.get(variable)
    try:
        return (Path(above) if above else Path.home() / ".config") / "stationbook"
    except RuntimeError:
        raise FileError(
            "~", "this user has no home folder", f"Name a folder in {CONFIG_VARIABLE}."
        ) from None


PRIVATE = 0o600  # mode of what only the user may read


def remember(name: str | Path, texts: Mapping[str, str]) -> None:
    """Keep texts by key in a file of the configuration folder that the user alone may read."""
    path = config_folder() / name
    make_folder(path.parent)
    write_bytes_atomic(path, json.dumps(texts, indent=1).encode(), PRIVATE)


def remembered(name: str | Path) -> dict[str, str]:
    """Return what `remember` kept there; nothing where the file is missing or damaged."""
    try:
        known = json.loads(read_bytes(config_folder() / name))
    except (FileError, ValueError, RecursionError):
        return {}
    known = known if isinstance(known, dict) else {}
    return {key: text for key, text in known.items() if isinstance(text, str)}


# ---- outputs -----------------------------------------------------------------------------------

OUTPUTS_FILE = "outputs.json"  # in the configuration folder: what was written where
MOST_OUTPUTS = 1000  # of them; the oldest are forgotten
_WHOLE = 2**40  # bytes; no output is larger


def write_output(path: Path, data: bytes, *, force: bool = False) -> None:
    """Write what a person asked for under a name of their own, replacing only what may be replaced.

    That is a file with this very content, one that this program wrote there and nobody changed
    since, and with ``force`` any other one, but never a file of a session. Raises FileError.
    """
    refuse_own(path)
    known = remembered(OUTPUTS_FILE)  # SHA-256 by place
    place = os.path.realpath(path)
    if os.path.lexists(path):
        own = _content_hash(path) in (sha256(data), known.get(place))
        if not own and (folder := _session_above(path)):
            raise FileError(path, f"this is a file of the session in {folder}", _ELSEWHERE)
        if not own and not force:
            raise FileError(
                path,
                "a file with this name exists already, and this program did not write it",
                "Use another name, or --force to replace it.",
            )
    write_bytes_atomic(path, data)
    known.pop(place, None)
    kept = [*known.items(), (place, sha256(data))][-MOST_OUTPUTS:]
    with suppress(FileError):  # then it takes --force next time
        remember(OUTPUTS_FILE, dict(kept))


_ELSEWHERE = "Choose a name outside of the session's folder; its own files are never replaced."


def refuse_own(path: Path) -> None:
    """Raise FileError for a name that belongs to a session's own files, there or not."""
    folder = _session_above(path)
    if folder is None:
        return
    inner = Path(os.path.realpath(path)).relative_to(os.path.realpath(folder))
    earlier = re.sub(r"-\d{3,}(?=\.)", "", inner.parts[0])  # result-001.yaml
    if inner.parts[0] in KEPT_IN or (len(inner.parts) == 1 and {inner.parts[0], earlier} & {*OWN}):
        raise FileError(path, f"this is a file of the session in {folder}", _ELSEWHERE)


def _session_above(path: Path) -> Path | None:
    """Return the session folder that a file would lie in, None where it would lie in none."""
    with suppress(OSError, ValueError):
        above = Path(os.path.realpath(path)).parents
        return next((folder for folder in above if (folder / SESSION_FILE).exists()), None)
    return None


def _content_hash(path: Path) -> str | None:
    try:
        return sha256_of(path, _WHOLE)
    except FileError:
        return None
