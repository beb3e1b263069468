"""The rest of a session on the screen: start, solve, correct, follow, list, describe, learn."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from time import monotonic

import pytest
from screen_bench import (
    EXAMPLE,
    NOON,
    PATIENCE,
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
from textual.binding import Binding

from engine.pendant.settings import Active
from engine.sessions.cell_file import read_cell
from engine.sessions.changes import Who, commit
from engine.sessions.folder import open_session
from engine.sessions.journal import read_journal
from engine.sessions.lock import take_lock, writing
from engine.sessions.results import read_result
from engine.steps.editing import annotate, set_aside
from tui.app import Stationbook
from tui.screens.demo import Demo
from tui.screens.forms import Start
from tui.screens.help import all_bindings
from tui.screens.opening import Welcome
from tui.screens.result import Result
from tui.screens.sessions import Sessions
from tui.screens.stations import Stations
from tui.widgets.form import Form


def with_slip(folder: Path, station: int, field: int, typed: str) -> Path:
    """Store the session with another text in one field of a station."""
    session = open_session(folder)
    found = session.station(station)
    assert found is not None
    assert found.pose is not None
    pose = (*found.pose[:field], typed, *found.pose[field + 1 :])
    return store(folder, session.with_station(replace(found, pose=pose)))


# ---- solving ------------------------------------------------------------------------------------


@on_screen
async def test_solving_shows_and_stores_the_result(tmp_path: Path) -> None:
    folder = example(tmp_path / "session")
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        await pilot.press("f6")
        shown = await until(pilot, "Verdict: ACCEPTED, not proven yet", "within the tolerance")
        assert "base_T_camera" in shown
        await pilot.press("pagedown", "pagedown")
        await until(pilot, "image px", "█")
        await pilot.press("escape")
        await until(pilot, "Pick U", "CAUTION")
    assert read_result(folder).accepted


@on_screen
async def test_solving_can_be_stopped_and_then_stores_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import tui.screens.station_actions as solving

    folder = example(tmp_path / "session")
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        monkeypatch.setattr(solving, "solve", _slowly(solving.solve))
        await pilot.press("f6")
        await until(pilot, "F6 stops it")
        await pilot.press("f6")
        await until(pilot, "Solving stopped; nothing was stored.")
        await pilot.pause(1.5)
        assert isinstance(app.screen, Stations)
    assert not (folder / "result.yaml").exists()


def _slowly(solve: object) -> object:
    from time import sleep

    def slow(*args: object) -> object:
        sleep(1.0)
        return solve(*args)  # type: ignore[operator]

    return slow


@on_screen
async def test_a_suggested_correction_is_applied_only_after_comparing(tmp_path: Path) -> None:
    folder = example(tmp_path / "session")
    before = open_session(folder).stations[4].pose
    assert before is not None
    right = before[2]
    wrong = right[:1] + right[2] + right[1] + right[3:]
    assert wrong != right
    with_slip(folder, 5, 2, wrong)
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        await pilot.press("f6")
        await until(pilot, "NOT ACCEPTED", "typed-value", f"Z {wrong} does not fit; {right} does")
        await pilot.press("a")
        await until(pilot, "Did you compare it, and is it so?")
        await pilot.press("n")
        await until(pilot, "NOT ACCEPTED")
        assert open_session(folder).stations[4].pose != before
        await pilot.press("a")
        await until(pilot, "Did you compare it, and is it so?")
        await pilot.press("y")
        await until(pilot, "Verdict: ACCEPTED")
        assert isinstance(app.screen, Result)
    assert open_session(folder).stations[4].pose == before


# ---- looking ------------------------------------------------------------------------------------


@on_screen
async def test_image_coverage_and_places_are_shown_on_a_key(tmp_path: Path) -> None:
    app = app_for(example(tmp_path / "session", 4))
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        await choose(pilot, "2")
        await pilot.press("f3")
        shown = await until(pilot, "Station 2: images/002.png")
        assert shown.count("▀") > 500
        await pilot.press("2")
        shown = await until(pilot, "Where the board was seen", "0 its point 0")
        assert "░" in shown
        await pilot.press("3")
        await until(pilot, "From above", "From the side")
        await pilot.press("escape")
        await until(pilot, "CAUTION")


# ---- following and locking ----------------------------------------------------------------------


@on_screen
async def test_a_follower_sees_a_change_within_a_second_and_can_change_nothing(
    tmp_path: Path,
) -> None:
    folder = example(tmp_path / "session", 4)
    app = app_for(folder, follow=True)
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await opened(pilot)
        await until(pilot, "FOLLOWING, read-only")
        with writing(folder, "somebody else"):
            noted = annotate(open_session(folder), 2, "look again")
            commit(folder, noted, Who(None, NOON))
        new = noted.session
        began = monotonic()
        while screen.desk.session is None or screen.desk.session.station(2) != new.station(2):
            assert monotonic() - began < PATIENCE
            await pilot.pause(0.02)
        assert monotonic() - began < 1.0
        before = (folder / "session.yaml").read_bytes()
        await pilot.press(*"aebnrckuIz", "f2", "f4", "f5", "f7", "escape", "tab")
        await type_line(pilot, "1 2 3")
        await pilot.press("enter")
        await pilot.pause(0.3)
        assert app.screen is screen
        assert (folder / "session.yaml").read_bytes() == before
        await app.run_action("help")
        shown = await until(pilot, "Choose the row above", "Ten rows up")
        assert "Leave out" not in shown
    assert not (folder / "result.yaml").exists()


@on_screen
async def test_a_result_that_is_looked_at_says_when_somebody_changed_the_session(
    tmp_path: Path,
) -> None:
    folder = example(tmp_path / "session", 6)
    app = app_for(folder, follow=True)
    async with app.run_test(size=(100, 30)) as pilot:
        screen = await opened(pilot)
        await pilot.press("f6")
        await until(pilot, "Verdict:", "6 done")
        with writing(folder, "somebody else"):
            commit(folder, set_aside(open_session(folder), 5, "shaken"), Who(None, NOON))
        await until(pilot, "Verdict:", "5 done, 1 aside")
    assert not screen.desk.changed()
    (folder / "result.yaml").touch()  # solved, or proven, by the writer
    assert screen.desk.changed()


@on_screen
async def test_a_second_writer_is_refused_with_who_and_since_when(tmp_path: Path) -> None:
    folder = example(tmp_path / "session", 4)
    with take_lock(folder, "A. Example", NOON):
        app = app_for(folder)
        async with app.run_test(size=(100, 30)) as pilot:
            await until(
                pilot, "Somebody else is recording here", "A. Example", "2026-11-25T12:00:00"
            )
            await pilot.press("y")
            await until(pilot, "FOLLOWING, read-only")


@on_screen
async def test_the_lock_is_let_go_when_the_session_is_left(tmp_path: Path) -> None:
    folder = example(tmp_path / "session", 1)
    app = app_for(folder)
    async with app.run_test() as pilot:
        await opened(pilot)
        await pilot.press("escape", "q")
        await pilot.pause()
    with writing(folder, "next"):
        pass


# ---- start --------------------------------------------------------------------------------------


@on_screen
async def test_start_questions_are_asked_once_and_kept(tmp_path: Path) -> None:
    folder = example(tmp_path / "session", 1)
    (folder / "journal.jsonl").unlink()
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, "Is this the cell?", "chessboard 11 × 8")
        await pilot.press(*["backspace"] * 40)
        await type_line(pilot, "A. Example")
        await pilot.press("enter", *["backspace"] * 10)
        await type_line(pilot, "gripper 2: 0 0 120 0 0 0")
        await pilot.press("enter", "enter", "y", *["enter"] * 3, "n", "enter")
        await until(pilot, "Your answers are kept", "calibrate the lens")
        await pilot.press("escape")
        await until(pilot, "CAUTION", "A. Example", "The start questions stay open")
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        shown = await until(pilot, "Is this the cell?", "A. Example", "gripper 2: 0 0 120")
        assert "Before the next station" in shown
        await pilot.press(*["enter"] * 6, "y", "enter")
        await until(pilot, "CAUTION", "A. Example")
    session = open_session(folder)
    assert session.cell.pendant.active_tool == Active("gripper 2", ("0", "0", "120", "0", "0", "0"))
    line = read_journal(folder)[-1]
    assert line["answers"]["warmed_up"] is True
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await opened(pilot)
        await pilot.press("escape", "t")
        await until(pilot, "Is this the cell?", "A. Example")
        await pilot.press("escape")
        await until(pilot, "CAUTION", "a aside")
        assert not screen.desk.questions_open  # to look at answers leaves nothing open


@on_screen
async def test_joints_are_the_same_in_every_tool_and_beside_a_pose_need_a_robot(
    tmp_path: Path,
) -> None:
    cell = open_session(EXAMPLE).cell
    pendant, robot = cell.pendant, cell.robot
    joints = replace(pendant, rotation="joints", labels=(), decimals=())
    quaternion = replace(
        pendant, length_unit="m", rotation="quaternion-wxyz",
        labels=("X", "Y", "Z", "q1", "q2", "q3", "q4"), decimals=(3,) * 7,
    )  # fmt: skip
    for shown, arm, asked, key in (
        (joints, robot, False, False),
        (quaternion, robot, True, True),
        (quaternion, None, True, False),
    ):
        folder = example(tmp_path / f"{shown.rotation} {arm is None}", 0)
        session = open_session(folder)
        store(folder, replace(session, cell=replace(session.cell, pendant=shown, robot=arm)))
        app = app_for(folder)
        async with app.run_test(size=(80, 24)) as pilot:
            screen = await opened(pilot)
            assert screen.check_action("joints", ()) is key
            start = Start(screen.desk)
            await app.push_screen(start)
            assert ("tool" in start.query_one(Form).texts()) is asked
            hints = " ".join(question.hint for question in start._questions())
            assert ("T3: 0.000 0.000 0.120 1.000 0.000 0.000 0.000." in hints) is asked


@on_screen
async def test_half_answered_start_questions_are_there_again(tmp_path: Path) -> None:
    folder = example(tmp_path / "session", 1)
    (folder / "journal.jsonl").unlink()
    async with app_for(folder).run_test(size=(80, 24)) as pilot:
        await until(pilot, "Is this the cell?", "Kept with every station.")
        await type_line(pilot, "B. Example")
        await pilot.press("enter")
        await type_line(pilot, "gripper 3")
        await pilot.press("escape")
        await until(pilot, "The start questions stay open")
        await pilot.press("escape", "t")
        await until(pilot, "Is this the cell?", "B. Example", "gripper 3")
        await pilot.press("f8")
        await until(pilot, "What next?")
        await pilot.press("escape")
        await pilot.resize_terminal(40, 12)
        await pilot.pause(0.1)
        await pilot.resize_terminal(80, 24)
        await until(pilot, "Is this the cell?", "B. Example", "gripper 3")
        await pilot.press("down", "down")
        await type_line(pilot, "F7")
        await pilot.press("ctrl+q")
    async with app_for(folder).run_test(size=(80, 24)) as pilot:
        await until(pilot, "Is this the cell?", "B. Example", "gripper 3", "F7")


@on_screen
async def test_sessions_are_listed_with_state_and_a_damaged_one_says_why(tmp_path: Path) -> None:
    example(tmp_path / "sessions" / "good", 2)
    (tmp_path / "sessions" / "bad").mkdir()
    (tmp_path / "sessions" / "bad" / "session.yaml").write_text("name: [\n")
    app = Stationbook(Sessions(tmp_path / "sessions"))
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, "bottling line 2", "recording", "damaged", "not valid YAML")
        await pilot.press("enter")
        await until(pilot, "not valid YAML")
        await pilot.press("down", "enter")
        await until(pilot, "Who works at the robot?")  # nothing was recorded for long
        await pilot.press("enter")
        await until(pilot, "Pick U")
        await opened(pilot)
        await pilot.press("escape", "q")
        await until(pilot, "Sessions in")


@on_screen
async def test_a_new_cell_is_described_and_its_session_opens(tmp_path: Path) -> None:
    app = Stationbook(Sessions(tmp_path / "sessions"))
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, "No session here yet")
        await pilot.press("c")
        await until(pilot, "Name of the cell")
        await type_line(pilot, "press 4")
        await pilot.press("enter", *["backspace"] * 5)
        await type_line(pilot, "flang")
        await until(pilot, "Type one of: frame, flange.")
        await pilot.press("e", "enter", "enter")
        await until(pilot, "Absolute accuracy")
        await pilot.press("enter")
        await until(pilot, "Which of these does your pendant show?", "A B C", "moving-zyx")
        await pilot.press("down", "enter")
        await until(pilot, "X Y Z A B C")
        await pilot.press(*["enter"] * 5)
        await until(pilot, "Name of the camera")
        for line in ("hand camera", "1280x1024", "known", "incoming"):
            await type_line(pilot, line)
            await pilot.press("enter")
        await until(pilot, "Focal lengths")
        for line in ("1400 1400", "640 512", "0 0 0 0 0", ""):
            await type_line(pilot, line)
            await pilot.press("enter")
        await until(pilot, "Points in a row")
        await pilot.press(*["enter"] * 6)
        await until(pilot, "Middle of the pick area")
        for line in ("0 0 450", "300 240 150", ""):
            await type_line(pilot, line)
            await pilot.press("enter")
        await until(pilot, "A pick may be off by")
        for line in ("", "", "", "quality department"):
            await type_line(pilot, line)
            await pilot.press("enter")
        await pilot.press(*["backspace"] * 10)
        await type_line(pilot, str(tmp_path / "cells" / "press-4.yaml"))
        await pilot.press("enter")
        await until(pilot, "Is this the cell?", "press 4, eye-in-hand")
    cell = read_cell(tmp_path / "cells" / "press-4.yaml")
    assert cell.pendant.rotation == "moving-zyx"
    assert cell.camera.source == {"folder": "incoming"}
    assert cell.work_volume.frame == "camera"


# ---- demo ---------------------------------------------------------------------------------------


@on_screen
async def test_demo_drives_takes_an_image_and_shows_a_pendant_to_type_from(
    tmp_path: Path,
) -> None:
    app = Stationbook(Welcome(tmp_path / "demo", 7))
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, "Enter begins.")
        await pilot.press("enter")
        await until(pilot, "Simulated pendant")
        for stop in (1, 2):
            await pilot.press("f4")
            await until(pilot, f"stop {stop} of 6", "88 of 88")
            assert isinstance(app.screen, Demo)
            await type_line(pilot, " ".join(app.screen.simulated.fields))
            await until(pilot, "Ready. Enter stores it.")
            await pilot.press("enter")
            await until(pilot, f"Station {stop} stored. F4 drives on.")
    session = open_session(tmp_path / "demo")
    assert [station.points is not None for station in session.stations] == [True, True]


# ---- keys ---------------------------------------------------------------------------------------

SAFE = {"enter", "escape", "tab", "up", "down", "pageup", "pagedown", "space"}
SAFE |= {f"f{n}" for n in range(2, 10)}


@on_screen
async def test_keys_need_no_chords_and_help_shows_every_one(tmp_path: Path) -> None:
    app = app_for(example(tmp_path / "session", 2))
    async with app.run_test(size=(80, 75)) as pilot:
        screen = await opened(pilot)
        bindings = [binding for _, binding in all_bindings(screen)]
        keys = [key for binding in bindings for key in binding.key.split(",")]
        assert all(key in SAFE or (len(key) == 1 and key.isalnum()) for key in keys), keys
        assert len({binding.id for binding in bindings}) == len(bindings)
        await pilot.press("f9")
        shown = await until(pilot, "Correct the pose")
        for binding in bindings:
            assert " ".join(binding.tooltip.split()[:3]) in " ".join(shown.split())
        await pilot.press("f9")
        await pilot.pause()
        assert app.screen is screen


@on_screen
async def test_only_enter_esc_tab_arrows_and_f2_to_f9_act_in_the_pose_line(
    tmp_path: Path,
) -> None:
    app = app_for(example(tmp_path / "session", 2))
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await opened(pilot)
        acting = {
            key
            for key, found in screen.active_bindings.items()
            if found.binding.id and isinstance(found.binding, Binding)
        }
        assert acting <= {"enter", "escape", "tab", "up", "down"} | {f"f{n}" for n in range(2, 10)}
        await pilot.press(*"aebnrckuysqoiw123")
        assert screen.pad.pose.value == "aebnrckuysqoiw123"
        assert app.screen is screen


@on_screen
async def test_the_menu_has_the_steps_in_the_order_of_the_job_and_typing_finds_one(
    tmp_path: Path,
) -> None:
    app = app_for(example(tmp_path / "session", 5))
    async with app.run_test(size=(80, 40)) as pilot:
        await opened(pilot)
        await pilot.press("f8")
        shown = await until(pilot, "What next? Typing finds it.")
        steps = (
            "print board", "focus", "lens data", "store", "solve", "pack", "recheck", "compare",
        )  # fmt: skip
        places = [shown.index(f" {step} ") for step in steps]
        assert places == sorted(places)
        assert " Tool, frame, pitch ...\n" in shown  # no row ends within a word
        await pilot.press(*"somebody")
        await until(pilot, "Somebody else works at the robot now")  # whole, below its cut row
        await pilot.press("space", *"else", "enter")
        await until(pilot, "Who works at the robot?")


@on_screen
async def test_board_lens_comparison_and_pack_are_there_on_the_screen(tmp_path: Path) -> None:
    folder = example(tmp_path / "session", 6)
    app = app_for(folder)
    async with app.run_test(size=(100, 40)) as pilot:
        await opened(pilot)
        await pilot.press("escape", "l")
        await until(pilot, "lens found from 6 stations", "lens-own", "they stay")
        await pilot.press("escape", "d")
        await until(pilot, "Print the board")
        await pilot.press("enter")
        await until(pilot, "written:", "Print at 100 %")
        assert (folder / "board.pdf").read_bytes().startswith(b"%PDF")
        await pilot.press("escape", "v")
        await until(pilot, "No other result of this cell")
        await pilot.press("escape", "p")
        await until(pilot, "Pack the session")
        await pilot.press("enter")
        await until(pilot, "files packed into")
        assert folder.with_name("session.zip").is_file()


@on_screen
async def test_rows_are_found_by_typing_chosen_and_pressed_by_clicks(tmp_path: Path) -> None:
    app = app_for(example(tmp_path / "session", 6))
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await opened(pilot)
        wanted = (open_session(tmp_path / "session").stations[3].pose or ("",))[0]
        await pilot.press("escape", "g", *wanted)
        await until(pilot, f"find: {wanted}_")
        assert screen.stations.item is not None
        assert screen.stations.item.label == "4"
        await pilot.press("enter", "x")
        await until(pilot, f"Copied: {wanted}")
        assert app.clipboard.startswith(wanted)
        await pilot.click("#list", offset=(6, 3))
        first = screen.stations.item
        assert first is not None
        assert first.label != "4"
        keys = text(app).splitlines()[-1]
        await pilot.click("#keys", offset=(keys.index("F9 help") + 1, 0))
        await until(pilot, "Correct the pose")


@on_screen
async def test_footer_names_only_what_the_chosen_row_allows(tmp_path: Path) -> None:
    app = app_for(example(tmp_path / "session", 4))
    async with app.run_test(size=(132, 30)) as pilot:
        await opened(pilot)
        await choose(pilot, "2")
        assert "a aside" in text(app)
        assert "k skip" not in text(app)
        await choose(pilot, "5")
        assert "k skip" in text(app)
        assert "a aside" not in text(app)
