"""A block of poses on the screen: pasted into the pose line, shown as a table, stored."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from screen_bench import app_for, comes, example, on_screen, opened, paste_line, store, until

from engine.sessions.folder import open_session
from tui.screens.block import Block
from tui.screens.stations import Stations


def emptied(folder: Path) -> tuple[Path, str, Path]:
    """Return a session of two stations, a table of five more, and the folder of their points."""
    session = open_session(example(folder / "session", 7))
    rest = session.stations[2:]
    seen = folder / "seen"
    seen.mkdir()
    lines = []
    for number, station in enumerate(rest, 1):
        assert station.points
        (seen / f"{number}.csv").write_bytes((folder / "session" / station.points).read_bytes())
        lines.append("\t".join([*(station.pose or ()), f"{number}.csv"]))
    store(folder / "session", replace(session, stations=session.stations[:2]), answered=True)
    return folder / "session", "\n".join(lines), seen


@on_screen
async def test_a_pasted_block_is_shown_then_stored_with_its_images(tmp_path: Path) -> None:
    folder, block, seen = emptied(tmp_path)
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        await paste_line(pilot, block)
        await until(pilot, "A table of poses", "line", "there is no image 1.csv")
        assert isinstance(app.screen, Block)
        await paste_line(pilot, str(seen))
        await pilot.press("enter")
        await until(pilot, "5 of 5 ready", "F10 stores what is ready.")
        assert len(open_session(folder).stations) == 2
        await pilot.press("f10")
        await until(pilot, "5 of 5 stored")
        await pilot.press("escape")
        await comes(pilot, lambda: isinstance(app.screen, Stations))
        await paste_line(pilot, block)  # once more; the folder of the images is kept
        await until(pilot, "0 of 5 ready", "line 1: already stored as station 3")
        await pilot.press("escape")
        await comes(pilot, lambda: isinstance(app.screen, Stations))
        await pilot.press("f7")  # the last one of them
        await comes(pilot, lambda: len(open_session(folder).stations) == 6)


@on_screen
async def test_a_pose_pasted_over_several_lines_stays_one_pose(tmp_path: Path) -> None:
    app = app_for(example(tmp_path / "session", 2))
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await opened(pilot)
        await paste_line(pilot, "X 612.4\r\nY -85\tZ 410\n")
        await comes(pilot, lambda: screen.pad.pose.value == "X 612.4 Y -85 Z 410")
        assert isinstance(app.screen, Stations)


@on_screen
async def test_a_table_of_the_letter_h_comes_from_a_file(tmp_path: Path) -> None:
    folder, block, _ = emptied(tmp_path)
    (tmp_path / "poses.tsv").write_text(block)
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await opened(pilot)
        screen.stations.focus()
        await pilot.press("h")
        await until(pilot, "A table of poses")
        await paste_line(pilot, str(tmp_path / "none.tsv"))
        await pilot.press("enter")
        await until(pilot, "no such file")
        await pilot.press("ctrl+u")
        await paste_line(pilot, str(tmp_path / "poses.tsv"))
        await pilot.press("enter")
        await until(pilot, "0 of 5 ready", "there is no image")
        await comes(pilot, lambda: screen.app.focused is screen.app.screen.query_one("#meaning"))
