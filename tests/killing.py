"""A process that kills itself at a stated call, so that every kill lands however busy the machine.

The calls are those by which a Python program changes a disk. A kill comes before the call, or in
the middle of it where it is a write: SIGKILL, which no program can hold off or tidy up after.
"""

from __future__ import annotations

import itertools
import os
import signal
import sys
from collections.abc import Callable
from typing import NamedTuple

CALLS = ("open", "write", "fsync", "close", "replace", "link", "unlink", "mkdir", "ftruncate")


class Ended(NamedTuple):
    """How a process ended, and what it printed."""

    killed: bool
    printed: str


def die_at(position: int, part: float = 0.5) -> None:
    """Let this process kill itself at its call number ``position``, counted from 0.

    ``part`` of a write is done before that; of any other call all of it where ``part`` is 1.
    """
    done = itertools.count()

    def dying(real: Callable[..., object]) -> Callable[..., object]:
        def call(*args: object, **more: object) -> object:
            if _changes(real, args) and next(done) == position:
                _die(real, args, more, part)
            return real(*args, **more)

        return call

    for name in CALLS:
        setattr(os, name, dying(getattr(os, name)))


_write, _kill, _open = os.write, os.kill, os.open


def _changes(real: Callable[..., object], args: tuple) -> bool:
    """Tell whether a call may change a disk: all but opening for reading."""
    return real is not _open or bool(args[1] & (os.O_WRONLY | os.O_RDWR | os.O_CREAT))


def _die(real: Callable[..., object], args: tuple, more: dict, part: float) -> None:
    if real is _write:
        _write(args[0], args[1][: int(len(args[1]) * part)])
    elif part == 1.0:
        real(*args, **more)
    _kill(os.getpid(), signal.SIGKILL)


def run_killed_at(position: int, task: Callable[[], object], part: float = 0.5) -> Ended:
    """Run ``task`` in a fork of this process that dies at a call; return what it printed."""
    reading, printing = os.pipe()
    pid = os.fork()
    if pid == 0:
        try:
            os.close(reading)
            sys.stdout = os.fdopen(printing, "w")
            die_at(position, part)
            task()
            sys.stdout.flush()
        finally:
            os._exit(0)
    os.close(printing)
    with os.fdopen(reading) as printed:
        text = printed.read()
    return Ended(os.WIFSIGNALED(os.waitpid(pid, 0)[1]), text)
