"""Help for tests that drive the screen."""

from __future__ import annotations

import asyncio
import functools
import shutil
from collections.abc import Awaitable, Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from time import monotonic
from typing import Any

from textual.app import App
from textual.events import Paste
from textual.pilot import Pilot
from textual.widget import Widget

from engine.cell.session import Session
from engine.sessions.changes import Change, Who, commit
from engine.sessions.folder import open_session
from engine.sessions.lock import writing
from engine.steps.starting import Answers, answer_questions
from tui.app import Stationbook
from tui.screens.opening import Opening
from tui.screens.stations import Stations
from tui.widgets.looks import Terminal, line_text
from tui.widgets.sheet import Sheet

EXAMPLE = Path(__file__).parent.parent / "sessions" / "bottling-line-2-infeed"
NOON = datetime.fromisoformat("2026-11-25T12:00:00+01:00")
PATIENCE = 300.0  # s; only a test that fails waits so long, however busy the machine is


def on_screen(test: Callable[..., Awaitable[None]]) -> Callable[..., None]:
    """Let an async test run in an event loop of its own."""

    @functools.wraps(test)
    def run(*args: Any, **more: Any) -> None:
        asyncio.run(test(*args, **more))  # type: ignore[arg-type]

    return run


def example(folder: Path, stations: int = 9, *, source: bool = False) -> Path:
    """Copy the example session with its first ``stations``, the start questions answered."""
    shutil.copytree(EXAMPLE, folder)
    for name in ("result.yaml", "journal.jsonl"):
        (folder / name).unlink(missing_ok=True)
    session = open_session(folder)
    camera = session.cell.camera
    if source:
        camera = replace(camera, source={"folder": "incoming"})
        (folder / "incoming").mkdir()
    cell = replace(session.cell, camera=camera)
    session = replace(session, cell=cell, stations=session.stations[:stations])
    return store(folder, session, answered=True)


def pose(station: int) -> str:
    """Return a station's pose of the example, as it is typed."""
    return " ".join(open_session(EXAMPLE).existing(station).pose or ())


def store(folder: Path, session: Session, *, answered: bool = False) -> Path:
    """Store a session as it is given."""
    with writing(folder):
        kept = commit(folder, Change("test", session), Who("test", NOON))
        if answered:
            answers = Answers("A. Example", "flange", "base", True, 20.0, True)
            commit(folder, answer_questions(session, answers), Who("A. Example", NOON), kept)
    return folder


def app_for(folder: Path, *, follow: bool = False, terminal: Terminal | None = None) -> Stationbook:
    """Return the application on one session, at a fixed time soon after its last station."""
    taken = [s.taken for s in open_session(folder).stations if s.taken]
    now = datetime.fromisoformat(taken[-1]) if taken else NOON
    return Stationbook(Opening(folder, follow=follow, clock=lambda: now), terminal)


def app_at_noon(folder: Path, *, follow: bool = False) -> Stationbook:
    """Return the application on one session, at noon of the day of the examples."""
    return Stationbook(Opening(folder, follow=follow, clock=lambda: NOON))


def text(app: App[Any]) -> str:
    """Return everything that the open screen shows, in the order of its parts."""
    lines = []
    for sheet in app.screen.query(Sheet):
        above = [node for node in sheet.ancestors_with_self if isinstance(node, Widget)]
        if sheet.size and all(node.display for node in above):
            lines += [line_text(line).rstrip() for line in sheet.draw(*sheet.size)]
    return "\n".join(lines)


async def until(pilot: Pilot[Any], *words: str, seconds: float = PATIENCE) -> str:
    """Wait until the screen shows all ``words``; fails with what it shows instead."""
    end = monotonic() + seconds
    while True:
        await pilot.pause(0.04)
        shown = text(pilot.app)
        if all(word in shown for word in words):
            return shown
        assert monotonic() < end, f"{words} not shown, but:\n{shown}"


async def until_said(pilot: Pilot[Any], *words: str) -> str:
    """Wait until the screen says all ``words``, wherever its lines end."""
    said = ""

    def there() -> bool:
        nonlocal said
        said = " ".join(text(pilot.app).split())
        return all(word in said for word in words)

    await comes(pilot, there)
    return said


async def comes(pilot: Pilot[Any], there: Callable[[], bool]) -> None:
    """Wait until something is there that no word on the screen tells of."""
    end = monotonic() + PATIENCE
    while not there():
        assert monotonic() < end, text(pilot.app)
        await pilot.pause(0.04)


async def opened(pilot: Pilot[Any]) -> Stations:
    """Wait until the session is open for typing and what is expected was worked out."""
    end = monotonic() + PATIENCE
    while not isinstance(screen := pilot.app.screen, Stations) or screen.desk.advice is None:
        assert monotonic() < end, text(pilot.app)
        await pilot.pause(0.02)
    await pilot.pause()
    return screen


async def type_line(pilot: Pilot[Any], line: str) -> None:
    """Type a line: its last sign with a key; what stands before it is pasted, which is quicker.

    A paste loses the space at its ends, so what goes on after another text is typed.
    """
    pasted = "" if line.startswith(" ") else line[:-1].rstrip()
    if pasted:
        await paste_line(pilot, pasted)
    await type_keys(pilot, line[len(pasted) :])


async def type_keys(pilot: Pilot[Any], line: str) -> None:
    """Type a line, key by key."""
    await pilot.press(*("space" if sign == " " else sign for sign in line))


async def paste_line(pilot: Pilot[Any], line: str) -> None:
    """Paste a line where the focus is, as terminals do; much faster than key by key."""
    focused = pilot.app.focused
    assert focused is not None
    focused.post_message(Paste(line))
    await pilot.pause()


async def choose(pilot: Pilot[Any], label: str) -> Stations:
    """Go to the list and choose the row with this number."""
    screen = pilot.app.screen
    assert isinstance(screen, Stations)
    if not screen.stations.has_focus:
        await pilot.press("escape")
    for _ in range(2 * len(screen.stations.items)):
        rows = [row.label for row in screen.stations.items]
        away = rows.index(label) - screen.stations.chosen
        if away == 0:
            break
        await pilot.press("down" if away > 0 else "up")
    await pilot.pause()
    return screen
