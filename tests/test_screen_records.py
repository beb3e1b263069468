"""What is noted beside the stations on the screen: recordings of scripts, photographs, frames."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from importlib import import_module
from pathlib import Path

import cv2
import numpy as np
from screen_bench import (
    app_for,
    choose,
    example,
    on_screen,
    opened,
    paste_line,
    store,
    until,
)
from textual.binding import Binding
from textual.pilot import Pilot
from textual.screen import Screen

from engine.cautions import TOUCH
from engine.cell.stations import station_pose
from engine.frames import inverse, quaternion_xyzw
from engine.sessions.folder import open_session
from tui.widgets.form import Form


async def fill(pilot: Pilot[None], **texts: str) -> None:
    """Fill lines of the form that is open, and finish it at the last one."""
    form = pilot.app.screen.query_one(Form)
    for question, edit in zip(form.questions, form.edits, strict=True):
        edit.set(texts.get(question.key, edit.value))
    pilot.app.screen.set_focus(form.edits[-1])
    await pilot.press("enter")


@on_screen
async def test_a_recording_of_another_script_comes_in_once_its_numbers_are_named(
    tmp_path: Path,
) -> None:
    folder = example(tmp_path / "session", 7)
    session = open_session(folder)
    poses = [inverse(station_pose(session.cell, s)) for s in session.stations[2:]]
    values = np.array([[*T[:3, 3] / 1000.0, *quaternion_xyzw(T[:3, :3])] for T in poses])
    np.savetxt(tmp_path / "robot.csv", values, delimiter=",", fmt="%.10f")
    store(folder, replace(session, stations=session.stations[:2]), answered=True)
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        await pilot.press("escape", "h")
        await until(pilot, "A script's numbers", "Meaning")
        await paste_line(pilot, str(tmp_path / "robot.csv"))
        await pilot.press("tab")
        await paste_line(pilot, "m quaternion-wzyx inverse")
        await pilot.press("enter")
        await until(pilot, "Unknown convention")
        await pilot.press("ctrl+u")
        await paste_line(pilot, "m quaternion-xyzw inverse")
        await pilot.press("enter")
        await until(pilot, "The station has no image")
        await pilot.press("f2")
        await until(pilot, "5 of 5 ready")
        await pilot.press("f10")
        await until(pilot, "5 of 5 stored")
    again = open_session(folder)
    back = station_pose(again.cell, again.existing(3))
    assert np.abs(back - inverse(poses[0])).max() < 1e-4


@on_screen
async def test_what_the_report_says_and_a_photograph_are_noted_from_the_menu(
    tmp_path: Path,
) -> None:
    folder = example(tmp_path / "session", 3)
    cv2.imwrite(str(tmp_path / "pendant.png"), np.full((30, 40), 90, np.uint8))
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        await pilot.press("escape", "f8")
        await pilot.press(*"whom")
        await until(pilot, "Customer, place")
        await pilot.press("enter")
        await until(pilot, "Instruments")
        await fill(pilot, customer="A. Example", temperature="21,5", instruments="tape; 7; soon")
        await until(pilot, "'soon' is no day")
        await fill(pilot, instruments="tape; 7; 2027-03-01 | rod")
        await until(pilot, "Kept")
        await pilot.press("escape")
        await choose(pilot, "2")
        await pilot.press("P")
        await until(pilot, "photograph of the pendant")
        await paste_line(pilot, str(tmp_path / "pendant.png"))
        await pilot.press("enter")
        await until(pilot, "Photograph kept with station 2")
        await pilot.press("I")  # the key of the same form, which shows what is noted
        await until(pilot, "A. Example", "21.5")
        await fill(pilot, place="hall 3", warm="40")
        await until(pilot, "Kept")
    session = open_session(folder)
    assert session.about is not None
    assert (session.about.customer, session.about.temperature_degc) == ("A. Example", 21.5)
    assert [i.name for i in session.about.instruments] == ["tape", "rod"]
    assert (session.about.place, session.about.warm_up_min) == ("hall 3", 40.0)
    photo = session.existing(2).photo
    assert photo is not None
    assert (folder / photo).read_bytes() == (tmp_path / "pendant.png").read_bytes()


@on_screen
async def test_a_frame_through_three_seen_points_is_shown_and_written(tmp_path: Path) -> None:
    folder = example(tmp_path / "session", 9)
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await opened(pilot)
        await pilot.press("f6")
        await until(pilot, "base_T_camera")
        await pilot.press("escape")
        screen.action_step("frame")
        shown = await until(pilot, "A frame through three points", "Origin")
        assert " ".join(TOUCH) in " ".join(shown.split())  # the robot is moved to the points
        points = {"p1": "0 0 900", "p2": "100 0 900", "p3": "0 100"}
        await fill(pilot, by="seen", **points)
        await until(pilot, "is not three numbers")
        await fill(pilot, p3="0 100 900")
        await until(pilot, "belt in the base", "written: ")
    text = (folder / "frame-belt.txt").read_text()
    result = open_session(folder)
    assert "To be typed as a user frame" in text
    assert result.stations


def test_no_screen_gives_one_key_to_two_actions() -> None:
    for name in ("stations", "proof", "recheck", "sessions", "cells", "result", "demo", "practice"):
        module = import_module(f"tui.screens.{name}")
        for screen in vars(module).values():
            if isinstance(screen, type) and issubclass(screen, Screen):
                bound = [b for b in screen.__dict__.get("BINDINGS", []) if isinstance(b, Binding)]
                keys = Counter(key for b in bound for key in b.key.split(","))
                assert max(keys.values(), default=1) == 1, (screen, keys)
