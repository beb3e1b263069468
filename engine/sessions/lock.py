"""One writer at a time in a session folder; readers never need the lock.

The lock is the operating system's, held on an open file: when the program dies, however it dies,
the system lets go of it, so nobody is ever locked out by a crash. The file's content only says who
holds it and since when. On file shares without locks that record decides alone.
"""

from __future__ import annotations

import errno
import getpass
import json
import os
import platform
import sys
from contextlib import ExitStack, suppress
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path

from ..errors import BusyError, FileError
from ..files import inside, read_bytes
from .store import LOCK_FILE, open_in_place, rewrite_in_place, session_path

_LOCKED_BYTE = 1 << 30  # Windows locks bytes for readers too: lock one far behind the record
_MAX_RECORD = 10_000  # bytes read of the record; it has 200
_TRIES = 5  # the file may be exchanged between opening and locking it; more is no accident

_TAKEN = {errno.EACCES, errno.EAGAIN, errno.EDEADLK}
_NO_LOCKS = {errno.ENOLCK, errno.ENOSYS, errno.EOPNOTSUPP, errno.EINVAL}


@dataclass(frozen=True, slots=True)
class Holder:
    """Who writes in a session folder."""

    operator: str | None
    user: str
    host: str
    pid: int
    since: str

    def __str__(self) -> str:
        who = f"{self.operator} ({self.user})" if self.operator else self.user
        return f"{who} on {self.host}, process {self.pid}, since {self.since}"


class WriterLock(ExitStack[None]):
    """The right to write in one session folder, until `close` or the end of a with block."""

    def __init__(self, path: Path, fd: int) -> None:
        super().__init__()
        self.callback(_release, path, fd)
        self._path, self._fd = path, fd

    def held(self) -> bool:
        """Tell whether the lock is still that of the folder: its file may have been deleted."""
        return _same_file(self._fd, self._path)


def _release(path: Path, fd: int) -> None:
    with suppress(FileError):
        rewrite_in_place(fd, path, b"")
    with suppress(OSError):
        _unlock(fd)
    os.close(fd)


def writing(folder: Path, who: str | None = None) -> WriterLock:
    """Take the lock of a session folder; use it in a with block or close it.

    Open the session after this, not before, or what another writer stored meanwhile is lost.
    Raises BusyError naming who holds the lock and since when, FileError where ``folder`` is no
    session or nothing can be written in it.
    """
    session_path(folder)
    return take_lock(folder, who, datetime.now().astimezone())


def take_lock(folder: Path, who: str | None, now: datetime) -> WriterLock:
    """Take the lock of any folder; raises as `writing` does."""
    path = folder / LOCK_FILE
    since = now.isoformat("T", "seconds")
    me = Holder(who, _user(), platform.node(), os.getpid(), since)
    for _ in range(_TRIES):
        fd = open_in_place(path)
        try:
            _take(fd, path, me)
            if _same_file(fd, path):
                rewrite_in_place(fd, path, json.dumps(asdict(me)).encode())
                return WriterLock(path, fd)
        except BaseException:
            os.close(fd)
            raise
        os.close(fd)
    raise FileError(path, "this file is exchanged all the time", "Stop what does that.")


def holder(folder: Path) -> Holder | None:
    """Return who is named in the lock file, or None; a crashed writer stays named."""
    try:
        found = Holder(**json.loads(read_bytes(inside(folder, LOCK_FILE), _MAX_RECORD)))
    except (FileError, ValueError, TypeError, RecursionError):
        return None
    return found if isinstance(found.pid, int) else None


def _take(fd: int, path: Path, me: Holder) -> None:
    try:
        _system_lock(fd)
    except OSError as error:
        if error.errno in _TAKEN:
            raise _busy(path, holder(path.parent)) from None
        if error.errno not in _NO_LOCKS:
            raise FileError.from_os(path, error, "lock") from None
        named = holder(path.parent)
        if named is not None and not _is_dead(named, me):
            raise _busy(path, named) from None


def _busy(path: Path, named: Holder | None) -> BusyError:
    who = str(named) if named else "another program"
    return BusyError(
        f"{path.parent} is being written by {who}",
        "Wait until they are done, or follow it read-only with `open DIR --follow`. If that "
        f"computer is switched off or no longer there, delete {path}.",
    )


def _is_dead(named: Holder, me: Holder) -> bool:
    """Tell whether a holder on this very machine is gone; of others that cannot be known."""
    if named.host != me.host:
        return False
    if named.pid == me.pid or sys.platform == "win32":
        return named.pid == me.pid
    try:
        os.kill(named.pid, 0)
    except ProcessLookupError:
        return True
    except OSError:
        return False
    return False


def _same_file(fd: int, path: Path) -> bool:
    """Tell whether ``path`` still names the open file, and was not deleted meanwhile."""
    try:
        return os.path.samestat(os.fstat(fd), os.stat(path))
    except OSError:
        return False


def _user() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError, ImportError):
        return "unknown user"


if sys.platform == "win32":
    import msvcrt

    def _system_lock(fd: int) -> None:
        os.lseek(fd, _LOCKED_BYTE, os.SEEK_SET)
        msvcrt.locking(fd, msvcrt.LK_NBLCK, 1)

    def _unlock(fd: int) -> None:
        os.lseek(fd, _LOCKED_BYTE, os.SEEK_SET)
        msvcrt.locking(fd, msvcrt.LK_UNLCK, 1)

else:
    import fcntl

    def _system_lock(fd: int) -> None:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)

    def _unlock(fd: int) -> None:
        fcntl.flock(fd, fcntl.LOCK_UN)
