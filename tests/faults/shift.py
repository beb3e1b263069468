"""A shift of eight hours in time-lapse: one writer, twenty followers, memory and open files."""

from __future__ import annotations

import os
import resource
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from made_session import make_session

from engine.sessions.folder import open_session
from engine.steps.editing import annotate
from tui.desk.desk import Desk

FOLLOWERS = 20


@dataclass(frozen=True)
class Load:
    """Open files, and memory in MB, of this process."""

    files: int
    memory: float


def load() -> Load:
    """Return what this process holds now."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return Load(len(os.listdir("/proc/self/fd")), pages * resource.getpagesize() / 2**20)


@contextmanager
def opened(folder: Path, *, follow: bool = False) -> Iterator[Desk]:
    """Open a session as a screen does."""
    desk = Desk(folder, follow=follow)
    desk.open()
    try:
        yield desk
    finally:
        desk.close()


def shift(folder: Path, actions: int, every: int = 10) -> list[Load]:
    """Let a writer change a session so often, followers read it; return the load now and then."""
    make_session(folder, 15)
    found = []
    followers = [Desk(folder, follow=True) for _ in range(FOLLOWERS)]
    with opened(folder) as writer:
        for number in range(actions):
            writer.do("note", annotate, number % 15 + 1, f"action {number}")
            if number % 7 == 3:
                writer.undo()
                writer.redo()
            if number % every == 0:
                for follower in followers:
                    follower.open()
                found.append(load())
    assert open_session(folder).existing((actions - 1) % 15 + 1).note == f"action {actions - 1}"
    return found
