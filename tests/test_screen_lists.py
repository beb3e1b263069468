"""The list of sessions: together by cell, and the chosen row always in sight."""

from __future__ import annotations

from pathlib import Path

import pytest
from screen_bench import on_screen, text
from textual.app import App, ComposeResult

from tui.desk.overview import SessionRow, by_cell
from tui.desk.views import Title
from tui.widgets.lists import SessionList
from tui.widgets.looks import Looks, Signs, Terminal, line_text
from tui.widgets.panels import TitleLine

CELLS = ("line 2", "press 4")


class Bench(App[None]):
    """The list alone."""

    looks = Looks(Terminal())

    def compose(self) -> ComposeResult:
        rows = [
            SessionRow(Path(f"run-{n:02}"), f"name {n}", "accepted", "good", "8", "3 d", "U 0.3 mm",
                       cell=CELLS[n % 2])
            for n in range(16)
        ]  # fmt: skip
        yield SessionList(by_cell(rows))


@pytest.mark.parametrize("size", [(80, 24), (80, 8), (80, 5), (80, 3)])
@on_screen
async def test_sessions_stand_under_their_cell_and_the_chosen_one_is_in_sight(
    size: tuple[int, int],
) -> None:
    app = Bench()
    async with app.run_test(size=size) as pilot:
        listed = app.query_one(SessionList)
        listed.focus()
        order = [f"run-{n:02}" for n in (*range(0, 16, 2), *range(1, 16, 2))]
        assert [row.folder.name for row in listed.items] == order
        for name in order:
            await pilot.pause()
            chosen = next(line for line in text(app).splitlines() if "►" in line)
            assert name in chosen
            await pilot.press("down")
        lines = [line.strip() for line in text(app).splitlines()]
        if size[1] > 5:
            assert lines.index("press 4") < next(
                n for n, line in enumerate(lines) if line.startswith("run-13") or "run-13" in line
            )
        if size[1] == 24:
            at = {word: n for n, word in enumerate(line.split("  ")[0] for line in lines)}
            assert at["line 2"] < at["run-00"] < at["run-14"] < at["press 4"] < at["run-01"]
            await pilot.click(SessionList, offset=(5, at["run-02"]))
            assert listed.item is not None
            assert listed.item.folder.name == "run-02"


@on_screen
async def test_the_keys_are_shown_anew_when_a_search_begins_and_ends() -> None:
    app = Bench()
    async with app.run_test(size=(80, 24)) as pilot:
        listed = app.query_one(SessionList)
        listed.focus()
        await pilot.pause()
        looked: list[str | None] = []
        app.screen.bindings_updated_signal.subscribe(listed, lambda _: looked.append(listed.wanted))
        await pilot.press("g")
        await pilot.pause()
        assert looked == [""]
        await pilot.press("9", "enter")
        await pilot.pause()
        assert looked == ["", None]
        assert listed.item is not None
        assert listed.item.name == "name 9"


@pytest.mark.parametrize(("signs", "sign"), [("unicode", "…"), ("ascii", "...")])
def test_what_a_title_leaves_out_is_seen_to_be_left_out(
    signs: Signs, sign: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    looks = Looks(Terminal(signs=signs))
    monkeypatch.setattr(TitleLine, "looks", looks)
    title = TitleLine()
    name, right = "bottling line 2, infeed 2026-11-28", "12 done, 1 aside, 3 left  A. Example"
    for beside in (right, f"FOLLOWING, read-only  {right}"):
        title.data = Title(name, beside)
        for width in range(40, 100):
            (drawn,) = title.draw(width, 1)
            shown = looks.terminal.text(line_text(drawn))
            assert len(shown) <= width
            assert sign in shown or (name in shown and shown.endswith(beside))
            assert shown.startswith("bottl")
            assert name in shown or "28  " in shown
