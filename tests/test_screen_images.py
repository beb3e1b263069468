"""Images on the screen: a source not confirmed, a folder not there, a file left from before."""

from __future__ import annotations

import os
import shutil
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from screen_bench import (
    EXAMPLE,
    NOON,
    app_for,
    example,
    on_screen,
    opened,
    store,
    text,
    type_line,
    until,
)

from engine import files
from engine.errors import StationbookError
from engine.sessions.confirmed import confirm
from engine.sessions.folder import open_session
from tui.desk.desk import Desk
from tui.desk.images import Watch, examined


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A session of three stations whose image source is confirmed."""
    made = example(tmp_path / "session", 3, source=True)
    confirm(made, {"folder": "incoming"}, now=NOON)
    return made


def saved(folder: Path, station: int, after: timedelta) -> None:
    """Let the camera's program save a station's image so long after the session began."""
    began = datetime.fromisoformat(open_session(folder).created)
    image = Path(shutil.copy(EXAMPLE / f"images/{station:03d}.png", folder / "incoming"))
    os.utime(image, ((began + after).timestamp(),) * 2)


def pose(station: int) -> str:
    return " ".join(open_session(EXAMPLE).stations[station - 1].pose or ())


@pytest.mark.parametrize(
    ("before", "age"),
    [
        (timedelta(seconds=30), ""),
        (timedelta(minutes=20), "20 min"),
        (timedelta(hours=5), "5 h"),
        (timedelta(days=5), "5 days"),
    ],
)
def test_an_image_from_before_the_session_comes_only_when_asked_for(
    folder: Path, before: timedelta, age: str
) -> None:
    saved(folder, 4, -before)
    desk = Desk(folder)
    desk.open()
    try:
        watch = Watch(desk, desk.cameras[0])
        watch.open()
        first = watch.newest()
        assert (first is None) == bool(age)
        assert age in watch.left_over
        watch.again()
        image = watch.newest()
        assert image is not None
        assert watch.left_over == ""
        saved(folder, 5, timedelta(minutes=30))
        assert watch.newest() is not None
    finally:
        desk.close()


def test_an_image_of_a_camera_whose_clock_went_back_an_hour_comes_with_the_reason(
    folder: Path,
) -> None:
    saved(folder, 4, timedelta(minutes=10))
    desk = Desk(folder)
    desk.open()
    try:
        watch = Watch(desk, desk.cameras[0])
        watch.open()
        assert watch.newest() is not None
        saved(folder, 5, timedelta(minutes=-48))  # taken after it, by a clock one hour back
        image = watch.newest()
        assert image is not None
        assert image.name == "005.png"
        said = [
            item
            for item in examined(desk, image, watch.camera).findings
            if "48 min" in item.message
        ]
        assert len(said) == 1
    finally:
        desk.close()


@on_screen
async def test_an_old_image_is_taken_with_f4_and_stored_once_it_was_accepted(
    folder: Path,
) -> None:
    saved(folder, 4, -timedelta(days=5))
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        shown = await until(pilot, "5 days", "F4 takes it")
        assert "88 of 88" not in shown
        await pilot.press("f4")
        await until(pilot, "88 of 88")
        await type_line(pilot, pose(4))
        await until(pilot, "image-old: This image was taken 5 days before the session began.")
        await pilot.press("enter")
        await until(pilot, "F2 accepts it")
        assert len(open_session(folder).stations) == 3
        await pilot.press("f2", "enter")
        await until(pilot, "Station 4 stored")
    assert open_session(folder).stations[3].accepted == ("image-old",)


@on_screen
async def test_a_new_image_after_an_old_one_comes_by_itself_without_a_warning(
    folder: Path,
) -> None:
    saved(folder, 5, -timedelta(days=5))
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        await until(pilot, "F4 takes it")
        saved(folder, 4, timedelta(minutes=30))
        await until(pilot, "004.png", "88 of 88")
        await type_line(pilot, pose(4))
        await until(pilot, "Ready. Enter stores it.")
        assert "image-old" not in text(app)


@on_screen
async def test_a_source_that_is_not_confirmed_is_told_without_guessing_where_it_came_from(
    tmp_path: Path,
) -> None:
    session = example(tmp_path / "session", 3, source=True)
    app = app_for(session)
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        shown = " ".join((await until(pilot, "source-inactive", "F4 confirms")).split())
        assert "not used on this machine until it is confirmed here" in shown
        assert "came with" not in shown
        assert "does not exist" not in shown
        await pilot.press("escape", "f")  # the page of the focus has no such key
        await until(pilot, "Focus and exposure", "F4 beside the stations confirms it")


@on_screen
async def test_a_source_is_not_even_looked_at_before_it_is_confirmed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    session = example(tmp_path / "session", 3, source=True)
    found = open_session(session)
    camera = replace(found.cell.camera, source={"folder": "elsewhere"})
    store(session, replace(found, cell=replace(found.cell, camera=camera)))
    looked: list[str] = []
    for name in ("stat", "scandir", "listdir"):
        real = getattr(os, name)

        def looking(path: object, *rest: Any, real: Any = real, **more: Any) -> Any:
            looked.append(str(path))
            return real(path, *rest, **more)

        monkeypatch.setattr(os, name, looking)
    app = app_for(session)
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        await until(pilot, "source-inactive")
    assert looked
    assert not [path for path in looked if "elsewhere" in path]


def test_asking_for_the_newest_image_again_reads_no_file(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The key asks on the screen's own thread, whatever the session has stored."""
    saved(folder, 4, timedelta(minutes=30))
    shutil.copy(EXAMPLE / "images/002.png", folder / "incoming")
    os.utime(folder / "incoming/002.png", (0, 0))
    desk = Desk(folder)
    desk.open()
    try:
        watch = Watch(desk, desk.cameras[0])
        watch.open()
        assert watch.newest() is not None
        with monkeypatch.context() as patched:
            patched.delattr(Path, "read_bytes")
            patched.delattr(Path, "open")
            watch.again()
        assert watch.newest() is not None
        (folder / "incoming/004.png").unlink()
        watch.again()
        assert watch.newest() is None, "the image of station 2 was delivered for another one"
    finally:
        desk.close()


def with_command(folder: Path) -> Path:
    """A session whose images come from a command that this machine does not have."""
    made = example(folder, 8)
    session = open_session(made)
    camera = replace(session.cell.camera, source={"command": "snap"})
    return store(made, replace(session, cell=replace(session.cell, camera=camera)))


@on_screen
async def test_a_command_that_this_machine_lacks_is_said_and_a_file_taken(tmp_path: Path) -> None:
    folder = with_command(tmp_path / "session")
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        await until(pilot, "source-inactive", "F4 confirms")
        await pilot.press("f4")
        await until(pilot, "Use it on this machine?")
        await pilot.press("y")
        await until(pilot, "camera.source: no command named")
        await pilot.press("f4")
        await until(pilot, "Image of this station")


@on_screen
async def test_an_error_of_a_job_is_told_and_ends_nothing_but_the_job(tmp_path: Path) -> None:
    async def fails() -> None:
        raise StationbookError("the disk is full", "Make room.")

    app = app_for(example(tmp_path / "session", 3))
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await opened(pilot)
        screen.jobs.begin(fails, group="test")
        await until(pilot, "The disk is full. Make room.")
        await pilot.press("escape", "up")
        await until(pilot, "Station 2")


def test_a_recorded_image_is_known_without_reading_those_of_another_size(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = example(tmp_path / "session", 4, source=True)
    confirm(folder, {"folder": "incoming"}, now=NOON)
    desk = Desk(folder, follow=True)
    desk.open()
    watch = Watch(desk, desk.cameras[0])
    watch.open()
    read: list[Path] = []
    opened = files.opened

    def noted(path: Path, *more: Any) -> Any:
        read.append(path)
        return opened(path, *more)

    monkeypatch.setattr(files, "opened", noted)
    assert watch.newest() is None
    assert not read  # opening a session hashes no image
    shutil.copy(folder / "images/002.png", folder / "incoming/a.png")
    assert watch.newest() is None
    inside = [path for path in read if path.parent.name == "images"]
    assert [path.name for path in inside] == ["002.png"]
    assert watch.repeated == "a.png has the very content of station 2's image"


@on_screen
async def test_a_copy_of_an_image_under_another_name_is_called_one(folder: Path) -> None:
    """Copied, or saved twice by the camera's program: no new image, and the screen says why."""
    saved(folder, 4, timedelta(minutes=30))
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        await until(pilot, "points")
        shutil.copy(folder / "incoming/004.png", folder / "incoming/later.png")
        pilot.app.screen.pad.begin()  # type: ignore[attr-defined]
        await until(pilot, "later.png has the very content of", "004.png. Waiting for")
        saved(folder, 5, timedelta(minutes=40))
        await until(pilot, "005.png")
