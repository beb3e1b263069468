"""Draw the pictures of the operator's guide: docs/screens/*.svg, from the real screens.

    python tests/tools/make_screens.py

The example session is opened with its first five stations, and the sixth is recorded.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import re
import shutil
import sys
import tempfile
from collections.abc import Awaitable, Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests"))

from screen_bench import EXAMPLE, NOON, app_for, example, store, type_line  # noqa: E402
from textual.pilot import Pilot  # noqa: E402

from engine.cell.cell import KeepOut  # noqa: E402
from engine.sessions.confirmed import confirm  # noqa: E402
from engine.sessions.folder import open_session  # noqa: E402
from tui.app import Stationbook  # noqa: E402
from tui.screens.forms import CellEditor  # noqa: E402
from tui.screens.sessions import Sessions  # noqa: E402

SCREENS = ROOT / "docs" / "screens"
SIZE, WIDE = (80, 24), (132, 43)
WAIT_S = 4.0  # s; background work (image search, prediction, plan) is done by then

Act = Callable[[Pilot[Any]], Awaitable[None]]


async def draw(name: str, app: Stationbook, act: Act, size: tuple[int, int] = SIZE) -> None:
    """Run ``app``, act on it, and keep what it shows."""
    async with app.run_test(size=size) as pilot:
        await pilot.pause(WAIT_S)
        await act(pilot)
        await pilot.pause(WAIT_S)
        svg = app.export_screenshot(title="stationbook")
    (SCREENS / f"{name}.svg").write_text(plain(svg), encoding="utf-8")
    print(f"docs/screens/{name}.svg")


def plain(svg: str) -> str:
    """Return the picture without fonts fetched from elsewhere and without a window's buttons."""
    svg = re.sub(r"@font-face\s*\{.*?\}", "", svg, flags=re.DOTALL)
    svg = re.sub(r"<!--.*?-->", "", svg, flags=re.DOTALL)
    return re.sub(r"<circle[^>]*/>", "", svg)


async def nothing(pilot: Pilot[Any]) -> None:
    """Leave the screen as it opens."""


def ready(folder: Path) -> Path:
    """Return a session of five stations whose camera has just saved the sixth image."""
    example(folder, 5, source=True)
    image = shutil.copy(EXAMPLE / "images" / "006.png", folder / "incoming" / "0006.png")
    os.utime(image, (NOON.timestamp(), NOON.timestamp()))
    confirm(folder, {"folder": "incoming"}, now=NOON)
    return folder


def boxed(folder: Path) -> Path:
    """Return the session with two boxes in its cell that arm and board must not enter."""
    session = open_session(folder)
    boxes = (
        KeepOut("conveyor", (300, 250, -500), (1200, 700, 150)),
        KeepOut("post", (950, -450, 0), (1050, -350, 1600)),
    )
    return store(folder, replace(session, cell=replace(session.cell, keep_out=boxes)))


def sixth(*, slip: bool) -> str:
    """Return the sixth station's pose as typed, with two digits of Y exchanged for a slip."""
    station = open_session(EXAMPLE).station(6)
    assert station is not None
    assert station.pose is not None
    fields = list(station.pose)
    if slip:
        whole, _, rest = fields[1].partition(".")
        fields[1] = f"{whole[:-2]}{whole[-1]}{whole[-2]}.{rest}"
    return " ".join(fields)


async def main(scratch: Path) -> None:
    """Draw every picture."""
    SCREENS.mkdir(exist_ok=True)

    async def right(pilot: Pilot[Any]) -> None:
        await type_line(pilot, sixth(slip=False))

    async def wrong(pilot: Pilot[Any]) -> None:
        await type_line(pilot, sixth(slip=True))

    async def solve(pilot: Pilot[Any]) -> None:
        await pilot.press("f6")

    async def pictures(pilot: Pilot[Any]) -> None:
        await right(pilot)
        await pilot.app.run_action("app.pictures('on')")

    async def cell_views(pilot: Pilot[Any]) -> None:
        await pilot.press("f3", "3")

    async def contrast(pilot: Pilot[Any]) -> None:
        await pilot.app.run_action("app.look('contrast')")

    async def label_sets(pilot: Pilot[Any]) -> None:
        editor = CellEditor()
        await pilot.app.push_screen(editor)
        editor.answers = {"name": "press 4", "mount": "frame", "robot": "none"}
        editor._before, editor.page, editor._choosing = [(0, False)], 3, True
        await editor._show()

    await draw("recording", app_for(ready(scratch / "a")), right)
    await draw("slip", app_for(ready(scratch / "b")), wrong)
    await draw("wide", app_for(ready(scratch / "c")), pictures, WIDE)
    await draw("cell", app_for(boxed(ready(scratch / "e"))), cell_views, WIDE)
    await draw("verdict", app_for(example(scratch / "f")), solve, WIDE)
    await draw("contrast", app_for(example(scratch / "g", 5)), contrast)
    await draw("result", app_for(example(scratch / "d")), solve)
    await draw("labels", Stationbook(Sessions(scratch / "none")), label_sets)
    shutil.copytree(EXAMPLE, scratch / "sessions" / EXAMPLE.name)
    with contextlib.chdir(scratch):  # the list names its folder as a user sees it
        await draw("sessions", Stationbook(Sessions(Path("sessions"))), nothing)


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as place:
        os.environ["STATIONBOOK_CONFIG"] = str(Path(place) / "config")
        asyncio.run(main(Path(place)))
