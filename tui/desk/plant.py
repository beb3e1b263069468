"""What is done with the cells of a plant: drift, events, swaps.

Each takes a while and belongs in the background.
"""

from __future__ import annotations

from pathlib import Path

from engine.plant.archive import by_cell, summaries
from engine.plant.drift import cell_drift
from engine.sessions.changes import Who, commit
from engine.sessions.folder import open_session
from engine.sessions.lock import writing
from engine.steps.editing import event_noted
from engine.steps.starting import Part
from engine.steps.swapping import swap

from ..clock import now
from .overview import free_folder

PARTS: dict[str, Part] = {"camera": "camera", "board": "board"}


def drift(folder: Path, cell: str) -> str:
    lines = cell_drift(by_cell(summaries(folder))[cell], now()).lines()
    return "\n".join([f"{cell}:", *lines])


def note_event(folder: Path, what: str) -> None:
    time = now()
    with writing(folder):
        change = event_noted(open_session(folder), folder, what, None, time.date())
        commit(folder, change, Who(None, time))


def begin_swapped(old: Path, what: str) -> Path:
    """Begin a session beside ``old`` after a swap; ``what`` else names a second cell."""
    time, part = now(), PARTS.get(what.casefold(), "cell")
    folder = free_folder(old.parent, f"{time:%Y-%m-%d}-{part}-{old.name}")
    swap(old, folder, part, name=what if part == "cell" else None, now=time)
    return folder
