"""The headline and the line: nothing stale is told, and nothing typed is lost."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from threading import Event, Thread
from time import sleep

import pytest
from screen_bench import (
    app_for,
    choose,
    comes,
    example,
    on_screen,
    opened,
    pose,
    store,
    text,
    type_line,
    until,
)

import tui.desk.kept
from engine.cell.cell import KeepOut
from engine.sessions.folder import open_session
from engine.sessions.journal import read_journal
from engine.steps.solve import open_questions, solve_session
from engine.steps.starting import SKIPPED, questions_skipped
from tui.desk.kept import LONGEST, Kept
from tui.desk.views import Move
from tui.screens.forms import Start
from tui.screens.stations import Stations
from tui.widgets.panels import FindingsView

# ---- the headline -------------------------------------------------------------------------------


@on_screen
async def test_where_no_jog_is_told_the_screen_says_what_a_hand_is_to_do(tmp_path: Path) -> None:
    folder = example(tmp_path / "session", 1)
    session = open_session(folder)
    tray = KeepOut("tray", (400.0, -400.0, 300.0), (1000.0, 400.0, 310.0))  # flange: Z 435
    boxed = replace(session, cell=replace(session.cell, keep_out=(tray,)))
    async with app_for(store(folder, boxed, answered=True)).run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        shown = await until(pilot, "Station 2:  By sight, well clear of tray: turn the flange")
        assert "jog base" not in shown


@on_screen
async def test_after_enter_no_move_is_told_before_it_was_worked_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import tui.screens.station_actions as solving

    advise, waiting = solving.advise, [True]

    def slowly(*args: object) -> object:
        while waiting:
            sleep(0.01)
        return advise(*args)  # type: ignore[arg-type]

    app = app_for(example(tmp_path / "session", 4))
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await opened(pilot)
        told = screen.next_move.data.move
        monkeypatch.setattr(solving, "advise", slowly)
        monkeypatch.setattr(solving, "LASTING", 0.5)
        await type_line(pilot, pose(5))
        await until(pilot, "F2 accepts it")
        await pilot.press("f2", "enter")
        shown = await until(pilot, "Station 5 stored", "Station 6:  planning the next move ...")
        assert told.splitlines()[0] not in shown
        assert "NEXT" not in shown
        await until(pilot, "Esc leaves it")
        await pilot.press("escape")
        await until(pilot, "Station 6:  jog on: another place in the view")
        assert screen.pad.pose.has_focus
        waiting.clear()


@on_screen
async def test_the_headline_speaks_of_the_station_that_is_edited(tmp_path: Path) -> None:
    app = app_for(example(tmp_path / "session", 5))
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await choose_station(pilot, "2")
        await pilot.press("e")
        shown = await until(pilot, "Station 2 is edited.  Recorded:", "images/002.png")
        assert "Station 6:" not in shown
        await pilot.press("escape", "escape")
        await until(pilot, "Station 6:")
        await choose(pilot, "3")
        await pilot.press("r")
        await until(pilot, "Station 3 again:  new pose and image.")
        assert screen.pad.entry.purpose == "retake"


async def choose_station(pilot: object, label: str) -> Stations:
    await opened(pilot)  # type: ignore[arg-type]
    return await choose(pilot, label)  # type: ignore[arg-type]


@on_screen
async def test_a_jog_wraps_and_what_finds_no_room_names_its_key(tmp_path: Path) -> None:
    jog = " ".join(f"turn +{n}{n}° about base X, base Y −{n} mm," for n in range(1, 9))
    app = app_for(example(tmp_path / "session", 2))
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await opened(pilot)
        for size, whole in (((80, 24), True), ((60, 20), False)):
            await pilot.resize_terminal(*size)
            screen.next_move.show(Move("Station 3:", jog))
            await pilot.pause()
            await until(pilot, "Pick U", "Enter store", "Job:")
            drawn = " ".join(text(app).split())
            assert (jog in drawn) == whole
            if not whole:
                assert "all: F9" in drawn
        await pilot.press("f2")  # once it was read, the caution takes less room
        await until(pilot, "takes one line until tomorrow")
        assert app.settings.get("caution read")


@on_screen
async def test_the_whole_caution_is_one_key_away_on_a_small_terminal(tmp_path: Path) -> None:
    app = app_for(example(tmp_path / "session", 2))
    async with app.run_test(size=(60, 15)) as pilot:
        await opened(pilot)
        await until(pilot, "CAUTION", "NOT checked. ... all: F9")
        await pilot.press("f9")
        await until(pilot, "Station 3:")
        seen = ""
        for _ in range(30):
            seen += text(app)
            await pilot.press("down")
            await pilot.pause()
        for words in ("look where everything will go", "enabling switch", "licensed practice"):
            assert words in " ".join(seen.split()), words


@on_screen
async def test_what_the_checks_say_stands_in_the_smallest_window_with_joints_beside_the_pose(
    tmp_path: Path,
) -> None:
    app = app_for(example(tmp_path / "session", 2))
    async with app.run_test(size=(60, 15)) as pilot:
        screen = await opened(pilot)
        pad = screen.pad
        for focused, fields in ((pad.joints, pad.joint_fields), (pad.pose, pad.fields)):
            await pilot.press("f5")
            await pilot.pause()
            assert focused.has_focus
            for part in (pad.pose, pad.joints, fields):
                assert part.display
                assert part.region.height
            assert pad.findings.region.bottom <= 14
            assert pad.findings.region.height >= 3
            await pilot.press("1")  # so that the line stays when it is left
        await pilot.resize_terminal(80, 24)
        await pilot.pause()
        assert pad.fields.region.height == pad.joint_fields.region.height == 2


@on_screen
async def test_the_way_back_from_a_picture_stands_in_the_smallest_window(tmp_path: Path) -> None:
    """Depth, which this camera does not measure, took its place."""
    app = app_for(example(tmp_path / "session", 3))
    async with app.run_test(size=(60, 15)) as pilot:
        await opened(pilot)
        await pilot.press("f3")
        shown = await until(pilot, "3 top and side", "Esc back")
        assert "4 depth" not in shown


@on_screen
async def test_a_pose_copied_from_the_screen_is_asked_about(tmp_path: Path) -> None:
    app = app_for(example(tmp_path / "session", 5))
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await opened(pilot)
        await type_line(pilot, " ".join(screen.desk.plan[0].pose or ()))
        await until(pilot, "WARNING copied-pose: These are the very digits of planned station 6")
        await type_line(pilot, "1")
        await comes(pilot, lambda: "copied-pose" not in text(app))


@on_screen
async def test_a_long_message_is_wrapped_and_its_end_is_one_key_away(tmp_path: Path) -> None:
    app = app_for(example(tmp_path / "session", 2))
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await opened(pilot)
        screen.tell("word " * 20 + "end.", "error")
        await until(pilot, "word end.")
        screen.tell("word " * 90 + "end.", "error")
        await until(pilot, "... all: F9")
        assert screen.query_one(FindingsView).cut
        await pilot.press("f9")
        await until(pilot, "word end.")


# ---- nothing typed is lost ----------------------------------------------------------------------


@on_screen
async def test_a_half_typed_edit_and_pose_come_back_after_each_other(tmp_path: Path) -> None:
    app = app_for(example(tmp_path / "session", 3))
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await opened(pilot)
        recorded = pose(2)
        await type_line(pilot, "612.4 -85")
        await choose_station(pilot, "2")
        await pilot.press("e")
        await until(pilot, "Not stored: 612.4 -85; it is there again when this is left or stored.")
        assert screen.pad.pose.value == recorded
        await pilot.press("9")
        await pilot.press("escape", "escape")
        await until(pilot, f"Not stored: {recorded}9;", "e at that station")
        assert screen.pad.pose.value == "612.4 -85"
        await choose_station(pilot, "2")
        await pilot.press("e")
        await pilot.pause()
        assert screen.pad.pose.value == f"{recorded}9"
        await pilot.press("escape", "c")  # a closing stop is the next one, of which half is typed
        await until(pilot, "Closing station")
        assert screen.pad.pose.value == "612.4 -85"
        await pilot.press("escape", "e")
        await pilot.pause()
        assert screen.pad.pose.value == f"{recorded}9"
        await pilot.press("backspace", "escape", "escape")
        await pilot.pause()
        assert screen.pad.pose.value == "612.4 -85"


@on_screen
async def test_digits_go_to_the_pose_line_whatever_has_the_focus(tmp_path: Path) -> None:
    app = app_for(example(tmp_path / "session", 3))
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await choose_station(pilot, "2")
        assert screen.stations.has_focus
        await pilot.press("-", "8", "5", ".", "1")
        assert screen.pad.pose.value == "-85.1"
        assert screen.pad.pose.has_focus


@on_screen
async def test_half_a_line_is_there_at_the_next_opening_and_gone_once_stored(
    tmp_path: Path,
) -> None:
    folder = example(tmp_path / "session", 3)
    async with app_for(folder).run_test(size=(80, 24)) as pilot:
        screen = await opened(pilot)
        await type_line(pilot, "612.4 -85.1 4")
        file = screen.desk.kept.file
        await comes(pilot, lambda: Kept(file).get("pose") == "612.4 -85.1 4")  # while it still runs
    async with app_for(folder).run_test(size=(80, 24)) as pilot:
        screen = await opened(pilot)
        await until(pilot, "still to type" if screen.pad.message == [] else "Typed before")
        assert screen.pad.pose.value == "612.4 -85.1 4"
        await pilot.press("ctrl+u")
        await type_line(pilot, pose(4))
        await until(pilot, "F2 accepts it")
        await pilot.press("f2", "enter")
        await until(pilot, "Station 4 stored")
        await comes(pilot, lambda: not file.exists())
    async with app_for(folder).run_test(size=(80, 24)) as pilot:
        screen = await opened(pilot)
        assert screen.pad.pose.value == ""


@on_screen
async def test_half_an_edited_station_comes_back_as_that_edit(tmp_path: Path) -> None:
    folder = example(tmp_path / "session", 3)
    async with app_for(folder).run_test(size=(80, 24)) as pilot:
        await choose_station(pilot, "2")
        await pilot.press("e", "backspace", "7")
        await pilot.pause()
    async with app_for(folder).run_test(size=(80, 24)) as pilot:
        screen = await opened(pilot)
        assert (screen.pad.entry.purpose, screen.pad.entry.station) == ("correct", 2)
        assert screen.pad.pose.value.endswith("7")


def test_a_slow_save_never_brings_back_what_was_stored_meanwhile(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    half, begun, goes_on = Kept(Path("typed.json")), Event(), Event()
    remember = tui.desk.kept.remember

    def slowly(file: Path, texts: dict[str, str]) -> None:
        begun.set()
        goes_on.wait(5.0)
        remember(file, texts)

    monkeypatch.setattr("tui.desk.kept.remember", slowly)
    half.put("pose", "612.4 -85.1 4")
    first = Thread(target=half.save)
    first.start()
    begun.wait(5.0)
    half.put("pose", "")  # it is stored
    second = Thread(target=half.save)
    second.start()
    second.join(0.05)
    goes_on.set()
    first.join()
    second.join()
    assert Kept(Path("typed.json")).get("pose") == ""


def test_what_was_kept_by_others_gives_a_file_no_power(tmp_path: Path) -> None:
    for content in ("[1, 2]", '{"pose": 3}', '{"pose": "\\u001b[2J"}', "[" * 100_000, "\x00"):
        (tmp_path / "typed.json").write_text(content)
        assert Kept(tmp_path / "typed.json").get("pose") == ""
    (tmp_path / "typed.json").write_text('{"pose": "%s"}' % ("1" * (LONGEST + 1)))
    assert Kept(tmp_path / "typed.json").get("pose") == ""


# ---- start questions ----------------------------------------------------------------------------


@on_screen
async def test_skipped_start_questions_are_asked_again_before_it_solves_and_marked(
    tmp_path: Path,
) -> None:
    folder = example(tmp_path / "session")
    (folder / "journal.jsonl").unlink()
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await comes(pilot, lambda: isinstance(app.screen, Start))
        await pilot.press("escape")
        await until(pilot, "They are asked again before it solves", "start questions open")
        await pilot.press("f6")
        await comes(pilot, lambda: isinstance(app.screen, Start))
        await pilot.press("escape")
        await until(pilot, "Verdict:", "start-open", "were left open")
    assert SKIPPED in [line["action"] for line in read_journal(folder)]
    assert "start-open" in [item.code for item in open_questions(folder)]


def test_a_session_that_nobody_asked_about_is_not_marked(tmp_path: Path) -> None:
    folder = example(tmp_path / "session", 5)
    codes = [item.code for item in solve_session(open_session(folder), folder).stored.findings]
    assert "start-open" not in codes
    session = open_session(folder)
    assert questions_skipped(session, folder).session is session
