"""Closing stops on the screen: where to go back to, and what is far from there."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from screen_bench import (
    EXAMPLE,
    app_for,
    choose,
    example,
    on_screen,
    opened,
    store,
    text,
    type_line,
    until,
)

from engine.cell.session import PlannedStation
from engine.pendant.entry import pose_from_fields
from engine.plans.plan import CLOSING
from engine.sessions.folder import open_session
from tui.app import Stationbook
from tui.screens.demo import Demo, PendantPanel
from tui.screens.opening import Welcome
from tui.widgets.looks import line_text


def fields(station: int) -> tuple[str, ...]:
    found = open_session(EXAMPLE).station(station)
    assert found is not None
    assert found.pose is not None
    return found.pose


def headline(shown: str) -> str:
    """Return what stands above the caution."""
    return shown.partition("CAUTION")[0]


@on_screen
async def test_headline_of_a_closing_station_is_the_first_stations_pose(tmp_path: Path) -> None:
    app = app_for(example(tmp_path / "session", 5))
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        assert "jog base" in headline(await until(pilot, "jog base", "CAUTION"))
        await pilot.press("escape", "c")
        shown = headline(await until(pilot, "go back to station 1.", "CAUTION"))
        assert all(value in shown for value in fields(1))
        assert "jog base" not in shown
        await pilot.press("escape", "c")
        assert "jog base" in headline(await until(pilot, "An ordinary station again."))


@on_screen
async def test_a_closing_stop_elsewhere_is_warned_of_and_one_at_station_1_is_not(
    tmp_path: Path,
) -> None:
    folder = example(tmp_path / "session", 3)
    app = app_for(folder)
    async with app.run_test(size=(132, 43)) as pilot:
        await opened(pilot)
        await type_line(pilot, " ".join(fields(2)))
        await until(pilot, "duplicate")
        await pilot.press("escape", "c")
        await until(pilot, "closing-elsewhere", "returns to station 1")
        await pilot.press(*["backspace"] * 60)
        await type_line(pilot, " ".join(fields(1)))
        shown = await until(pilot, "board-missing", "F2 accepts it")
        assert "closing-elsewhere" not in shown
        await pilot.press("f2", "enter")
        await until(pilot, "Station 4 stored")
        assert "go back" not in headline(text(app))
    assert [s.closing for s in open_session(folder).stations] == [False, False, False, True]


@on_screen
async def test_a_closing_stop_that_is_planned_is_entered_as_closing(tmp_path: Path) -> None:
    folder = example(tmp_path / "session", 9)
    session = open_session(folder)
    last = PlannedStation(fields(1), "base X +1 mm", CLOSING)
    store(folder, replace(session, plan=(last,)))
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await opened(pilot)
        at = [row.label for row in screen.desk.rows()][-1]
        await choose(pilot, at)
        await pilot.press("j", "escape")
        shown = await until(pilot, "closing:", "go back to station 1.")
        assert "jog base " in headline(shown)  # the one that was checked
        await type_line(pilot, " ".join(fields(1)))
        await until(pilot, "board-missing", "F2 accepts it")
        await pilot.press("f2", "enter")
        await until(pilot, "Station 10 stored")
    after = open_session(folder)
    assert after.stations[-1].closing
    assert CLOSING not in [planned.why for planned in after.plan]


@on_screen
async def test_what_may_go_wrong_on_the_way_stands_beside_the_move(tmp_path: Path) -> None:
    folder = example(tmp_path / "session", 2)
    session = open_session(folder)
    first, second = session.stations
    assert second.pose is not None
    angle = f"{(float(second.pose[3]) + 60.0) % 180.0:.3f}"
    wrong = replace(second, pose=(*second.pose[:3], angle, *second.pose[4:]))
    store(folder, replace(session, stations=(first, wrong), plan=()))
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        shown = headline(await until(pilot, "Beware:", "CAUTION"))
    assert "the stations so far do not fit together" in " ".join(shown.split())


@on_screen
async def test_f4_drives_the_demos_robot_back_to_the_first_station(tmp_path: Path) -> None:
    app = Stationbook(Welcome(tmp_path / "demo", 7))
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, "Enter begins.")
        await pilot.press("enter")
        await until(pilot, "Simulated pendant  F4 drives")
        poses = []
        for stop in (1, 2, 3):
            if stop == 3:
                await until(pilot, "Station 3:")  # Esc would leave a planning that lasts
                await pilot.press("escape", "c")
                await until(pilot, "go back to station 1.")
            await pilot.press("f4")
            await until(pilot, f"stop {stop} of 6", "88 of 88")
            assert isinstance(app.screen, Demo)
            poses.append(app.screen.simulated.fields)
            await type_line(pilot, " ".join(poses[-1]))
            await until(pilot, "Ready. Enter stores it.")
            await pilot.press("enter")
            await until(pilot, f"Station {stop} stored.")
        pendant = app.screen.desk.opened().cell.pendant
    first, second, third = (pose_from_fields(p, pendant).base_T_flange[:3, 3] for p in poses)
    assert np.linalg.norm(second - first) > 20.0
    assert np.linalg.norm(third - first) < 5.0
    assert open_session(tmp_path / "demo").stations[2].closing


@pytest.mark.parametrize(("stop", "said"), [(0, "F4 drives"), (6, "stop 6 of 6"), (7, "stop 7")])
def test_the_pendants_headline_is_whole_and_counts_no_further_than_it_goes(
    stop: int, said: str
) -> None:
    panel = PendantPanel()
    panel.stop = stop
    assert line_text(panel.draw(38, 4)[0]) == f"Simulated pendant  {said}"
