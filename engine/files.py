"""Reading files that nobody vouches for.

What is read is an ordinary file: no folder, device, pipe or socket. Its size is known before the
first byte is read, and a file of a session, cell or archive is reached through no link that leaves
the folder it belongs to. Writing is `sessions.store`.
"""

from __future__ import annotations

import os
import stat
import time
from collections import OrderedDict
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path, PurePosixPath, PureWindowsPath
from threading import Lock
from typing import IO, TYPE_CHECKING, NamedTuple

from .errors import FileError

if TYPE_CHECKING:
    import hashlib

MAX_BYTES = 32 * 2**20  # bytes of a file that is no image
LARGEST_FILE = 2**29  # bytes of any file; the largest image of an industrial sensor takes 300 MB
NOT_OURS = "It is not one of this program's files."
CHUNK = 2**20  # bytes read at a time

_OPEN = os.O_RDONLY | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
_OPEN |= getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOCTTY", 0)  # a pipe must not hold us up


def read_bytes(path: Path, limit: int = MAX_BYTES, remedy: str = NOT_OURS) -> bytes:
    """Return the content of an ordinary file of at most ``limit`` bytes.

    Raises FileError where that cannot be; ``remedy`` goes with one that is too large.
    """
    with opened(path, limit, remedy) as file:
        data = file.read(limit + 1)
    if len(data) > limit:  # it grew while it was read
        raise too_large(path, len(data), limit, remedy)
    return data


KEPT = 4096  # files kept in memory: twice the points of the longest sessions
LARGEST_KEPT = 2**15  # bytes; points of a board take 2 to 12 kB
SETTLED_NS = 50_000_000  # ns; file times run in steps of 1 to 16 ms, in which a file changes unseen


class Content(NamedTuple):
    """What a file holds, and its SHA-256 in hexadecimal digits."""

    data: bytes
    sha256: str


_State = tuple[int, ...]
_kept: OrderedDict[Path, tuple[_State, Content]] = OrderedDict()
_kept_lock = Lock()


def content(path: Path, limit: int = MAX_BYTES, remedy: str = NOT_OURS) -> Content:
    """Return what an ordinary file holds; a small one is read again only once it has changed.

    The system tells that by size, times and place on the disk, which one look at the folder shows.
    Raises FileError as `read_bytes` does.
    """
    state: _State | None = None
    with suppress(OSError, ValueError):  # told below
        state = _state(path)
    with _kept_lock:
        known = _kept.get(path)
    if known is not None and known[0] == state and len(known[1].data) <= limit:
        return known[1]
    data = read_bytes(path, limit, remedy)
    found = Content(data, sha256(data))
    if state is not None and time.time_ns() - max(state[3:]) > SETTLED_NS:
        _keep(path, state, found)
    return found


def written(path: Path, data: bytes) -> None:
    """Tell that ``path`` holds ``data`` by this program's own hand, so that nobody reads it."""
    with suppress(OSError):
        _keep(path, _state(path), Content(data, sha256(data)))


def _state(path: Path) -> _State:
    seen = os.stat(path)
    return (seen.st_dev, seen.st_ino, seen.st_size, seen.st_mtime_ns, seen.st_ctime_ns)


def _keep(path: Path, state: _State, found: Content) -> None:
    if len(found.data) > LARGEST_KEPT:
        return
    with _kept_lock:
        _kept[path] = state, found
        _kept.move_to_end(path)
        if len(_kept) > KEPT:
            _kept.popitem(last=False)


@contextmanager
def opened(path: Path, limit: int = MAX_BYTES, remedy: str = NOT_OURS) -> Iterator[IO[bytes]]:
    """Open an ordinary file for reading, as `read_bytes` reads it."""
    try:
        _ordinary(path, os.stat(path), limit, remedy)  # before opening: a device may act on that
        with os.fdopen(os.open(path, _OPEN), "rb") as file:
            _ordinary(path, os.fstat(file.fileno()), limit, remedy)
            yield file
    except OSError as error:
        raise FileError.from_os(path, error, "read") from None
    except ValueError:  # a NUL character in the name
        raise FileError(repr(str(path)), "this is no file name") from None


def _ordinary(path: Path, status: os.stat_result, limit: int, remedy: str) -> None:
    if stat.S_ISDIR(status.st_mode):
        raise FileError(path, "this is a folder, not a file")
    if not stat.S_ISREG(status.st_mode):
        raise FileError(path, "this is not an ordinary file", "Name the file itself.")
    if status.st_size > limit:
        raise too_large(path, status.st_size, limit, remedy)


def too_large(path: object, size: int, limit: int, remedy: str) -> FileError:
    """Return the complaint about a file of ``size`` bytes where ``limit`` is allowed."""
    held, most = (f"{count / 2**20:.3g}" for count in (size, limit))
    return FileError(path, f"the file has {held} MB, the limit is {most}", remedy)


def inside(folder: Path, name: str) -> Path:
    """Return the path of ``name`` in ``folder``; raises FileError where it leads out of it.

    A link that stays in the folder is followed. ``folder`` itself may be reached as it likes.
    """
    if leads_outside(name):
        raise FileError(folder, f"{name!r} is not a path inside this folder")
    path = folder
    for part in Path(name).parts:
        path = path / part
        linked = os.path.islink(path)
        if linked and not Path(os.path.realpath(path)).is_relative_to(os.path.realpath(folder)):
            raise FileError(
                path,
                "this is a link that leads out of the folder",
                "Put the file itself there.",
            )
    return folder / name


def leads_outside(name: str) -> bool:
    """Tell whether a path is absolute, climbs out of its folder or is no file name at all."""
    parts = PurePosixPath(name).parts
    return is_absolute(name) or ".." in parts or not parts or "\0" in name


def is_absolute(name: str) -> bool:
    """Tell whether a path is absolute here or on Windows."""
    windows = PureWindowsPath(name)
    return name.startswith(("/", "~")) or bool(windows.drive or windows.root) or "\\" in name


def sha256(data: bytes) -> str:
    """Return the SHA-256 of ``data`` in hexadecimal digits."""
    return _digest(data).hexdigest()


def sha256_of(path: Path, limit: int) -> str:
    """Return the SHA-256 of a file, read piece by piece; raises FileError as `read_bytes` does."""
    digest = _digest()
    with opened(path, limit) as file:
        while piece := file.read(CHUNK):
            digest.update(piece)
    return digest.hexdigest()


def _digest(data: bytes = b"") -> hashlib._Hash:
    import hashlib  # loads OpenSSL, which the first picture does not need

    return hashlib.sha256(data)


def holds(path: Path, data: bytes, limit: int) -> bool:
    """Tell whether a file holds ``data``: read piece by piece, and no further than they agree.

    Raises FileError as `read_bytes` does.
    """
    try:
        if path.stat().st_size != len(data):
            return False
    except OSError:
        return False
    with opened(path, limit) as stream:
        at = 0
        while piece := stream.read(CHUNK):
            if data[at : at + len(piece)] != piece:
                return False
            at += len(piece)
    return at == len(data)
