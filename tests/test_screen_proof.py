"""Proof by touch on the screen: pointer, images of the board, touches, and what they prove.

The truth is simulated; the touches are those of tests/touching.py.
"""

from __future__ import annotations

import re
import shutil
from dataclasses import replace
from pathlib import Path
from unittest.mock import patch

import numpy as np
import pytest
from made_session import make_session
from screen_bench import (
    EXAMPLE,
    NOON,
    app_at_noon,
    app_for,
    comes,
    example,
    on_screen,
    opened,
    paste_line,
    store,
    text,
    type_line,
)
from screen_bench import until_said as until
from textual.pilot import Pilot
from touching import TIP, TIP_U, Laid, lay_board, take_view, touch_point, touch_pose

from engine.boards.pattern import Board
from engine.cautions import TOUCH
from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND
from engine.errors import StationbookError
from engine.frames import apply
from engine.pendant.entry import pose_from_fields
from engine.proof.touch import read_touches
from engine.robots.kinematics import kinematics
from engine.sessions.changes import Who, commit
from engine.sessions.confirmed import confirm
from engine.sessions.folder import open_session
from engine.sessions.lock import writing
from engine.sessions.results import read_result
from engine.sessions.store import config_folder
from engine.simulate.scenario import Truth, truth
from engine.steps import proving as steps
from engine.steps.solve import keep, solve_session
from engine.steps.starting import Answers, answer_questions
from tui.desk.desk import Desk
from tui.desk.proof import split
from tui.screens.help import all_bindings
from tui.screens.proof import Proof
from tui.screens.result import Result
from tui.widgets.looks import line_text
from tui.widgets.panels import FactsPanel, FindingsView

PLACES = (np.array([520.0, -90.0, 170.0]), np.array([680.0, 90.0, 330.0]))
CORNERS = (0, 10, 77, 87)  # of an 11 × 8 board
WHO = Who("A. Example", NOON)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Truth]:
    """A solved session of the simulated cell, made once."""
    folder = tmp_path_factory.mktemp("proof") / "made"
    truth = make_session(folder, 12)
    with writing(folder):
        session = open_session(folder)
        answers = Answers("A. Example", "flange", "base", True, session.cell.board.pitch_mm, True)
        answered = answer_questions(session, answers)
        commit(folder, answered, WHO)
        session = answered.session
        commit(folder, keep(solve_session(session, folder), session, folder), WHO)
    return folder, truth


@pytest.fixture
def session(made: tuple[Path, Truth], tmp_path: Path) -> tuple[Path, Truth]:
    shutil.copytree(made[0], tmp_path / "session")
    return tmp_path / "session", made[1]


async def proving(pilot: Pilot[None]) -> Proof:
    """Solve and go on to the proof, with the keys of the operator."""
    screen = await opened(pilot)
    await pilot.press("f6")
    await until(pilot, "Verdict:")
    assert isinstance(pilot.app.screen, Result)
    await pilot.press("p")
    await until(pilot, "Proof by touch", "CAUTION", "points 0 to 87, 11 in a row")
    assert isinstance(pilot.app.screen, Proof)
    assert screen.desk.proving
    return pilot.app.screen


async def described(pilot: Pilot[None]) -> None:
    """Describe the pointer."""
    await pilot.press("f3")
    await until(pilot, "The pointer's tip in the flange frame")
    await type_line(pilot, " ".join(f"{x:g}" for x in TIP))
    await pilot.press("enter")
    await until(pilot, "How well the tip is known")
    await type_line(pilot, f"{TIP_U:g}")
    await pilot.press("enter")
    await until(
        pilot,
        "The pointer is described. Lay the board in the cell",
        "0 0 150 mm in the flange, u 0.1 mm",
    )


async def look(pilot: Pilot[None], laid: Laid, number: int) -> None:
    """Take what the camera saw of the board lying in the cell."""
    await pilot.press("f4")
    await until(pilot, "Board in the cell")
    await paste_line(pilot, str(laid.points))
    await pilot.press("enter")
    await until(pilot, f"Image {number} of the board is stored.", f"{number} image")


def recorded(folder: Path, truth: Truth, off: float = 0.0, count: int = 8) -> None:
    """Record pointer, both places of the board and the first touches, without the screen."""
    rng = np.random.default_rng(8)
    with writing(folder):
        session = open_session(folder)
        pointer = steps.pointer_set(session, read_touches(folder), "0 0 150", TIP_U)
        commit(folder, pointer.change, WHO)
        for number, place in enumerate(PLACES, start=1):
            laid = lay_board(folder.parent, number, truth, place, rng)
            take_view(folder, WHO, laid.points)
            for point in CORNERS[: max(0, min(4, count - 4 * (number - 1)))]:
                pose = touch_pose(laid, point, rng, np.array([0.0, off, 0.0]))
                touch_point(folder, WHO, pose, point)


@on_screen
async def test_pointer_image_and_touches_lead_to_a_proven_result(
    session: tuple[Path, Truth],
) -> None:
    folder, truth = session
    rng = np.random.default_rng(8)
    app = app_at_noon(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await proving(pilot)
        await until(pilot, "F3 describes the pointer")
        await described(pilot)
        touched = 0
        for number, place in enumerate(PLACES, start=1):
            laid = lay_board(folder.parent, number, truth, place, rng)
            await look(pilot, laid, number)
            for point in CORNERS:
                touched += 1
                enter = type_line if touched == 1 else paste_line
                await enter(pilot, f"{point} {touch_pose(laid, point, rng)}")
                await pilot.press("enter")
                await until(pilot, f"Touch {touched} stored.")
            if number == 1:
                await until(pilot, "NOT PROVEN", "span too little of the work volume")
        shown = await until(pilot, "PROVEN: 0.", "mm off on average", "Proven by 8 touched points")
        assert "NOT PROVEN" not in shown
        assert read_result(folder).proven is False
        await pilot.press("f6")
        await until(pilot, "Stored with the result.")
        await pilot.press("escape", "q")
        await until(pilot, "Verdict: ACCEPTED, proven by touch points")
    result = read_result(folder)
    assert result.proven is True
    assert len(result.proof.points) == 8
    assert {touch.operator for touch in read_touches(folder).touches} == {"A. Example"}


@on_screen
async def test_what_is_missing_is_said_and_too_few_points_prove_nothing(
    session: tuple[Path, Truth],
) -> None:
    folder, truth = session
    recorded(folder, truth, count=3)
    app = app_at_noon(folder)
    async with app.run_test(size=(132, 43)) as pilot:
        await proving(pilot)
        shown = await until(
            pilot,
            "NOT PROVEN: 0.",
            "3 of at least 4 different points",
            "guarded, nobody is named as having set it; ",
            "findings decided",
        )
        assert shown.count(" ok ") == 3
        await pilot.resize_terminal(60, 30)
        await pilot.pause()
        narrow = text(app)
        assert re.search(r"3 ok +image 1, \d+ +\d\.\d\d +\d\.\d\d$", narrow, re.MULTILINE)
        assert "tolerance 1 mm" in " ".join(narrow.split())
        await pilot.press("escape", "q")
        await until(pilot, "not proven yet")
    assert read_result(folder).proven is False
    assert len(read_result(folder).proof.points) == 3


@on_screen
async def test_disagreement_takes_the_acceptance_away_and_a_touch_can_be_left_out(
    session: tuple[Path, Truth],
) -> None:
    folder, truth = session
    recorded(folder, truth)
    rng = np.random.default_rng(1)
    laid = lay_board(folder.parent, 3, truth, PLACES[0], rng)
    with writing(folder):
        take_view(folder, WHO, laid.points)
        pose = touch_pose(laid, 5, rng, 30.0)
        touch_point(folder, WHO, pose, 5)
    app = app_at_noon(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await proving(pilot)
        await until(pilot, "PROOF FAILED", "OFF", "image 3, 5", "Touch 9 disagrees")
        await pilot.press("f5")
        await until(pilot, "proof-disagrees", "proof-tolerance", "touched again")
        await pilot.press("f5", "f6")
        await until(pilot, "Stored with the result.")
        assert not read_result(folder).accepted
        await pilot.press("escape", "x")
        await until(pilot, "Leave touch 9 out?")
        await pilot.press("y")
        await until(pilot, "Touch 9 is left out.", "left out", "Proven by 8 touched points")
        with patch.object(Desk, "beside", side_effect=StationbookError("the disk is full")):
            await pilot.press("q")
            await until(pilot, "Not stored: the disk is full", "q once more leaves.")
        await pilot.press("q")  # what is not stored yet is stored on the way back
        await until(pilot, "Verdict: ACCEPTED, proven by touch points")
    assert read_result(folder).proven is True


@pytest.mark.parametrize("size", [(80, 24), (132, 43)])
@on_screen
async def test_cautions_stay_in_sight_whole(
    session: tuple[Path, Truth], size: tuple[int, int]
) -> None:
    folder, truth = session
    recorded(folder, truth, off=8.0)
    app = app_at_noon(folder)
    async with app.run_test(size=size) as pilot:
        await proving(pilot)
        await until(pilot, "proof-disagrees")
        await type_line(pilot, "612.4")
        shown = await until(pilot, "number of the board point first")
        assert all(" ".join(caution.split()) in shown for caution in TOUCH)
        assert "F3 pointer" in shown
        assert "F9 help" in shown


@on_screen
async def test_typed_line_is_shown_by_field_and_refused_with_the_reason(
    session: tuple[Path, Truth],
) -> None:
    folder, truth = session
    recorded(folder, truth, count=0)
    app = app_at_noon(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await proving(pilot)
        await type_line(pilot, "88 612.4 -85.1")
        await until(pilot, "the board's points are 0 to 87", "612.4")
        await pilot.press(*["backspace"] * 14)
        await type_line(pilot, "7 612.4 -85.1")
        await until(pilot, "still to type: Z A B C")
        await pilot.press("enter")
        await pilot.pause(0.3)
        assert not read_touches(folder).touches
        assert "612.4" in text(app)  # what was typed is still there to be put right
        await type_line(pilot, " 414")
        await until(pilot, "still to type: A B C")
        await pilot.press("ctrl+u")  # nothing is said of what stands there no more
        await comes(pilot, lambda: "still to type" not in text(pilot.app))


def four_axes(folder: Path, stations: int) -> Board:
    """Make a session of a four-axis arm whose board's height nobody measured; return the board."""
    make_session(folder, stations, EYE_TO_HAND, 4)
    session = open_session(folder)
    board = replace(session.cell.board, height_mm=None)
    store(folder, replace(session, cell=replace(session.cell, board=board)), answered=True)
    return board


@on_screen
async def test_one_touch_gives_a_four_axis_cell_its_missing_number(tmp_path: Path) -> None:
    folder = tmp_path / "four"
    board = four_axes(folder, 12)
    rng = np.random.default_rng(8)
    laid = lay_board(tmp_path, 1, truth(EYE_TO_HAND, 4), np.array([640.0, 20.0, 620.0]), rng)
    point = apply(laid.base_T_board, board.points()[44][None])[0]
    app = app_at_noon(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await proving(pilot)
        await described(pilot)
        await look(pilot, laid, 1)
        pose = " ".join(f"{x:.2f}" for x in point + TIP)
        await paste_line(pilot, f"44 {pose} 0")
        await pilot.press("enter")
        await until(pilot, "Touch 1 stored.", "Esc, q, then s solves with it")
        await pilot.press("f3")
        await until(pilot, "Touches stored: 1.", "those of another pointer are left out")
        await pilot.press("escape")
        await pilot.press("escape", "q")
        await until(pilot, "s solves with the touched point")
        await pilot.press("s")
        await until(
            pilot,
            "Verdict: ACCEPTED AS TOLD, not proven yet",
            "as told by the measured touched point",
        )
    assert read_touches(folder).touches[0].role == "missing-number"


@on_screen
async def test_a_height_measured_later_is_typed_at_the_start_questions(tmp_path: Path) -> None:
    folder = tmp_path / "four"
    four_axes(folder, 1)
    app = app_at_noon(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        await pilot.press("escape", "t")
        await until(pilot, "Height of point 0, mm", "Height known to, mm")
        for answer in ("A", "", "", "y", "", "", "y", "-12,5", "0.4"):
            await type_line(pilot, answer)
            await pilot.press("enter")
        await comes(pilot, lambda: open_session(folder).cell.board.height_mm == -12.5)
    measured = open_session(folder)
    assert measured.cell.board.height_u_mm == 0.4
    emptied = Answers("A. Example", "flange", "base", True, 20.0, True, None, 0.3)
    assert answer_questions(measured, emptied).session.cell.board.height_mm is None


@on_screen
async def test_a_camera_on_the_flange_is_asked_for_the_pose_of_its_image(tmp_path: Path) -> None:
    folder = tmp_path / "hand"
    make_session(folder, 12, EYE_IN_HAND)
    with writing(folder):
        answers = Answers("A. Example", "flange", "base", True, 20.0, True)
        commit(folder, answer_questions(open_session(folder), answers), WHO)
    app = app_at_noon(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await proving(pilot)
        await described(pilot)
        await until(pilot, "jog the camera over it")
        await pilot.press("f4")
        await until(pilot, "Board in the cell")
        await type_line(pilot, str(folder / "points" / "001.csv"))
        await pilot.press("enter")
        await until(pilot, "Where the camera looked from")
        pose = open_session(folder).stations[0].pose or ()
        await type_line(pilot, " ".join(pose))
        await pilot.press("enter")
        await until(pilot, "Image 1 of the board is stored.")
    assert read_touches(folder).views[0].looked == pose


@on_screen
async def test_the_newest_image_of_the_source_is_the_proofs_and_no_stations(
    tmp_path: Path,
) -> None:
    folder = example(tmp_path / "session", 8, source=True)
    confirm(folder, {"folder": "incoming"}, now=NOON)
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await proving(pilot)
        await pilot.press("f4")
        await until(pilot, "No new image in folder incoming")
        shutil.copy(EXAMPLE / "images/009.png", folder / "incoming" / "board.png")
        await pilot.pause(1.2)  # the stations look twice a second, and must leave it alone
        await pilot.press("f4")
        await until(pilot, "Image 1 of the board is stored.")
        await pilot.press("escape", "q")
        await until(pilot, "Verdict:")
        await pilot.press("escape")
        await pilot.pause(1.2)
        shown = await until(pilot, "Pick U")
        assert "board.png" not in shown
    assert (folder / "images/proof-001.png").read_bytes() == (
        EXAMPLE / "images/009.png"
    ).read_bytes()


@on_screen
async def test_a_follower_sees_touches_live_and_can_change_nothing(
    session: tuple[Path, Truth],
) -> None:
    folder, truth = session
    recorded(folder, truth, count=3)
    app = app_at_noon(folder, follow=True)
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        while app.screen.desk.solution is None:  # type: ignore[attr-defined]
            await pilot.pause(0.05)
        await pilot.press("w")
        await until(pilot, "Verdict:")
        await pilot.press("p")
        await until(pilot, "3 of at least 4 different points")
        before = (folder / "proof.yaml").read_bytes()
        await pilot.press("f3", "f4", "f6", "i", "x", "escape", *"1 2")
        await pilot.pause(0.3)
        assert isinstance(app.screen, Proof)
        assert (folder / "proof.yaml").read_bytes() == before
        with writing(folder):
            session = open_session(folder)
            forgotten = steps.touch_forgotten(session, read_touches(folder), 3)
            commit(folder, forgotten.change, WHO)
        await until(pilot, "2 of at least 4 different points", "left out")
        await pilot.press("q")
        await until(pilot, "Verdict:")


@on_screen
async def test_keys_of_the_proof_are_named_and_explained(session: tuple[Path, Truth]) -> None:
    app = app_at_noon(session[0])
    async with app.run_test(size=(80, 40)) as pilot:
        screen = await proving(pilot)
        own = [b for _, b in all_bindings(screen) if b.id and b.id.startswith("proof.")]
        assert len(own) == 10
        await pilot.press("f9")
        shown = await until(pilot, "Describe the pointer")
        for binding in own:
            assert " ".join(binding.tooltip.split()[:3]) in shown


@pytest.mark.parametrize(
    ("typed", "point", "pose"),
    [
        ("87 612.40 -85.10", 87, "612.40 -85.10"),
        ("0: X 612,4; Y -85", 0, "X 612,4; Y -85"),
        (" 12", 12, ""),
        ("612.4 1 2", None, ""),
        ("X 1", None, ""),
        ("-3 1 2", None, ""),
    ],
)
def test_point_and_pose_are_told_apart(typed: str, point: int | None, pose: str) -> None:
    assert split(typed) == (point, pose)


@on_screen
async def test_a_source_that_this_machine_lacks_is_told_and_the_proof_goes_on(
    session: tuple[Path, Truth],
) -> None:
    folder, _ = session
    found = open_session(folder)
    camera = replace(found.cell.camera, source={"command": "grab"})
    store(folder, replace(found, cell=replace(found.cell, camera=camera)), answered=True)
    app = app_at_noon(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await proving(pilot)
        await pilot.press("f4")
        await until(pilot, "The cell takes its images from: command grab")
        await pilot.press("y")
        await until(pilot, "no command named 'grab'")
        await described(pilot)


@on_screen
async def test_a_touch_off_along_one_axis_is_asked_about_before_it_is_stored(
    session: tuple[Path, Truth],
) -> None:
    folder, truth = session
    recorded(folder, truth, count=3)
    laid = lay_board(folder.parent, 9, truth, PLACES[1], np.random.default_rng(3))
    with writing(folder):
        take_view(folder, WHO, laid.points)
    right = touch_pose(laid, 0, np.random.default_rng(5)).split()
    y = float(right[1])
    wrong = " ".join([right[0], f"{y + 20.0:.2f}", *right[2:]])
    app = app_at_noon(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await proving(pilot)
        await paste_line(pilot, f"0 {wrong}")
        await pilot.press("enter")
        shown = await until(pilot, "Not stored yet.", "Y was misread or mistyped", "Read Y at the")
        said = re.search(r"typed (\S+), expected about (\S+)\.", shown)
        assert said is not None
        assert said[1] == f"{y + 20.0:.2f}"
        assert float(said[2]) == pytest.approx(y, abs=1.5)
        assert len(read_touches(folder).touches) == 3
        await pilot.press("enter")  # the operator insists
        await until(pilot, "Touch 4 stored.")
        await paste_line(pilot, f"87 {' '.join(right)}")
        await pilot.press("enter")
        await until(pilot, "typed 87, expected 0.")
        await pilot.press("ctrl+u")  # with the line gone, nothing speaks against it
        await comes(pilot, lambda: "Not stored yet." not in text(app))
        assert len(read_touches(folder).touches) == 4


@pytest.mark.parametrize("count", [2, 4])
def test_the_rule_that_decided_stands_beside_the_verdict(
    session: tuple[Path, Truth], count: int
) -> None:
    """So do pointer and board, which whoever touches needs."""
    folder, truth = session
    recorded(folder, truth, count=count)

    @on_screen
    async def run() -> None:
        app = app_at_noon(folder)
        async with app.run_test(size=(80, 24)) as pilot:
            screen = await proving(pilot)
            panel = screen.query_one("#proven", FactsPanel)
            await comes(pilot, lambda: screen.touching.proof is not None)
            await comes(pilot, lambda: len(panel.draw(*panel.size)) <= panel.size.height)
            shown = [line_text(line) for line in panel.draw(*panel.size)]
            assert "PROVEN" in shown[0]
            assert shown[1].startswith("rule")
            assert "tolerance 1 mm" in shown[0]
            assert {line.split()[0] for line in shown[2:]} >= {"pointer", "board"}

    run()


@on_screen
async def test_the_line_for_joints_stands_below_touches_of_marks_too(
    session: tuple[Path, Truth],
) -> None:
    folder, truth = session
    laid = lay_board(folder.parent, 1, truth, PLACES[0], np.random.default_rng(8))
    pose = touch_pose(laid, 0, np.random.default_rng(8))
    with writing(folder):
        current = open_session(folder)
        pointer = steps.pointer_set(current, read_touches(folder), "0 0 150", TIP_U)
        commit(folder, pointer.change, WHO)
        mark = steps.touch_added(
            current, folder, read_touches(folder), pose, seen="0 0 900", who=WHO
        )
        commit(folder, mark.change, WHO)
    app = app_at_noon(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await proving(pilot)
        await until(pilot, "a mark", "Joints", "J1", "J6")


@on_screen
async def test_the_line_for_joints_opens_by_itself_and_half_a_touch_is_kept(
    session: tuple[Path, Truth],
) -> None:
    folder, truth = session
    rng = np.random.default_rng(8)
    laid = lay_board(folder.parent, 1, truth, PLACES[0], rng)
    with writing(folder):
        pointer = steps.pointer_set(open_session(folder), read_touches(folder), "0 0 150", TIP_U)
        commit(folder, pointer.change, WHO)
        take_view(folder, WHO, laid.points)
    pose = touch_pose(laid, 0, rng)
    cell = open_session(folder).cell
    assert cell.robot is not None
    arm = kinematics(cell.robot)
    stands = pose_from_fields(tuple(pose.split()), cell.pendant).base_T_flange
    shown = " ".join(f"{np.degrees(q):.2f}" for q in arm.branches(stands, limited=True)[0])
    app = app_at_noon(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await proving(pilot)
        await until(pilot, "Joints", "J1", "J6")
        await paste_line(pilot, f"0 {pose}")
        await pilot.press("f7")
        await type_line(pilot, shown[:-3])
        file = config_folder() / screen.desk.kept.file
        await comes(pilot, lambda: file.exists() and shown[:-3] in file.read_text())
    app = app_at_noon(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await proving(pilot)
        assert (screen.line.value, screen.joints.value) == (f"0 {pose}", shown[:-3])
        await pilot.press("f7")
        await type_line(pilot, shown[-3:])
        await pilot.press("enter")
        await until(pilot, "Touch 1 stored.")
        await comes(pilot, lambda: "J1" not in text(app))  # they have shown tool and frame
        await comes(pilot, lambda: screen.line.has_focus)
    (touch,) = read_touches(folder).touches
    assert touch.joints == tuple(shown.split())


@on_screen
async def test_the_smallest_window_shows_what_is_said_of_a_touch_and_the_touch(
    session: tuple[Path, Truth],
) -> None:
    async with app_at_noon(session[0]).run_test(size=(80, 24)) as pilot:
        screen = await proving(pilot)
        await pilot.resize_terminal(60, 15)
        screen.show_joints(True)
        for line, fields in ((screen.line, "#fields"), (screen.joints, "#joint-fields")):
            line.focus()
            await pilot.pause()
            findings = screen.query_one(FindingsView)
            assert findings.region.bottom <= 14
            assert findings.region.height == 2
            assert line.region.height == 1
            assert screen.query_one(fields).region.height == 2
            assert " ".join(TOUCH) in " ".join(text(pilot.app).split())
        screen.line.focus()
        screen.joints.set("")
        screen.query_one("#joints-line").add_class("hidden")
        screen._fit()
        await pilot.pause()
        assert screen.touches.region.height >= 2  # the chosen touch below the heads
