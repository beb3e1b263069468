"""A part of the walk over every screen, key and size; the whole of it is a bench."""

from __future__ import annotations

from pathlib import Path

from screen_bench import on_screen
from textual.app import App
from textual.pilot import Pilot
from textual.screen import Screen
from textual.widget import Widget
from walking import KEYS, SIZES, Walk

from tui.app import Stationbook
from tui.widgets.looks import line_text
from tui.widgets.panels import TitleLine
from tui.widgets.sheet import Sheet

EVERY = 587  # prime, so that each run of keys falls on other sizes; all of it takes half an hour


@on_screen
async def test_no_key_at_any_size_ends_in_an_error(tmp_path: Path) -> None:
    walk = Walk(tmp_path)
    count = await walk.run(EVERY)
    assert count == len(walk.makers) * len(KEYS) * len(SIZES) // EVERY


def too_wide(app: App[None]) -> list[str]:
    """Return the lines that the open screen cuts off at their right end."""
    found = []
    for sheet in app.screen.query(Sheet):
        above = [node for node in sheet.ancestors_with_self if isinstance(node, Widget)]
        if isinstance(sheet, TitleLine) or not (sheet.size and all(n.display for n in above)):
            continue  # a name in the title gives way to what stands beside it
        texts = [line_text(line).rstrip() for line in sheet.draw(*sheet.size)]
        wide = [text for text in texts if sheet.looks.width(text) > sheet.size.width]
        found += [f"{type(sheet).__name__}: {text}" for text in wide]
    return found


async def cut_off(pilot: Pilot[None], least: int, most: int = 100) -> list[str]:
    """Return what is cut off for good: what a job draws after a resize may need a moment."""
    for n in range(most):
        await pilot.pause(0.04)
        if n >= least and not too_wide(pilot.app):
            break
    return too_wide(pilot.app)


@on_screen
async def test_no_screen_cuts_a_line_off(tmp_path: Path) -> None:
    walk, host = Walk(tmp_path), Screen[None]()
    app = Stationbook(host)
    cut: list[str] = []
    async with app.run_test(size=(60, 20)) as pilot:
        for name, make in walk.makers.items():
            await app.push_screen(make())
            cut += [f"{name}: {line}" for line in await cut_off(pilot, least=8)]
            while app.screen is not host:
                await app.pop_screen()
    assert cut == []
