"""Recheck on the screen: choose an earlier session, read the answer, re-calibrate quickly.

The truth is simulated: the camera of tests/later_session.py is moved by a known amount.
"""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path
from time import sleep

import numpy as np
import pytest
from later_session import STILL, make_later
from made_session import make_session
from screen_bench import NOON, app_at_noon, on_screen, opened, text
from screen_bench import until_said as until
from textual.pilot import Pilot

from engine.cautions import RECHECK
from engine.errors import StationbookError
from engine.findings import finding
from engine.sessions.changes import Change, Who, commit, remark
from engine.sessions.folder import open_session
from engine.sessions.journal import OVERTAKEN, append, read_journal
from engine.sessions.lock import writing
from engine.sessions.results import read_result
from engine.steps.solve import keep, solve_session
from engine.steps.starting import START, Answers, answer_questions
from tui.app import Stationbook
from tui.desk.desk import Desk
from tui.desk.recheck import ACTION, compare, last_rechecks, note
from tui.screens.help import all_bindings
from tui.screens.recheck import Recheck
from tui.screens.result import Result
from tui.screens.sessions import Sessions
from tui.screens.stations import Stations
from tui.widgets.lists import SessionList
from tui.widgets.looks import line_text
from tui.widgets.sheet import Scroll

MOVED = np.array([0.003, 0.0, 0.0, 4.0, 0.0, 0.0])  # [rad, mm]


@pytest.fixture(scope="module")
def solved(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An earlier session with its result, made once."""
    folder = tmp_path_factory.mktemp("recheck") / "earlier"
    make_session(folder, 8)
    with writing(folder):
        session = open_session(folder)
        commit(folder, keep(solve_session(session, folder), session, folder), Who(None, NOON))
    return folder


def sessions(tmp_path: Path, solved: Path, count: int, shift: np.ndarray = STILL) -> Path:
    """Return the new session of ``count`` stations beside the earlier one."""
    shutil.copytree(solved, tmp_path / "sessions" / "earlier")
    new = tmp_path / "sessions" / "new"
    make_later(new, count, shift=shift)
    with writing(new):
        session = open_session(new)
        answers = Answers("A. Example", "flange", "base", True, session.cell.board.pitch_mm, True)
        commit(new, answer_questions(session, answers), Who("A. Example", NOON))
    return new


async def compared(pilot: Pilot[None], *words: str) -> str:
    """Open the recheck with the keys of the operator and compare with the earlier session."""
    screen = await opened(pilot)
    if not screen.stations.has_focus:
        await pilot.press("escape")
    await pilot.press("m")
    await until(pilot, "Did the camera move?", "earlier", "Enter compares")
    await pilot.press("enter")
    return await until(pilot, *words)


@on_screen
async def test_before_the_first_station_it_says_which_to_visit_again(
    tmp_path: Path, solved: Path
) -> None:
    app = app_at_noon(sessions(tmp_path, solved, 0))
    async with app.run_test(size=(80, 24)) as pilot:
        shown = await compared(pilot, "NOT KNOWN", "to visit again", "best first")
        assert all(" ".join(caution.split()) in shown for caution in RECHECK)
        assert "quick re-calibration" not in shown


@on_screen
async def test_a_camera_that_stands_still_is_said_to_and_what_would_have_been_found(
    tmp_path: Path, solved: Path
) -> None:
    new = sessions(tmp_path, solved, 3)
    app = app_at_noon(new)
    async with app.run_test(size=(80, 24)) as pilot:
        await compared(pilot, "NOT MOVED", "would be found a shift of", "No movement found")
        assert isinstance(app.screen, Recheck)
        (answer,) = app.screen.answers.values()
        remedies = " ".join(item.remedy or "" for item in answer.findings)
        assert "F6, then r writes its report" in remedies
        assert "stationbook" not in remedies  # a key, not a command
        await pilot.press("escape")
        await until(pilot, "Pick U")
    line = read_journal(new)[-1]
    assert (line["action"], line["against"], line["who"]) == ("recheck", "earlier", "A. Example")
    assert (line["cause"], line["moved"], line["finished"]) == ("none", False, True)
    app = Stationbook(Sessions(tmp_path / "sessions"))
    async with app.run_test(size=(80, 24)) as pilot:
        shown = await until(pilot, "Last recheck 2026-11-25 12:00, with")
        assert shown.count("not moved") == 2
        assert shown.count("NOT MOVED") == 1
        assert all(len(line) <= 80 for line in text(app).split("\n"))


@on_screen
async def test_a_moved_camera_is_named_and_calibrated_again_quickly(
    tmp_path: Path, solved: Path
) -> None:
    new = sessions(tmp_path, solved, 5, MOVED)
    app = app_at_noon(new)
    async with app.run_test(size=(80, 24)) as pilot:
        await compared(pilot, "CAMERA MOVED", "camera (± U = 2u)", "at the pick area", "base +X")
        assert isinstance(app.screen, Recheck)
        (answer,) = app.screen.answers.values()
        movement = answer.movement
        assert movement is not None
        assert abs(movement.position_mm - 4.0) <= 2 * movement.u_position_mm
        await pilot.press("b")
        await until(pilot, "Verdict:", "board-prior")
        assert isinstance(app.screen, Result)
        shown = await until(pilot, "before: camera at", "(made by hand)", "moved since:")
        await pilot.press("s")
        await until(pilot, "Solve from these stations alone?", "made by hand")
        await pilot.press("n")
        await until(pilot, "moved since:")
        await pilot.press("escape")
    result = read_result(new)
    before = result.before
    assert before is not None
    assert before.trusted_board
    assert before.session == "made by hand"
    assert before.movement is not None
    assert f"moved since: {before.movement.position_mm:.2f} ±" in shown
    app = app_at_noon(new)
    async with app.run_test(size=(80, 24)) as pilot:  # opened again: what is stored is shown
        await opened(pilot)
        await pilot.press("f6")  # as the line of the job says; the stations alone would know less
        await until(pilot, "Verdict:", "before: camera at", "board-prior")


@on_screen
async def test_what_a_pick_is_off_stands_in_sight_without_scrolling(
    tmp_path: Path, solved: Path
) -> None:
    new = sessions(tmp_path, solved, 3, MOVED)
    with writing(new):  # as the list of sessions begins one
        begun = Change(START, open_session(new), {"against": "earlier"})
        commit(new, begun, Who(None, NOON))
    for size in ((80, 24), (60, 15)):
        async with app_at_noon(new).run_test(size=size) as pilot:
            app = pilot.app
            await opened(pilot)
            await until(pilot, "Job: recheck, 3 stops", "Esc, then m: did the camera move?")
            await compared(pilot, "CAMERA MOVED", "result a pick is off by")
            said = app.screen.query_one("#said", Scroll)
            first = "\n".join(line_text(one) for one in said.draw(*said.size))
            first = " ".join(first.split())
            assert "BEYOND the tolerance" in first, first
            assert "Next: b, the quick re-calibration" in first, first
            await pilot.press("ctrl+c")  # stops nothing, and takes the answer away as little
            await until(pilot, "Ctrl+C stops nothing", "CAMERA MOVED", "result a pick is off by")


@on_screen
async def test_as_many_further_stops_are_asked_for_as_would_tell(
    tmp_path: Path, solved: Path
) -> None:
    """Of three that a recheck takes in all, or of those that its information asks for."""
    app = app_at_noon(sessions(tmp_path, solved, 2, MOVED))
    async with app.run_test(size=(80, 24)) as pilot:
        await compared(pilot, "BEYOND the tolerance", "Next: record 1 more at the earlier stations")


@on_screen
async def test_the_session_whose_camera_moved_since_says_so_as_where_the_job_stands(
    tmp_path: Path, solved: Path
) -> None:
    folder = tmp_path / "earlier"
    shutil.copytree(solved, folder)
    with writing(folder):
        session = open_session(folder)
        answers = Answers("A. Example", "flange", "base", True, session.cell.board.pitch_mm, True)
        commit(folder, answer_questions(session, answers), Who("A. Example", NOON))
        session = open_session(folder)
        commit(folder, keep(solve_session(session, folder), session, folder), Who(None, NOON))
        mark = remark(OVERTAKEN, session, folder, {"by": "later", "moved": True})
        commit(folder, mark, Who(None, NOON))
    app = app_at_noon(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        await until(pilot, "Job: a recheck is against the result", "calibrate again")


@on_screen
async def test_another_cell_is_refused_with_what_differs(tmp_path: Path, solved: Path) -> None:
    new = sessions(tmp_path, solved, 3)
    with writing(new):
        session = open_session(new)
        answers = Answers(
            "A. Example",
            "gripper 2: 0 0 150 0 0 0",
            "base",
            True,
            session.cell.board.pitch_mm,
            True,
        )
        commit(new, answer_questions(session, answers), Who("A. Example", NOON))
    app = app_at_noon(new)
    async with app.run_test(size=(80, 24)) as pilot:
        shown = await compared(pilot, "belongs to another cell", "gripper 2")
        assert "quick re-calibration" not in shown


@on_screen
async def test_a_follower_may_compare_and_leaves_no_trace(tmp_path: Path, solved: Path) -> None:
    new = sessions(tmp_path, solved, 3)
    before = (new / "journal.jsonl").read_bytes()
    app = app_at_noon(new, follow=True)
    async with app.run_test(size=(80, 24)) as pilot:
        await compared(pilot, "NOT MOVED")
        await pilot.press("b")
        await pilot.pause(0.3)
        assert isinstance(app.screen, Recheck)
    assert (new / "journal.jsonl").read_bytes() == before
    assert not (new / "result.yaml").exists()


@on_screen
async def test_without_an_earlier_result_it_says_so(tmp_path: Path) -> None:
    folder = tmp_path / "alone"
    make_session(folder, 3)
    app = app_at_noon(folder, follow=True)
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        await pilot.press("m")
        shown = await until(pilot, "No other session with a result lies beside this one")
        assert "Enter compare" not in shown
        await pilot.press("enter", "b")
        await pilot.pause(0.2)
        assert isinstance(app.screen, Recheck)


@on_screen
async def test_stations_that_show_no_board_are_said_to_and_leave_no_line(
    tmp_path: Path, solved: Path
) -> None:
    new = sessions(tmp_path, solved, 2)
    with writing(new):
        session = open_session(new)
        blind = tuple(replace(station, points=None) for station in session.stations)
        commit(new, Change("test", replace(session, stations=blind)), Who("test", NOON))
    before = (new / "journal.jsonl").read_bytes()
    app = app_at_noon(new)
    async with app.run_test(size=(80, 24)) as pilot:
        shown = await compared(pilot, "NOT KNOWN", "No new station shows the board")
        assert "quick re-calibration" not in shown
    assert (new / "journal.jsonl").read_bytes() == before


@on_screen
async def test_enter_pressed_twice_compares_once(
    tmp_path: Path, solved: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun = slow_compare(monkeypatch)
    new = sessions(tmp_path, solved, 2)
    app = app_at_noon(new)
    async with app.run_test(size=(80, 24)) as pilot:
        await compared(pilot, "Comparing with made by hand")
        await pilot.press("enter", "b", "enter")
        await until(pilot, "NOT MOVED")
        await pilot.press("escape")
        await until(pilot, "Pick U")
    assert len(begun) == 1
    assert [line["action"] for line in read_journal(new)].count("recheck") == 1


@on_screen
async def test_leaving_while_it_compares_leaves_no_line_and_no_lock(
    tmp_path: Path, solved: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun = slow_compare(monkeypatch)
    new = sessions(tmp_path, solved, 2)
    before = (new / "journal.jsonl").read_bytes()
    app = app_at_noon(new)
    async with app.run_test(size=(80, 24)) as pilot:
        await compared(pilot, "Comparing with made by hand")
        await pilot.press("escape")
        await until(pilot, "Pick U")
        await pilot.pause(1.5)
        assert isinstance(app.screen, Stations)
        assert app.screen.desk.solution is None
    assert len(begun) == 1
    assert (new / "journal.jsonl").read_bytes() == before
    writing(new).close()


def slow_compare(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """Make every comparison take a second longer; returns the list of those that were begun."""
    import tui.screens.recheck as screen

    compare, begun = screen.compare, []

    def slow(desk: Desk, against: Path) -> object:
        begun.append(against)
        sleep(1.0)
        return compare(desk, against)

    monkeypatch.setattr(screen, "compare", slow)
    return begun


def test_of_the_later_session_a_recheck_speaks_until_that_has_a_result(tmp_path: Path) -> None:
    first, later = tmp_path / "first", tmp_path / "later"
    for folder in (first, later):
        folder.mkdir()
        (folder / "session.yaml").write_text("format: 1\n")
    state = {"file": "session.yaml", "before": "0", "after": "0", "files": {}}
    said = {"action": ACTION, "against": "first", "cause": "camera", "moved": True}
    line = {"at": "2026-11-26T09:00:00+01:00", "who": None, **state, **said}
    append(later, line)
    assert set(last_rechecks([first, later])) == {"first", "later"}
    (later / "result.yaml").write_text("format: 1\n")
    assert set(last_rechecks([first, later])) == {"first"}


def test_a_job_that_ends_after_the_session_was_left_writes_nothing(
    tmp_path: Path, solved: Path
) -> None:
    new = sessions(tmp_path, solved, 2)
    desk = Desk(new, clock=lambda: NOON)
    desk.open()
    answer = compare(desk, new.parent / "earlier")
    before = (new / "journal.jsonl").read_bytes()
    desk.close()
    with pytest.raises(StationbookError, match="closed"):
        note(desk, new.parent / "earlier", answer)
    assert (new / "journal.jsonl").read_bytes() == before


@on_screen
async def test_the_key_is_found_by_help_and_by_name(tmp_path: Path, solved: Path) -> None:
    app = app_at_noon(sessions(tmp_path, solved, 2))
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await opened(pilot)
        said = [binding.tooltip for _, binding in all_bindings(screen) if binding.key == "m"]
        assert len(said) == 1
        assert "camera move" in said[0]
        await pilot.press("f8")
        await pilot.pause(0.2)
        await pilot.press(*"recheck")
        await pilot.pause(1.0)
        await pilot.press("down", "enter")
        await until(pilot, "Did the camera move?")


@on_screen
async def test_a_result_in_which_the_camera_moved_names_the_key(tmp_path: Path) -> None:
    folder = tmp_path / "alone"
    make_session(folder, 3)
    app = app_at_noon(folder, follow=True)
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await opened(pilot)
        solution = screen.desk.solution
        assert solution is not None
        moved = finding("camera-moved", station=2, since="station 2", first=2, last=2,
                        distance_mm=3.1, angle_deg=0.2)  # fmt: skip
        screen.desk.solution = solution.saying(replace(solution.stored, findings=(moved,)))
        screen.show_session()
        await until(pilot, "error: camera-moved (m: recheck)")
        await pilot.press("w")
        await until(pilot, "m compares with an earlier session", "m recheck")
        await pilot.press("m")
        await until(pilot, "Did the camera move?")


@on_screen
async def test_a_new_session_of_the_same_cell_visits_the_earlier_stations_again(
    tmp_path: Path, solved: Path
) -> None:
    sessions(tmp_path, solved, 0)
    old = open_session(solved)
    app = Stationbook(Sessions(tmp_path / "sessions"))
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, "earlier", "new")
        listed = app.screen
        assert isinstance(listed, Sessions)
        while listed.sessions.item is None or listed.sessions.item.folder.name != "earlier":
            await pilot.press("down" if listed.sessions.chosen == 0 else "up")
        await pilot.press("m")
        await until(pilot, "Recheck made by hand", "A new session beside it")
        await pilot.press("y")
        await until(pilot, "Before the first station")
        await pilot.press("escape")
        shown = await until(pilot, "Station 1: go to X", "visit again: station")
        assert "5 left" in shown
        screen = await opened(pilot)
        poses = [item.pose for item in screen.desk.plan]
        assert poses == [item.pose for item in screen.desk.opened().plan]
        assert len(poses) == 5
        assert set(poses) <= {station.pose for station in old.stations}
        assert screen.desk.opened().cell == old.cell
        if not screen.stations.has_focus:
            await pilot.press("escape")
        await pilot.press("m")
        await until(pilot, "Enter compares")
        chosen = app.screen.query_one(SessionList).item
        assert chosen is not None
        assert chosen.folder.name == "earlier"
    made = [folder for folder in (tmp_path / "sessions").iterdir() if "recheck" in folder.name]
    assert len(made) == 1
    assert made[0].name.endswith("-recheck-earlier")


@on_screen
async def test_without_a_result_no_session_is_begun_for_a_recheck(tmp_path: Path) -> None:
    make_session(tmp_path / "sessions" / "unsolved", 3)
    app = Stationbook(Sessions(tmp_path / "sessions"))
    async with app.run_test(size=(80, 24)) as pilot:
        shown = await until(pilot, "unsolved", "recording")
        assert "m recheck" not in shown
        await pilot.press("m")
        await pilot.pause(0.3)
    assert [folder.name for folder in (tmp_path / "sessions").iterdir()] == ["unsolved"]
