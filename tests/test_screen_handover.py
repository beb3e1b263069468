"""After a result: report and export from the screen, and what the demo leaves behind."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import yaml
from command import stationbook
from made_session import make_session
from screen_bench import (
    EXAMPLE,
    app_for,
    comes,
    example,
    on_screen,
    opened,
    store,
    text,
    until,
)
from screen_terminal import PROGRAM, Program
from textual.pilot import Pilot

from engine.errors import StationbookError
from engine.report.exports import FORMATS
from engine.sessions.changes import Who, commit, remark
from engine.sessions.folder import open_session
from engine.sessions.journal import OVERTAKEN
from engine.sessions.results import read_result
from engine.steps.solve import solve_session
from tui.desk.changes import export_forms, write_exports, write_reports
from tui.desk.desk import Desk
from tui.desk.solution import Solution
from tui.screens.result import ChooseForm, Result


async def chosen(pilot: Pilot[None], form: str) -> None:
    """Ask for an export and choose its form."""
    await pilot.press("x")
    await until(pilot, "In which form is the result handed over?", form)
    assert isinstance(pilot.app.screen, ChooseForm)
    await pilot.press(*["down"] * list(FORMATS).index(form), "enter")


async def written(pilot: Pilot[None], name: str) -> None:
    """Wait until the screen says that this file was written; a long path is broken anywhere."""

    def said() -> bool:
        shown = text(pilot.app).replace("\n", "")
        return "Written:" in shown and name in shown

    await comes(pilot, said)


def test_every_form_of_the_command_is_offered_on_the_screen() -> None:
    assert [name for name, _ in export_forms()] == list(FORMATS)


@on_screen
async def test_an_accepted_result_is_reported_and_exported_from_its_screen(tmp_path: Path) -> None:
    folder = example(tmp_path / "a path that is longer than the screen is wide" / "session")
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        await pilot.press("f6")
        shown = await until(pilot, "Verdict: ACCEPTED", "r report", "x export", "p proof")
        assert "F9 help" in shown
        await pilot.press("r")
        await written(pilot, "report.html")
        await chosen(pilot, "matrix")
        await written(pilot, "matrix.txt")
    assert (folder / "report.html").read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    rows = (folder / "base_T_camera-matrix.txt").read_text(encoding="utf-8").splitlines()
    matrix = np.array([row.split() for row in rows if row and not row.startswith("#")], float)
    np.testing.assert_allclose(matrix, read_result(folder).camera.matrix, atol=1e-6)


def test_what_a_full_disk_kept_from_being_stored_is_stored_before_it_is_handed_over(
    tmp_path: Path,
) -> None:
    """It said "no result.yaml, solve first" beside the result that it showed."""
    desk = Desk(example(tmp_path / "session"))
    desk.open()
    desk.solution = Solution(desk.opened(), solve_session(desk.opened(), desk.folder))
    result = desk.folder / "result.yaml"
    assert not result.exists()
    assert not write_exports(desk, "json")[1]
    stored = result.read_bytes()
    write_exports(desk, "matrix")
    assert result.read_bytes() == stored
    assert not list(desk.folder.glob("result-*"))
    desk.close()


@on_screen
async def test_a_second_export_keeps_the_first_beside_it(tmp_path: Path) -> None:
    folder = example(tmp_path / "session")
    shutil.copy(EXAMPLE / "result.yaml", folder)
    (folder / "base_T_camera-yaml.yaml").write_text("older: 1\n", encoding="utf-8")
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        await pilot.press("f6")
        await until(pilot, "Verdict: ACCEPTED")
        await chosen(pilot, "yaml")
        await until(pilot, "Written:")
    assert (folder / "base_T_camera-yaml-001.yaml").read_text(encoding="utf-8") == "older: 1\n"
    now = yaml.safe_load((folder / "base_T_camera-yaml.yaml").read_text(encoding="utf-8"))
    assert now["transform"] == "base_T_camera"


@on_screen
async def test_a_result_that_is_not_accepted_is_not_exported_and_says_why(tmp_path: Path) -> None:
    folder = example(tmp_path / "session")
    session = open_session(folder)
    first = session.stations[4]
    assert first.pose is not None
    far = replace(first, pose=(f"{float(first.pose[0]) + 40:.2f}", *first.pose[1:]))
    store(folder, session.with_station(far))
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        await pilot.press("f6")
        await until(pilot, "NOT ACCEPTED")
        await chosen(pilot, "json")
        shown = " ".join((await until(pilot, "Not written:")).split())
        assert "the result is not accepted: Station 5" in shown
        assert "Put that right and solve again." in shown
    assert not list(folder.glob("base_T_camera-*"))


def test_what_cannot_be_handed_over_is_told_with_what_can_be_done_on_the_screen(
    tmp_path: Path,
) -> None:
    make_session(tmp_path / "s", 8, axes=4)
    assert stationbook("solve", tmp_path / "s").returncode in (0, 1)
    desk = Desk(tmp_path / "s")
    desk.open()
    with pytest.raises(StationbookError, match="Export as quaternion or matrix"):
        write_exports(desk, "pendant")
    mark = remark(OVERTAKEN, desk.opened(), desk.folder, {"by": "later", "moved": True})
    commit(desk.folder, mark, Who(None, desk.clock()))
    for hand_over in (write_reports, lambda desk: write_exports(desk, "json")):
        with pytest.raises(StationbookError) as told:
            hand_over(desk)
        assert told.value.remedy == "Calibrate again in a new session."
    desk.close()


@on_screen
async def test_the_menu_of_a_result_finds_proof_report_and_export(tmp_path: Path) -> None:
    app = app_for(example(tmp_path / "session"))
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        await pilot.press("f6")
        await until(pilot, "Verdict: ACCEPTED")
        await pilot.press("f8")
        await until(pilot, "What next?")
        await pilot.press(*"customer", "space", *"signs", "enter")
        await written(pilot, "report.html")
        assert isinstance(app.screen, Result)


@on_screen
async def test_a_follower_writes_nothing(tmp_path: Path) -> None:
    folder = example(tmp_path / "session")
    shutil.copy(EXAMPLE / "result.yaml", folder)
    app = app_for(folder, follow=True)
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        await pilot.press("w")
        shown = await until(pilot, "Verdict:")
        assert "r report" not in shown
        await pilot.press("r", "x")
        await pilot.pause(0.2)
        assert isinstance(app.screen, Result)
        assert "Written" not in text(app)
    assert not (folder / "report.html").exists()


def test_the_demo_says_where_its_session_lies_and_what_comes_next(tmp_path: Path) -> None:
    place = tmp_path / "demo"
    with Program(*PROGRAM, "demo", "--dir", str(place), size=(120, 30)) as program:
        program.until("Enter begins.")
        program.press("q")
        assert program.leave() == 0
        said = "".join(program.shown.split())  # lines break where the terminal ends
    assert f"Thedemo'ssessionliesin{place}." in said
    assert f"stationbookopen{place}" in said
