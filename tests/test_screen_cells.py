"""Every cell at a glance on the screen."""

from __future__ import annotations

import shutil
from pathlib import Path

from made_session import make_session
from screen_bench import EXAMPLE, on_screen, type_line, until

from engine.sessions.folder import open_session
from engine.sessions.results import read_result
from tui.app import Stationbook
from tui.screens.cells import Cells
from tui.screens.sessions import Sessions


@on_screen
async def test_a_folder_that_is_not_there_yet_is_an_empty_plant_and_a_bad_one_is_not_being_read(
    tmp_path: Path,
) -> None:
    (tmp_path / "file").write_text("no folder")
    for name, told in (
        ("none", ("No session lies here.", "0, 0 to look")),
        ("file", ("not read",)),
    ):
        app = Stationbook(Cells(tmp_path / name))
        async with app.run_test(size=(80, 24)) as pilot:
            shown = await until(pilot, *told)
            assert "being read" not in shown
            assert "solve all again" not in shown


@on_screen
async def test_cells_are_shown_from_the_list_and_one_is_opened(tmp_path: Path) -> None:
    shutil.copytree(EXAMPLE, tmp_path / "2026-11-infeed")
    make_session(tmp_path / "made", 2)
    path = tmp_path / "made" / "session.yaml"
    path.write_text(path.read_text().replace("bottling line 2", "bottling line 3"))
    app = Stationbook(Sessions(tmp_path))
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, "accepted", "made")
        await pilot.press("v")
        shown = await until(pilot, "2, 0 to look at first", "not proven", "not solved yet")
        assert "bottling line 2" in shown
        row = next(line for line in shown.splitlines() if "not proven by touch" in line)
        result = read_result(tmp_path / "2026-11-infeed")
        assert f"{2.0 * (result.uncertainty.pick_mm or 0.0):.2f}" in row
        if "►" not in row:
            await pilot.press("down")
        await pilot.press("d")
        await until(pilot, "too few results")
        await pilot.press("e")
        await until(pilot, "What happened to bottling line 2, infeed?")
        await type_line(pilot, "crash")
        await pilot.press("enter")
        await until(pilot, "1 to look at first", "crash on")
        await pilot.press("up", "up", "enter")
        await until(pilot, "Before the next station", "bottling line 2, infeed")


@on_screen
async def test_an_archive_is_solved_again_and_a_swap_begun_from_the_list(tmp_path: Path) -> None:
    shutil.copytree(EXAMPLE, tmp_path / "2026-11-infeed")
    app = Stationbook(Sessions(tmp_path))
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, "accepted")
        await pilot.press("v")
        await until(pilot, "not proven by touch")
        await pilot.press("a")
        await until(pilot, "1 session:", "nothing")
        await pilot.press("x")
        await until(pilot, "What is swapped")
        await type_line(pilot, "board")
        await pilot.press("enter")
        await until(pilot, "Before the first station")
    (made,) = tmp_path.glob("*-board-2026-11-infeed")
    assert len(open_session(made).plan) == 3
