"""Several cameras on the screen: their images, their results, and which one moved."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from bumps import bump
from screen_bench import (
    app_for,
    comes,
    on_screen,
    opened,
    paste_line,
    store,
    text,
    type_line,
    until,
)
from two_camera_session import FIRST, SIDE, TwoCameras, make_two_cameras

from engine.sessions.confirmed import confirm
from engine.sessions.folder import open_session
from engine.sessions.journal import read_journal
from tui.screens.stations import Stations

SOURCES = {FIRST: {"folder": "from-first"}, SIDE: {"folder": "from-side"}}


@pytest.fixture
def session(tmp_path: Path) -> tuple[Path, TwoCameras]:
    """Return a session of six stations, both cameras with a folder for images; robot at a next."""
    folder = tmp_path / "session"
    made = make_two_cameras(folder, 6)
    found = open_session(folder)
    cell = found.cell
    cameras = tuple(replace(camera, source=SOURCES[camera.name]) for camera in cell.cameras)
    cell = replace(cell, camera=replace(cell.camera, source=SOURCES[FIRST]), cameras=cameras)
    store(folder, replace(found, cell=cell), answered=True)
    for source in SOURCES.values():
        (folder / source["folder"]).mkdir()
        confirm(folder, source, now=app_for(folder).first.clock())
    made.robot.go_to(made.robot.suggest_stations(10)[6])
    return folder, made


def deliver(folder: Path, made: TwoCameras) -> None:
    """Let both cameras save what they see now."""
    for name, image in zip((FIRST, SIDE), made.images(), strict=True):
        cv2.imwrite(str(folder / SOURCES[name]["folder"] / "007.png"), image)


@on_screen
async def test_images_of_both_cameras_come_by_themselves_and_are_stored_together(
    session: tuple[Path, TwoCameras],
) -> None:
    folder, made = session
    app = app_for(folder)
    async with app.run_test(size=(100, 30)) as pilot:
        await opened(pilot)
        await until(pilot, SIDE, "no image yet")
        deliver(folder, made)
        await until(pilot, "007.png", "88 of 88 points")
        await type_line(pilot, " ".join(made.robot.pendant_pose()))
        await until(pilot, "Ready. Enter stores it.")
        await pilot.press("enter")
        await until(pilot, "Station 7 stored")
    station = open_session(folder).station(7)
    assert station is not None
    assert station.image == "images/007.png"
    assert [(view.camera, view.image) for view in station.views] == [
        (SIDE, "images/007-camera2.png")
    ]


@on_screen
async def test_a_closing_station_keeps_what_every_camera_saw(
    session: tuple[Path, TwoCameras],
) -> None:
    folder, made = session
    app = app_for(folder)
    async with app.run_test(size=(100, 30)) as pilot:
        await opened(pilot)
        deliver(folder, made)
        screen = app.screen
        assert isinstance(screen, Stations)
        while screen.pad.entry.view is None or SIDE not in screen.pad.entry.views:
            await pilot.pause(0.02)
        seen = dict(screen.pad.entry.views)
        await pilot.press("escape", "c")
        await until(pilot, "Closing station")
        assert screen.pad.entry.closing
        assert screen.pad.entry.views == seen


@on_screen
async def test_what_is_wrong_with_the_further_image_keeps_the_station_from_being_stored(
    session: tuple[Path, TwoCameras],
) -> None:
    folder, made = session
    app = app_for(folder)
    async with app.run_test(size=(100, 30)) as pilot:
        await opened(pilot)
        deliver(folder, made)
        grey = np.full((1024, 1280), 120, np.uint8)
        cv2.imwrite(str(folder / SOURCES[SIDE]["folder"] / "008.png"), grey)
        await until(pilot, "0 of 88 points")
        await type_line(pilot, " ".join(made.robot.pendant_pose()))
        await until(pilot, f"camera {SIDE}", "F2 accepts it")
        await pilot.press("enter")
        await pilot.pause()
        assert len(open_session(folder).stations) == 6


@on_screen
async def test_files_can_be_named_for_each_camera(session: tuple[Path, TwoCameras]) -> None:
    folder, made = session
    files = [folder.parent / f"{k}.png" for k in range(2)]
    for path, image in zip(files, made.images(), strict=True):
        cv2.imwrite(str(path), image)
    app = app_for(folder)
    async with app.run_test(size=(100, 30)) as pilot:
        await opened(pilot)
        await pilot.press("escape", "i")
        for name, path in zip((FIRST, SIDE), files, strict=True):
            await until(pilot, f"Image of {name}")
            await paste_line(pilot, str(path))
            await pilot.press("enter")
        await pilot.press("escape")
        await until(pilot, "0.png", "88 of 88 points")


@on_screen
async def test_the_result_shows_every_camera(session: tuple[Path, TwoCameras]) -> None:
    folder, _ = session
    app = app_for(folder)
    async with app.run_test(size=(100, 200)) as pilot:
        await opened(pilot)
        await pilot.press("f6")
        shown = await until(pilot, "Verdict", f"Camera {FIRST}", f"Camera {SIDE}")
        assert shown.count("base_T_camera position") == 2


@on_screen
async def test_recheck_tells_which_camera_moved(session: tuple[Path, TwoCameras]) -> None:
    old, _ = session
    app = app_for(old)
    async with app.run_test(size=(100, 40)) as pilot:
        await opened(pilot)
        await pilot.press("f6")
        await until(pilot, "Verdict")
    later = old.parent / "later"
    make_two_cameras(later, 3, side_shift=bump(5.0, np.random.default_rng(1)), noise_seed=4)
    cell = replace(open_session(old).cell)
    store(later, replace(open_session(later), cell=cell), answered=True)
    app = app_for(later)
    async with app.run_test(size=(100, 80)) as pilot:
        await opened(pilot)
        await pilot.press("escape", "m")
        await until(pilot, "Did the camera move?", "session")
        await pilot.press("enter")
        await until(pilot, f"Camera {SIDE}", "CAMERA MOVED")
        assert text(pilot.app).count("CAMERA MOVED") == 1
        await comes(pilot, lambda: read_journal(later)[-1]["action"] == "recheck")
    line = read_journal(later)[-1]
    assert (line["action"], line["camera"], line["moved"]) == ("recheck", SIDE, True)
