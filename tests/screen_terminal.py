"""The real program in a pseudo-terminal, read back as a terminal would show it."""

from __future__ import annotations

import fcntl
import os
import pty
import select
import signal
import struct
import sys
import termios
from pathlib import Path
from time import monotonic
from types import TracebackType

import pyte

PATIENCE = 300.0  # s; a loaded machine loads the engine slowly
KEYS = {"enter": "\r", "escape": "\x1b", "tab": "\t", "up": "\x1b[A", "down": "\x1b[B",
        "f2": "\x1bOQ", "f3": "\x1bOR", "f4": "\x1bOS", "f6": "\x1b[17~", "f7": "\x1b[18~",
        "f8": "\x1b[19~", "f9": "\x1b[20~"}  # fmt: skip
PROGRAM = (sys.executable, "-m", "tui.main")


class Program:
    """One run of a program in a terminal of a given size and kind."""

    def __init__(
        self, *words: str, size: tuple[int, int] = (80, 24), **environ: str | None
    ) -> None:
        self.screen = pyte.Screen(*size)
        self.stream = pyte.ByteStream(self.screen)
        self.sent = b""
        self.status: int | None = None
        self.patience = PATIENCE
        # The terminal itself says how large it is, and nothing of this machine decides on colours.
        unset = dict.fromkeys(("COLORTERM", "NO_COLOR", "COLUMNS", "LINES"))
        base: dict[str, str | None] = {**os.environ, **unset, "TERM": "xterm-256color", **environ}
        wanted = {key: value for key, value in base.items() if value is not None}
        self.pid, self.fd = pty.fork()
        if self.pid == 0:
            os.chdir(Path(__file__).parent.parent)
            os.execvpe(words[0], list(words), wanted)
        self.resize(*size)

    def resize(self, columns: int, rows: int) -> None:
        """Change the size of the terminal."""
        self.screen.resize(rows, columns)
        fcntl.ioctl(self.fd, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))

    def read(self, seconds: float) -> bytes:
        """Read what comes within ``seconds``."""
        end, got = monotonic() + seconds, b""
        while (left := end - monotonic()) > 0:
            if not select.select([self.fd], [], [], left)[0]:
                break
            try:
                data = os.read(self.fd, 65536)
            except OSError:  # the other side is closed
                break
            if not data:
                break
            got += data
            self.stream.feed(data.replace(b"\x1b[?2026$p", b"").replace(b"\x1b[?2048$p", b""))
        self.sent += got
        return got

    def quiet(self, seconds: float = 0.4) -> bytes:
        """Read until nothing comes for ``seconds``."""
        got = b""
        while data := self.read_some(seconds):
            got += data
        return got

    def read_some(self, seconds: float) -> bytes:
        """Wait up to ``seconds`` for something and return it."""
        ready = select.select([self.fd], [], [], seconds)[0]
        return self.read(0.02) if ready else b""

    @property
    def shown(self) -> str:
        """What the terminal shows."""
        return "\n".join(line.rstrip() for line in self.screen.display)

    def until(self, *words: str) -> str:
        """Wait until all words are shown."""
        end = monotonic() + self.patience
        while not all(word in self.shown for word in words):
            assert monotonic() < end, f"{words} not shown, but:\n{self.shown}"
            self.read(0.05)
        return self.shown

    def send(self, text: str) -> None:
        """Send text as it is."""
        os.write(self.fd, text.encode())

    def press(self, *keys: str) -> None:
        """Press keys by name."""
        for key in keys:
            self.send(KEYS.get(key, key))

    def cut(self) -> None:
        """Cut the line, as a dropped connection does."""
        os.close(self.fd)
        self.fd = -1
        self._wait()

    def leave(self) -> int:
        """Wait for the end and return the exit status."""
        end = monotonic() + self.patience
        while monotonic() < end:
            self.read(0.1)
            done, status = os.waitpid(self.pid, os.WNOHANG)
            if done:
                self.status = os.waitstatus_to_exitcode(status)
                return self.status
        raise AssertionError(f"still running, showing:\n{self.shown}")

    def _wait(self) -> None:
        end = monotonic() + 10
        while self.status is None and monotonic() < end:
            done, status = os.waitpid(self.pid, os.WNOHANG)
            if done:
                self.status = os.waitstatus_to_exitcode(status)
            select.select([], [], [], 0.05)
        if self.status is None:
            os.kill(self.pid, signal.SIGKILL)
            self.status = os.waitstatus_to_exitcode(os.waitpid(self.pid, 0)[1])

    def __enter__(self) -> Program:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self.status is None:
            os.kill(self.pid, signal.SIGKILL)
            self.status = os.waitstatus_to_exitcode(os.waitpid(self.pid, 0)[1])
        if self.fd >= 0:
            os.close(self.fd)
