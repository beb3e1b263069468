"""Recording on the screen: type, look, accept, store, take back."""

from __future__ import annotations

import asyncio
import importlib
import os
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from screen_bench import (
    EXAMPLE,
    NOON,
    app_for,
    choose,
    example,
    on_screen,
    opened,
    text,
    type_keys,
    type_line,
    until,
)
from textual import events

from engine.cell.stations import station_pose
from engine.frames import transform
from engine.pendant.entry import format_joints, format_pose
from engine.robots.kinematics import kinematics
from engine.sessions.confirmed import confirm
from engine.sessions.folder import open_session
from engine.sessions.journal import read_journal
from engine.steps.station_image import examine_image
from tui.desk.desk import Desk
from tui.desk.entry import Entry, examined, kept_entry
from tui.screens.images import LOOK_EVERY
from tui.screens.stations import Stations


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return example(tmp_path / "session", 3)


def pose(station: int) -> str:
    """Return the pose of a station of the example as its operator typed it."""
    found = open_session(EXAMPLE).station(station)
    assert found is not None
    assert found.pose is not None
    return " ".join(found.pose)


def joints(desk: Desk, station: int) -> str:
    """Return joints as the pendant shows them at a station of the example."""
    cell = desk.opened().cell
    found = station_pose(cell, open_session(EXAMPLE).existing(station))
    assert found is not None
    assert cell.robot is not None
    turned = kinematics(cell.robot).inverse(found)[0]
    return " ".join(format_joints(np.degrees(turned).tolist(), cell.pendant, cell.robot))


def deliver(folder: Path, station: int, name: str = "new.png") -> None:
    """Let the camera's program save the image of a station of the example."""
    (folder / "incoming").mkdir(exist_ok=True)
    image = Path(shutil.copy(EXAMPLE / f"images/{station:03d}.png", folder / "incoming" / name))
    os.utime(image, (NOON.timestamp(), NOON.timestamp()))


@on_screen
async def test_image_comes_by_itself_and_one_line_and_enter_store_the_station(
    tmp_path: Path,
) -> None:
    folder = example(tmp_path / "session", 3, source=True)
    confirm(folder, {"folder": "incoming"}, now=app_for(folder).first.clock())
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        deliver(folder, 4)
        await until(pilot, "new.png", "88 of 88")
        await type_line(pilot, pose(4))
        await until(pilot, "Ready. Enter stores it.")
        await pilot.press("enter")
        await until(pilot, "Station 4 stored", "4 done")
    station = open_session(folder).station(4)
    assert station is not None
    assert " ".join(station.pose or ()) == pose(4)
    assert (folder / "images/004.png").read_bytes() == (EXAMPLE / "images/004.png").read_bytes()
    assert station.points is not None


@on_screen
async def test_a_stored_station_is_solved_once_and_its_files_are_not_read_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One decoded image, one solve, and no points or image read behind Enter."""
    folder = example(tmp_path / "session", 5, source=True)
    confirm(folder, {"folder": "incoming"}, now=app_for(folder).first.clock())
    solved, read, decoded = list[object](), list[Path](), list[object]()
    for module, name, calls in (
        ("engine.steps.solve", "solve_problems", solved),
        ("engine.files", "read_bytes", read),
        ("engine.images.load", "read_bytes", read),
        ("cv2", "imdecode", decoded),
    ):
        _counted(monkeypatch, module, name, calls)
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        deliver(folder, 6)
        await until(pilot, "new.png", "88 of 88")
        await type_line(pilot, pose(6))
        await until(pilot, "Ready. Enter stores it.")
        assert len(solved) == 1  # as it was opened
        assert any(path.parent.name == "points" for path in read)
        solved.clear()
        read.clear()
        await pilot.press("enter")
        await until(pilot, "Station 6 stored", "6 done")
        for _ in range(40):
            await pilot.pause()
    assert len(solved) == 1
    assert [path for path in read if path.parent.name in ("points", "images")] == []
    assert len(decoded) == 1


def _counted(monkeypatch: pytest.MonkeyPatch, module: str, name: str, calls: list[Any]) -> None:
    """Keep the first argument of every call of a function in ``calls``."""
    owner = importlib.import_module(module)
    real = getattr(owner, name)

    def counted(*args: object, **words: object) -> object:
        calls.append(args[0])
        return real(*args, **words)

    monkeypatch.setattr(owner, name, counted)


@on_screen
async def test_source_of_a_foreign_folder_waits_for_its_confirmation(tmp_path: Path) -> None:
    folder = example(tmp_path / "session", 3, source=True)
    deliver(folder, 4)
    app = app_for(folder)
    async with app.run_test(size=(100, 30)) as pilot:
        await opened(pilot)
        await until(pilot, "F4 confirms")
        await pilot.press("f4")
        await until(pilot, "Use it on this machine?")
        await pilot.press("y")
        await until(pilot, "88 of 88")


@on_screen
async def test_fields_appear_under_the_pendants_labels_while_typing(folder: Path) -> None:
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        await type_keys(pilot, "612,4; -85.1")
        shown = await until(pilot, "still to type: Z A B C")
        assert "612.4" in shown
        await type_line(pilot, " 410 1 2 3 4")
        await until(pilot, "one number too many")


@on_screen
async def test_warning_takes_a_key_of_its_own_and_a_change_takes_it_back(folder: Path) -> None:
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        await type_line(pilot, pose(4))
        await until(pilot, "board-missing", "F2 accepts it")
        await pilot.press("enter")
        await until(pilot, "F2 accepts it")
        assert len(open_session(folder).stations) == 3
        await pilot.press("f2")
        await until(pilot, "Accepted: board-missing")
        await pilot.press("enter")
        await until(pilot, "Station 4 stored")
    station = open_session(folder).station(4)
    assert station is not None
    assert station.accepted == ("board-missing",)


@on_screen
async def test_error_reach_is_accepted_only_with_a_reason(folder: Path) -> None:
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        await type_line(pilot, "1900 0 300 180 0 0")
        await until(pilot, "reach", "F2 accepts with a reason")
        await pilot.press("f2")
        await until(pilot, "Why is it right all the same?")
        await pilot.press("enter")
        await until(pilot, "Type a few words")
        await type_line(pilot, "longer arm")
        await pilot.press("enter")
        await until(pilot, "Enter stores it")
        await pilot.press("enter")
        await until(pilot, "Station 4 stored")
    station = open_session(folder).station(4)
    assert station is not None
    assert "reach" in station.accepted
    assert station.note == "longer arm"


@on_screen
async def test_error_that_nobody_may_overrule_is_never_stored(folder: Path) -> None:
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        await type_line(pilot, pose(3))
        await until(pilot, "duplicate", "Put it right.")
        await pilot.press("f2")
        await until(pilot, "must be put right first")
        await pilot.press("enter")
        await until(pilot, "Not ready")
    assert len(open_session(folder).stations) == 3


@on_screen
async def test_keys_that_come_at_once_go_where_the_first_of_them_leads(folder: Path) -> None:
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        await choose(pilot, "3")
        for key in ("a", *"nudged", "enter"):  # as a slow line brings them
            app.post_message(events.Key(key, key if len(key) == 1 else None))
        await until(pilot, "Station 3 is set aside.")
    assert open_session(folder).stations[2].note == "nudged"


@on_screen
async def test_every_action_is_undone_and_done_again(folder: Path) -> None:
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        await choose(pilot, "3")
        await pilot.press("a")
        await until(pilot, "Why is station 3 set aside?")
        await type_line(pilot, "hand in view")
        await pilot.press("enter")
        await until(pilot, "Station 3 is set aside.", "2 done, 1 aside")
        await pilot.press("n")
        await until(pilot, "Station 3: remark")
        await type_line(pilot, ", look again")
        await pilot.press("enter")
        await until(pilot, "Remark kept")
        await pilot.press("u")
        await until(pilot, "Taken back: note at 3")
        await pilot.press("u")
        await until(pilot, "Taken back: set aside 3", "3 done")
        assert open_session(folder).stations[2].use
        await pilot.press("y")
        await until(pilot, "Done again: set aside 3")
        assert not open_session(folder).stations[2].use
        await pilot.press("b")
        await until(pilot, "Station 3 is used again.")
    assert open_session(folder).stations[2].use
    actions = [line["action"] for line in read_journal(folder)]
    assert actions[-5:] == [
        "note", "undo: note at 3", "undo: set aside 3", "redo: set aside 3", "bring back",
    ]  # fmt: skip


@on_screen
async def test_a_typed_pose_is_corrected_and_the_old_one_stays_in_the_journal(
    folder: Path,
) -> None:
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        await choose(pilot, "3")
        await pilot.press("e")
        before = pose(3)
        await until(pilot, "Edit 3", before)
        await pilot.press("backspace")
        await type_line(pilot, "4")
        await until(pilot, "Ready. Enter stores it.")
        await pilot.press("enter")
        await until(pilot, "Station 3 corrected")
    after = open_session(folder).station(3)
    assert after is not None
    assert " ".join(after.pose or ()) == before[:-1] + "4"
    assert read_journal(folder)[-1]["before"] or read_journal(folder)[-1]["action"] == "correct"


@on_screen
async def test_a_planned_station_is_skipped_with_a_reason_and_taken_up_again(
    tmp_path: Path,
) -> None:
    folder = example(tmp_path / "session", 4)
    app = app_for(folder)
    async with app.run_test(size=(132, 43)) as pilot:
        screen = await opened(pilot)
        await choose(pilot, "6")
        assert screen.stations.item is not None
        assert screen.stations.item.kind == "planned"
        jumped = screen.stations.item.fields
        await pilot.press("j")
        await until(pilot, "comes next")
        assert screen.desk.plan[screen.desk.next_index or 0].pose == jumped
        await pilot.press("k")
        await until(pilot, "Why is this station skipped?")
        await type_line(pilot, "fixture")
        await pilot.press("enter")
        await until(pilot, "Skipped.")
        assert [p.skipped for p in open_session(folder).plan] == ["fixture"]
        while screen.stations.item is None or screen.stations.item.state != "skipped":
            await pilot.press("up")
        await pilot.press("b")
        await until(pilot, "Back in the plan.")
    assert [p.skipped for p in open_session(folder).plan] == [None]


@on_screen
async def test_next_move_is_a_jog_until_three_stations_fit(tmp_path: Path) -> None:
    for count, by_pose in ((2, False), (4, True)):
        app = app_for(example(tmp_path / f"with-{count}", count))
        async with app.run_test(size=(80, 24)) as pilot:
            screen = await opened(pilot)
            planned = screen.desk.plan[screen.desk.next_index or 0]
            assert (planned.pose is not None) is by_pose
            shown = await until(pilot, "CAUTION", *(["jog base"] if by_pose else []))
            assert ("jog base" in shown) is by_pose


@on_screen
async def test_joints_are_typed_in_a_line_of_their_own(folder: Path) -> None:
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await opened(pilot)
        await type_line(pilot, pose(4))
        await pilot.press("f5")
        await type_line(pilot, "0 0 0 0 0 0")
        await until(pilot, "joints-disagree")
        await pilot.press("f5")
        await until(pilot, "joints-disagree", "J1", "J6")  # going back to the pose loses nothing
        assert screen.pad.pose.has_focus
        await pilot.press("f5", "ctrl+u", "f5")
        await until(pilot, "board-missing")
        assert "joints-disagree" not in text(app)
        assert "J6" not in text(app)


@on_screen
async def test_after_a_station_stored_from_the_line_for_joints_the_pose_line_has_the_keys(
    tmp_path: Path,
) -> None:
    """The line was hidden with the focus in it: every key was swallowed, `q` and Esc too."""
    folder = example(tmp_path / "session", 0, source=True)
    confirm(folder, {"folder": "incoming"}, now=app_for(folder).first.clock())
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await opened(pilot)
        deliver(folder, 1)
        await until(pilot, "88 of 88")
        await type_line(pilot, pose(1))
        await until(pilot, "frames-told")
        await pilot.press("f5")
        await type_line(pilot, joints(screen.desk, 1))
        await until(pilot, "Enter stores it")
        await pilot.press("enter")
        await until(pilot, "Station 1 stored")
        assert screen.pad.pose.has_focus
        await pilot.press("6", "1")
        assert screen.pad.pose.value == "61"


@on_screen
async def test_no_key_is_lost_where_nothing_has_the_focus(folder: Path) -> None:
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await opened(pilot)
        screen.set_focus(None)
        await pilot.press("escape")
        assert screen.stations.has_focus


@on_screen
async def test_the_line_for_joints_opens_by_itself_where_they_are_wanted(tmp_path: Path) -> None:
    app = app_for(example(tmp_path / "session", 0))
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await opened(pilot)
        assert "J6" not in text(app)
        await type_line(pilot, pose(1))
        await until(pilot, "frames-told", "Joints", "J6")
        assert screen.pad.pose.has_focus
        await pilot.press("f5")
        assert screen.pad.joints.has_focus
        await type_line(pilot, "1 2 3")
        assert screen.pad.entry.joints == "1 2 3"
        await pilot.press("ctrl+u", "f5")
        screen.pad.begin()
        await pilot.pause()
        assert "J6" not in text(app)


@on_screen
async def test_operator_is_kept_with_the_station(folder: Path) -> None:
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        await pilot.press("escape", "o")
        await until(pilot, "Who works at the robot?")
        await pilot.press(*["backspace"] * 40)
        await type_line(pilot, "night shift")
        await pilot.press("enter")
        await until(pilot, "night shift works at the robot now")
        await pilot.press("escape")
        await type_line(pilot, pose(4))
        await until(pilot, "F2 accepts it")
        await pilot.press("f2", "enter")
        await until(pilot, "Station 4 stored")
    station = open_session(folder).station(4)
    assert station is not None
    assert station.operator == "night shift"


@on_screen
async def test_nothing_changes_size_or_gets_lost_when_the_terminal_is_resized(
    folder: Path,
) -> None:
    app = app_for(folder)
    async with app.run_test(size=(132, 43)) as pilot:
        await opened(pilot)
        await type_line(pilot, "612.40 -85.10")
        for size in ((80, 24), (100, 30), (60, 20), (132, 43), (80, 24)):
            await pilot.resize_terminal(*size)
            await until(pilot, "612.40 -85.10", "CAUTION")
        assert isinstance(app.screen, Stations)


@on_screen
async def test_why_an_image_cannot_be_used_stays_on_the_screen(tmp_path: Path) -> None:
    folder = example(tmp_path / "session", 3, source=True)
    confirm(folder, {"folder": "incoming"}, now=app_for(folder).first.clock())
    app = app_for(folder)
    async with app.run_test(size=(100, 30)) as pilot:
        await opened(pilot)
        broken = tmp_path / "broken.png"
        broken.write_bytes(b"no image at all")
        await pilot.press("escape", "i")
        await until(pilot, "Image of this station")
        await type_line(pilot, str(broken))
        await pilot.press("enter", "escape")
        await until(pilot, "No image", "not a readable")
        await pilot.pause(2 * LOOK_EVERY)
        assert "not a readable" in text(app)
        deliver(folder, 4)
        await until(pilot, "88 of 88")
        half = (EXAMPLE / "images/005.png").read_bytes()[:9000]
        (folder / "incoming/zz.png").write_bytes(half)
        await until(pilot, "Still new.png", "zz.png: the file")


@on_screen
async def test_what_is_typed_while_the_session_is_being_opened_stays(tmp_path: Path) -> None:
    app = app_for(example(tmp_path / "session", 3))
    async with app.run_test(size=(80, 24)) as pilot:
        await type_line(pilot, "612.4 -85.1 410")
        screen = await opened(pilot)
        assert screen.pad.pose.value == "612.4 -85.1 410"
        await until(pilot, "still to type: A B C")


@on_screen
async def test_no_key_is_lost_while_one_screen_takes_over_from_the_other(tmp_path: Path) -> None:
    app = app_for(example(tmp_path / "session", 3))
    typed = "".join(f"{number} " for number in range(60))
    async with app.run_test(size=(80, 24)) as pilot:
        for key in typed:
            app.post_message(events.Key("space" if key == " " else key, key))
            await asyncio.sleep(0.005)
        app.post_message(events.Paste("99"))
        screen = await opened(pilot)
        await until(pilot, "58 59 99")
        assert screen.pad.pose.value == f"{typed}99"


@on_screen
async def test_what_is_typed_at_once_hides_no_half_line_of_an_earlier_opening(
    tmp_path: Path,
) -> None:
    folder = example(tmp_path / "session", 3)
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        await type_line(pilot, "612.4 -85.1")
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await type_line(pilot, "5")
        screen = await opened(pilot)
        assert screen.pad.pose.value == "5"
        await until(pilot, "Typed before and not stored: 612.4 -85.1")


@pytest.mark.parametrize(
    ("kept", "purpose", "station"),
    [("retake 2", "retake", 2), ("retake 9", "record", None), ("record 2", "record", None)],
)
def test_a_half_line_belongs_to_a_station_that_is_taken_again(
    tmp_path: Path, kept: str, purpose: str, station: int | None
) -> None:
    desk = Desk(example(tmp_path / "session", 3), follow=True)
    desk.open()
    desk.kept.put("pose", "612.4")
    desk.kept.put("station", kept)
    found = kept_entry(desk)
    assert found is not None
    assert (found.purpose, found.station) == (purpose, station)


@pytest.mark.parametrize("put_right", [False, True])
def test_a_second_stop_with_the_shift_of_a_refused_one_names_the_tool(
    tmp_path: Path, put_right: bool
) -> None:
    """The first one counted only where it was accepted; ``put_right``: it was a slip of typing."""
    desk = Desk(example(tmp_path / "session", 5))
    desk.open()
    tool = transform(np.eye(3), [0.0, 40.0, 120.0])
    cell = desk.opened().cell
    found = []
    for number in (6, 7):
        station = open_session(EXAMPLE).existing(number)
        there = station_pose(cell, station)
        assert there is not None
        shifted = " ".join(format_pose(there @ tool, cell.pendant))
        view = examine_image(desk.opened(), desk.folder, EXAMPLE / str(station.image))
        for typed in (shifted, pose(number)) if put_right else (shifted, shifted[:-1]):
            found.append(examined(desk, Entry(text=typed, view=view)).findings)
    said = [item.message for item in found[2] if item.code == "does-not-fit"]
    assert ("the one refused before it are off by the same" in said[0]) is not put_right
    desk.close()
