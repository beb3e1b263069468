"""Lines and forms: what is proposed, what is kept, what is refused while it is typed."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from screen_bench import app_for, example, on_screen, opened, text, type_line, until
from textual.app import App, ComposeResult
from textual.pilot import Pilot
from textual.screen import Screen

from engine.boards.pattern import Board
from engine.camera.model import LensU
from engine.robots.kinematics import kinematics
from engine.sessions.cell_file import read_cell
from engine.steps.starting import answered, create_session
from tui.app import Stationbook
from tui.desk.board_length import asked_of, length_u, pitch_of
from tui.desk.form import (
    Question,
    above_zero,
    as_number,
    as_numbers,
    not_below_zero,
    number,
    yes_or_no,
)
from tui.desk.new_cell import PAGES, label_sets, save
from tui.screens.jobs import Ask
from tui.screens.opening import Opening
from tui.screens.sessions import Sessions
from tui.widgets.form import Form, FormEdit, Hint
from tui.widgets.line_edit import LineEdit
from tui.widgets.looks import Looks, Terminal, line_text

CHAIN = ("400", "30", "-20", "350", "420", "370", "90")
FIELDS = {question.key: question for page in PAGES for question in page.questions(
    {"robot": "six", "mount": "frame", "pattern": "circles", "length": "200/10", "shown": "A B C",
     "size": "1280 1024"}
)}  # fmt: skip


class Bench(App[None]):
    """One form, or one line, on an empty screen."""

    looks = Looks(Terminal())

    def __init__(self, part: Form | LineEdit) -> None:
        super().__init__()
        self.part = part

    def compose(self) -> ComposeResult:
        yield self.part


# ---- numbers ------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["nan", "inf", "-inf", "1_000", "0x10", "20 mm", ""])
def test_a_form_refuses_what_the_pose_line_refuses(text: str) -> None:
    wrong = f"{text!r} is no number. Type one, such as 0.1."
    assert number(text) == above_zero(text) == not_below_zero(text) == wrong


@pytest.mark.parametrize(("text", "value"), [("20", 20.0), ("20,5", 20.5), (" -0.3 ", -0.3)])
def test_a_form_reads_numbers_as_the_pose_line_does(text: str, value: float) -> None:
    assert number(text) is None
    assert as_number(text) == value


# ---- lines --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("keys", "left"),
    [
        (["ctrl+u"], ""),
        (["left", "left", "ctrl+u"], "10"),
        (["ctrl+w"], "612.4 -85.1 "),
        (["ctrl+w", "ctrl+w"], "612.4 "),
        (["ctrl+w", "ctrl+w", "ctrl+w", "ctrl+w"], ""),
        (["home", "right", "ctrl+k"], "6"),
    ],
)
@on_screen
async def test_the_usual_chords_edit_a_line(keys: list[str], left: str) -> None:
    edit = LineEdit("612.4 -85.1 410")
    async with Bench(edit).run_test() as pilot:
        edit.focus()
        await pilot.press(*keys)
        assert edit.value == left


@pytest.mark.parametrize(
    ("keys", "left"),
    [
        (list("file"), "file"),
        (["end", "s"], "nones"),
        (["left", "x"], "nonxe"),
        (["backspace", "x"], "nonx"),
        (["ctrl+u", "x"], "x"),
        (["f", "home", "n"], "nf"),
    ],
)
@on_screen
async def test_typing_replaces_a_proposal_that_nobody_touched(keys: list[str], left: str) -> None:
    form = Form([Question("robot", "The robot", "none")])
    async with Bench(form).run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.press(*keys)
        assert form.texts() == {"robot": left}


# ---- a new cell ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("key", "typed", "said"),
    [
        ("size_mm", "300 300 0", "above 0"),
        ("size_mm", "300 300 -1", "above 0"),
        ("size", "1280 0", "whole number"),
        ("size", "1280 1", "32 px a side at least"),
        ("focal", "1400 0", "above 0"),
        ("limits", "170 -170 -90 90 -90 90 -180 180 -90 90 -360 360", "Joint 1: the lowest"),
        ("accuracy", "-1", "not be below 0"),
        ("diameter", "20", "below the pitch"),
        ("labels", "X Y Z A B", "5 labels; expected 6"),
        ("directions", "1 1 1 1 1 0", "1 or -1"),
        ("coupling", "J3 J9", "none"),
    ],
)
def test_what_the_cells_reader_would_refuse_is_refused_as_it_is_typed(
    key: str, typed: str, said: str
) -> None:
    assert said in (FIELDS[key].check(typed) or "")


def test_a_camera_folder_that_is_not_there_is_noted_and_taken(tmp_path: Path) -> None:
    question = FIELDS["source"]
    missing = str(tmp_path / "images")
    assert question.check(missing) is None
    assert "no such folder yet" in (question.note(missing) or "")
    assert "beside the cell's file" in (question.note("incoming") or "")
    assert question.note(str(tmp_path)) is None
    assert question.note("") is None


async def first_page(pilot: Pilot[None], robot: str) -> None:
    await until(pilot, "No session here yet")
    await pilot.press("c")
    await until(pilot, "Name of the cell")
    await type_line(pilot, "press 4")
    await pilot.press("enter", "enter")
    await type_line(pilot, robot)
    await pilot.press("enter")


@on_screen
async def test_answers_survive_going_back_and_forth(tmp_path: Path) -> None:
    app = Stationbook(Sessions(tmp_path / "sessions"))
    async with app.run_test(size=(80, 24)) as pilot:
        await first_page(pilot, "six")
        await until(pilot, "Name of the robot")
        for line in ("arm 12", *CHAIN[:3]):
            await type_line(pilot, line)
            await pilot.press("enter")
        shown = await until(pilot, "page before")
        assert "Esc leave" not in shown
        await pilot.press("escape")
        shown = await until(pilot, "Name of the cell", "press 4", "Esc leave")
        assert "six" in shown
        assert "page before" not in shown
        await pilot.press("enter", "enter", "enter")
        await until(pilot, "Name of the robot", "arm 12", "400", "30", "-20")
        await pilot.press(*["enter"] * 4)
        for line in CHAIN[3:]:
            await type_line(pilot, line)
            await pilot.press("enter")
        await type_line(pilot, "-170 170 -90 90 -90 90 -180 180 -90 90 -360 360")
        await pilot.press(*["enter"] * 6)
        await until(pilot, "Which of these does your pendant show?")
        await pilot.press("down", "enter")
        await until(pilot, "X Y Z A B C")
        await pilot.press(*["enter"] * 5)
        await until(pilot, "Name of the camera")
        await type_line(pilot, "frame camera")
        await pilot.press("escape")
        shown = await until(pilot, "Labels, as shown")
        assert "X Y Z A B C" in shown
        assert "X Y Z X" not in shown
        await pilot.press(*["enter"] * 5)
        await until(pilot, "Name of the camera", "frame camera")


@on_screen
async def test_jogging_to_compare_labels_comes_with_the_caution_and_whole_remarks(
    tmp_path: Path,
) -> None:
    app = Stationbook(Sessions(tmp_path / "sessions"))
    async with app.run_test(size=(80, 24)) as pilot:
        await first_page(pilot, "none")
        await until(pilot, "Absolute accuracy")
        await pilot.press("enter")
        await until(pilot, "Which of these does your pendant show?", "quaternion-wxyz")
        screen = text(app)
        assert "A and C both turn about Z" in screen
        shown = " ".join(screen.split())
        assert "CAUTION Reduced speed in manual mode, nobody else inside the fence." in shown
        assert "Type only with the robot stopped and the enabling switch released." in shown
        chooser = app.screen.query_one("#labels")
        assert chooser.region.bottom <= 24
        assert "more below" not in screen


@on_screen
async def test_the_smallest_window_shows_the_line_typed_in_and_what_is_said_of_it(
    tmp_path: Path,
) -> None:
    app = Stationbook(Sessions(tmp_path / "sessions"))
    async with app.run_test(size=(60, 15)) as pilot:
        await first_page(pilot, "six")
        await until(pilot, "Name of the robot")
        edits = app.screen.query_one(Form).edits
        for number, edit in enumerate(edits, start=1):
            await until(pilot, f"Line {number} of {len(edits)}. ")
            await pilot.pause()
            hint = app.screen.query_one(Hint)
            assert edit.has_focus
            assert edit.region.height == 1
            assert edit.region.bottom <= hint.region.y
            assert hint.region.bottom <= 14
            assert len(hint._lines(hint.size.width)) <= hint.region.height
            await pilot.press("down")
        await pilot.press("up", "a")
        await until(pilot, f"Line {len(edits) - 1} of {len(edits)}. 1 numbers; expected 6")
        await pilot.press("f9")
        await until(pilot, "One line up", "One line down")


@on_screen
async def test_labels_that_were_chosen_stay_chosen_when_a_new_cell_is_gone_on_with(
    tmp_path: Path,
) -> None:
    sets = [labels for labels, _ in label_sets()]
    for time in range(2):
        app = Stationbook(Sessions(tmp_path / "sessions"))
        async with app.run_test(size=(80, 24)) as pilot:
            if time == 0:
                await first_page(pilot, "none")
            else:
                await pilot.press("c")
                await until(pilot, "press 4")
                await pilot.press("enter", "enter", "enter")
            await until(pilot, "Absolute accuracy")
            await pilot.press("enter")
            await until(pilot, "Which of these does your pendant show?")
            await pilot.press(*["down"] * (4 if time == 0 else 0), "enter")
            await until(pilot, "Labels, as shown")
            answers = app.screen.answers  # type: ignore[attr-defined]
            assert answers["rotation"] == sets[4].rotation
            assert answers["shown"] == " ".join(sets[4].labels)


def test_the_answers_of_a_choice_are_whole_words_at_80_columns(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(FormEdit, "has_focus", True)
    (board,) = (page for page in PAGES if page.title == "The board")
    question = board.questions({"robot": "none"})[0]
    for width, last in ((50, "charuco"), (49, "..."), (30, "...")):
        edit = FormEdit(question.value)
        edit.choices = question.choices
        words = line_text(edit._beside(width)).split()
        assert {*words[1:]} <= {*question.choices, "..."}
        assert words[-1] == last


@pytest.mark.parametrize(
    ("length", "u", "pitch_mm", "scale_u"),
    [
        ("200.1/10", "0.1", 20.01, 0.0005),
        ("220,1 / 11", "0.22", 20.0090909091, 0.001),
        ("20.001/1", "0.001", 20.001, 5e-5),
        ("200/10", "", 20.0, None),
        ("200/10", "0", 20.0, 0.0),
    ],
)
def test_a_length_over_many_pitches_gives_the_pitch_and_how_well_it_is_known(
    length: str, u: str, pitch_mm: float, scale_u: float | None
) -> None:
    assert FIELDS["length"].check(length) is None
    assert FIELDS["length_u"].check(u) is None
    assert pitch_of(length) == pytest.approx(pitch_mm, rel=1e-11)
    known = length_u(length, u)
    assert known == (None if scale_u is None else pytest.approx(scale_u, rel=1e-3))


@pytest.mark.parametrize("typed", ["200.1", "200.1/", "/10", "200.1/0", "1/1.5", "0/10", "a/10"])
def test_a_length_without_its_pitches_is_refused(typed: str) -> None:
    assert FIELDS["length"].check(typed)


def test_a_board_left_as_the_cell_says_stays_as_it_is() -> None:
    for board in (
        Board("chessboard", 11, 8, 20.01, scale_u=0.0005),
        Board("chessboard", 8, 7, 20.0 / 3.0, scale_u=0.00123),
        Board("chessboard", 11, 8, 20.0),
    ):
        length, known = asked_of(board)
        assert pitch_of(length.value) == pytest.approx(board.pitch_mm, rel=1e-11)
        scale_u = length_u(length.value, known.value)
        assert scale_u == (board.scale_u and pytest.approx(board.scale_u, rel=2e-3))
        assert length.note(length.value) is None
    assert "the result says so" in (known.note("") or "")
    assert asked_of(Board("chessboard", 11, 8, 20.0, scale_u=0.0005))[1].check("")


# ---- a new cell of a four-axis arm ---------------------------------------------------------------


@on_screen
async def test_an_arm_that_cannot_tilt_is_compared_at_a_pose_that_it_can_take(
    tmp_path: Path,
) -> None:
    app = Stationbook(Sessions(tmp_path / "sessions"))
    async with app.run_test(size=(80, 24)) as pilot:
        await first_page(pilot, "scara")
        await until(pilot, "Name of the robot")
        for line in ("", "415", "345", "500", "-150 150 -150 150 -450 0 -360 360", "", "", "", ""):
            await type_line(pilot, line)
            await pilot.press("enter")
        await pilot.press("enter")
        shown = await until(pilot, "Which of these does your pendant show?", "this arm holds it")
        assert "tilted" not in shown
        assert "more below" not in shown
        # By hand: the flange down is half a turn about X, then 30° about base Z.
        assert re.search(r"► C +30\.00 ", shown)
        assert re.search(r"W P R +180\.00 +0\.00 +30\.00", shown)
        await pilot.press("enter")
        await until(pilot, "X Y Z C", "The flange's Z points")


def _four_axis(**answers: str) -> dict[str, str]:
    """Return the answers of all pages: what each proposes, or what is given here."""
    given = {
        "name": "palletiser", "robot": "scara", "mount": "frame", "robot_name": "R", "shown": "C",
        "rotation": "yaw", "limits": "-150 150 -150 150 -450 0 -360 360", "camera_name": "above",
        "size": "1280 1024", "focal": "1400 1400", "centre": "640 512", "center": "500 0 0",
        "size_mm": "300 300 100", "geometry_l1": "415", "geometry_l2": "345", "geometry_z0": "500",
    } | answers  # fmt: skip
    for page in PAGES:
        if page.when(given):
            given = {q.key: q.value for q in page.questions(given)} | given
    return given


def test_the_pages_ask_how_well_all_is_known_and_who_set_the_tolerance(tmp_path: Path) -> None:
    typed = {
        "lens": "known", "lens_u": "0.05 0.8 0.2", "accuracy": "0.8", "repeatability": "0.02",
        "length": "220.1/11", "length_u": "0.11005", "bow": "0.02", "locate": "depth",
        "rule": "simple", "set_by": "quality department", "flange": "down", "height": "3",
    }  # fmt: skip
    cell = read_cell(save(_four_axis(**typed, file=str(tmp_path / "all.yaml"))))
    assert cell.camera.u == LensU(0.0005, 0.8, 0.2)
    assert cell.robot is not None
    assert (cell.robot.accuracy_mm, cell.robot.repeatability_mm) == (0.8, 0.02)
    assert (cell.board.scale_u, cell.board.bow_u_mm, cell.locate) == (0.0005, 0.02, "depth")
    assert cell.board.pitch_mm == pytest.approx(220.1 / 11, abs=1e-9)
    assert (cell.tolerance.rule, cell.tolerance.set_by) == ("simple", "quality department")
    bare = {"robot": "none", "rotation": "fixed-xyz", "shown": "A B C", "lens": "known"}
    proposed = read_cell(save(_four_axis(**bare, file=str(tmp_path / "proposed.yaml"))))
    assert (proposed.camera.u, proposed.robot_accuracy_mm) == (None, None)  # said to be assumed
    assert (proposed.board.scale_u, proposed.board.bow_u_mm) == (None, None)
    assert (proposed.tolerance.rule, proposed.tolerance.set_by) == ("guarded", None)
    given = _four_axis(**bare, accuracy="0.8", file=str(tmp_path / "given.yaml"))
    assert read_cell(save(given)).robot_accuracy_mm == 0.8


@pytest.mark.parametrize("flange", ["up", "down"])
def test_a_four_axis_cell_is_asked_which_way_the_flange_points_and_the_height(
    tmp_path: Path, flange: str
) -> None:
    file = str(tmp_path / "cell.yaml")
    answers = _four_axis(flange=flange, height="-12,5", height_u="0.4", file=file)
    asked = [q.key for page in PAGES if page.when(answers) for q in page.questions(answers)]
    assert {"flange", "height", "height_u"} <= set(asked)
    made = read_cell(save(answers))
    assert made.pendant.flange_down is (flange == "down")
    assert (made.board.height_mm, made.board.height_u_mm) == (-12.5, 0.4)


def test_which_way_the_flange_points_is_never_assumed() -> None:
    (pendant,) = [page for page in PAGES if page.title == "The pendant"]
    answers = _four_axis()
    (flange,) = [q for q in pendant.questions(answers) if q.key == "flange"]
    assert flange.value == ""
    assert flange.check("") is not None
    assert "flange" not in [q.key for q in pendant.questions(answers | {"rotation": "fixed-xyz"})]


def test_a_quaternion_has_no_unit_and_enough_decimals(tmp_path: Path) -> None:
    given = {"robot": "none", "shown": "qx qy qz qw", "rotation": "quaternion-xyzw"}
    answers = _four_axis(**given, length_unit="m", file=str(tmp_path / "cell.yaml"))
    (page,) = [page for page in PAGES if page.title == "The pendant"]
    asked = {q.key: q.value for q in page.questions(answers)}
    assert "angle_unit" not in asked
    assert asked["angle_decimals"] == "4"  # two would be a turn of up to 0.6°
    made = read_cell(save(answers))
    assert (made.pendant.rotation, made.pendant.decimals) == (
        "quaternion-xyzw",
        (2, 2, 2, 4, 4, 4, 4),
    )


def test_without_a_height_the_page_says_what_follows(tmp_path: Path) -> None:
    (board,) = [page for page in PAGES if page.title == "The board"]
    height = next(q for q in board.questions(_four_axis()) if q.key == "height")
    assert height.check("") is None
    assert "proves nothing" in (height.note("") or "")
    file = str(tmp_path / "cell.yaml")
    assert read_cell(save(_four_axis(flange="down", file=file))).board.height_mm is None
    six = _four_axis(robot="none", rotation="fixed-xyz")
    assert "height" not in [q.key for q in board.questions(six)]


@pytest.mark.parametrize("typed", ["1280x1024", "1280 × 1024", "1280X1024", "1280; 1024"])
def test_an_image_size_is_read_as_people_write_it(typed: str) -> None:
    assert FIELDS["size"].check(typed) is None
    assert as_numbers(typed) == [1280.0, 1024.0]


@on_screen
async def test_a_choice_is_taken_with_the_arrow_keys_and_by_clicks(tmp_path: Path) -> None:
    app = Stationbook(Sessions(tmp_path / "sessions"))
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, "No session here yet")
        await pilot.press("c")
        await until(pilot, "Name of the cell")
        await type_line(pilot, "press 4")
        await pilot.press("enter")
        assert "←→ flange" in await until(pilot, "frame")
        await pilot.press("right", "enter", "left")
        edits = app.screen.query_one(Form).edits
        assert [edit.value for edit in edits[1:]] == ["flange", "palletizer"]
        beside = app.screen.query_one("#form-robot", FormEdit)
        shown = line_text(beside.draw(beside.size.width, 1)[0])
        await pilot.click(beside, offset=(shown.index("scara") + 2, 0))
        assert beside.value == "scara"
        await pilot.click("#form-mount", offset=(1, 0))
        assert edits[1].value == "frame"


PALLETIZER = {
    "name": "palletizing 2", "mount": "frame", "robot": "palletizer", "robot_name": "arm",
    "geometry_a1": "420", "geometry_a2": "50", "geometry_b": "0", "geometry_c1": "800",
    "geometry_c2": "1100", "geometry_c3": "1200", "geometry_c4": "250",
    "limits": "-180 180 -40 90 -20 120 -360 360", "accuracy": "0.5", "offsets": "0 0 -90 0",
    "directions": "1 1 1 -1", "coupling": "j3 j2", "labels": "X Y Z A", "length_unit": "mm",
    "angle_unit": "deg", "length_decimals": "2", "angle_decimals": "2", "rotation": "yaw",
    "shown": "A", "flange": "down", "camera_name": "camera", "size": "1280x1024", "lens": "images",
    "source": "", "pattern": "chessboard", "columns": "11", "rows": "8", "length": "200/10",
    "length_u": "", "bow": "0.1", "repeatability": "0.05", "locate": "lens", "rule": "guarded",
    "set_by": "",
    "height": "46.5", "height_u": "0.3", "center": "600 0 250", "size_mm": "400 300 200",
    "tolerance": "1.0", "tolerance_deg": "0.2",
}  # fmt: skip


def test_a_palletizer_is_described_whole_and_read_back(tmp_path: Path) -> None:
    cell = read_cell(save({**PALLETIZER, "file": str(tmp_path / "cell.yaml")}))
    assert cell.robot is not None
    assert (cell.robot.kind, cell.pendant.flange_down) == ("level-flange", True)
    arm = kinematics(cell.robot)
    np.testing.assert_allclose(arm.forward(np.zeros(4))[:3, 3], [1620, 0, 1600], atol=1e-9)
    assert (cell.board.height_mm, cell.camera.image_size_px) == (46.5, (1280, 1024))


@pytest.mark.parametrize("lens", ["images", "known"])
@on_screen
async def test_lens_data_are_asked_about_where_there_are_any(tmp_path: Path, lens: str) -> None:
    answers = _four_axis(robot="none", rotation="fixed-xyz", shown="A B C", lens=lens)
    path = save(answers | {"file": str(tmp_path / "cell.yaml")})
    create_session(path, tmp_path / "s", now=datetime(2026, 11, 25, tzinfo=UTC))
    async with Stationbook(Opening(tmp_path / "s")).run_test(size=(80, 24)) as pilot:
        shown = await until(pilot, "This length known to, mm", "Board: length / pitches")
        assert ("Lens data fit" in shown) is (lens == "known")
        given = ("A", "", "", "y", "", "", *(["y"] if lens == "known" else []))
        for answer in given:
            await type_line(pilot, answer)
            await pilot.press("enter")
        await until(pilot, "CAUTION")
    assert answered(tmp_path / "s")


@on_screen
async def test_half_a_cell_is_there_the_next_time(tmp_path: Path) -> None:
    async with (app := Stationbook(Sessions(tmp_path / "sessions"))).run_test() as pilot:
        await first_page(pilot, "six")
        await until(pilot, "Name of the robot")
        await type_line(pilot, "arm 12")
        await pilot.press("ctrl+q")
    assert app.half_typed.under("cell")["robot_name"] == "arm 12"
    async with Stationbook(Sessions(tmp_path / "sessions")).run_test() as pilot:
        await until(pilot, "No session here yet")
        await pilot.press("c")
        await until(pilot, "press 4", "six")


@on_screen
async def test_a_new_cell_takes_at_most_150_keys(tmp_path: Path) -> None:
    lengths = ["enter", *(key for text in CHAIN for key in (*text, "enter"))]
    limits = [*"-170 170 -90 90 -90 90 -180 180 -90 90 -360 360", "enter"]
    pages = (
        ("Name of the cell", [*"press 4", "enter", "enter", "right", "right", "enter"]),
        ("Name of the robot", [*lengths, *limits, *["enter"] * 5]),
        ("Which of these does your pendant show?", ["down", "enter"]),
        ("Decimals of the rotation", ["enter"] * 5),
        ("Folder of the images", [*["enter"] * 3, *"incoming", "enter"]),
        ("Points in a row", ["enter"] * 6),
        ("Middle of the pick area", [*"600 0 250", *["enter"] * 3]),
        ("A pick may be off by", ["enter"] * 5),
    )
    app = Stationbook(Sessions(tmp_path / "sessions"))
    pressed = ["c"]
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, "No session here yet")
        await pilot.press("c")
        for title, keys in pages:
            await until(pilot, title)
            if title.startswith("A pick"):  # a file is proposed; this one is of the test
                app.screen.query_one(Form).edits[-1].set(str(tmp_path / "cell.yaml"))
            await pilot.press(*map(_key, keys))
            pressed += keys
        await until(pilot, "Is this the cell?", "press 4, eye-to-hand")
    cell = read_cell(tmp_path / "cell.yaml")
    assert cell.robot is not None
    assert list(cell.robot.geometry_mm.values()) == [float(text) for text in CHAIN]
    assert cell.pendant.rotation == "moving-zyx"
    assert len(pressed) <= 150, len(pressed)


def _key(sign: str) -> str:
    """Return the name of a key by what it types."""
    return {" ": "space", "-": "minus"}.get(sign, sign)


@pytest.mark.parametrize(("first", "left"), [((), "B"), (("right",), "A. ExampleB")])
@on_screen
async def test_what_a_question_proposes_gives_way_to_typing(
    first: tuple[str, ...], left: str
) -> None:
    app = Stationbook(Screen())
    async with app.run_test(size=(80, 24)) as pilot:
        await app.push_screen(Ask("Who?", "", "A. Example"))
        await pilot.press(*first, "B")
        assert app.screen.query_one(LineEdit).value == left


# ---- what a page says ---------------------------------------------------------------------------


@on_screen
async def test_a_line_longer_than_its_place_shows_that_it_goes_on() -> None:
    """Without a sign "-160 160" read as "60 160": a minus and a digit were out of sight."""
    limits = "-160 160 -65 145 -70 190 -180 180 -135 135 -360 360"
    edit = LineEdit()
    async with Bench(edit).run_test(size=(40, 24)) as pilot:
        edit.focus()
        await type_line(pilot, limits)
        (typing,) = edit.draw(40, 1)
        assert line_text(typing) == f"<{limits[-38:]} "
        await pilot.press("home")
        (at_home,) = edit.draw(40, 1)
        assert line_text(at_home) == f"{limits[:39]}>"
        assert edit.value == limits


@on_screen
async def test_a_form_says_what_is_missing_where_it_goes_back_to() -> None:
    """Gone back to after Enter on the last line, an empty line gave only its hint."""
    warm = Question("warm", "Robot warmed up", "", yes_or_no, "A cold arm drifts.")
    form = Form([warm, Question("last", "Last", "x")])
    async with Bench(form).run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        assert "A cold arm drifts." in text(pilot.app)
        await pilot.press("down", "enter")
        await until(pilot, "Type y or n.")
        await pilot.pause()
        assert form.at == 0
        assert "Type y or n." in text(pilot.app)


def test_where_the_cell_is_saved_is_said_with_a_folder_that_is_made(tmp_path: Path) -> None:
    question = FIELDS["file"]
    note = question.note(str(tmp_path / "press" / "cell.yaml"))
    assert (
        note == f"A new file, {tmp_path}/press/cell.yaml. Its folder is not there yet and is made."
    )
    assert question.note(str(tmp_path)) == f"A new file, {tmp_path}/cell.yaml."


@on_screen
async def test_a_pitch_that_no_printer_makes_of_the_cells_is_noted(tmp_path: Path) -> None:
    """A pitch of 2 mm for 20 mm was taken in silence; the board was then looked for ten times
    nearer, and no move could be told."""
    folder = example(tmp_path / "session", 0)
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        await opened(pilot)
        await pilot.press("escape", "t")
        await until(pilot, "Board: length / pitches, mm")
        await pilot.press(*["down"] * 4)
        await until(pilot, "200/10", "Measure over a whole row")
        await type_line(pilot, "220.1/11")
        await until(pilot, "A pitch of 20.0091 mm")
        await pilot.press("ctrl+u")
        await type_line(pilot, "200.1")
        await until(pilot, "Type length / pitches, such as 200.1/10")
        await pilot.press("ctrl+u")
        await type_line(pilot, "20/10")
        await until(pilot, "The cell says 20 mm")


@on_screen
async def test_help_shows_the_facts_of_a_page_that_has_no_room_for_them(tmp_path: Path) -> None:
    """The page says "all: F9", and F9 showed only keys."""
    app = app_for(example(tmp_path / "session", 0))
    async with app.run_test(size=(60, 15)) as pilot:
        await opened(pilot)
        await pilot.press("escape", "t")
        await until(pilot, "all: F9")
        await pilot.press("f9")
        await until(pilot, "demo six-axis arm", "images")


@on_screen
async def test_help_names_no_key_that_does_something_else_now(tmp_path: Path) -> None:
    app = Stationbook(Sessions(tmp_path / "sessions"))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("c")
        await until(pilot, "Name of the cell")
        await pilot.press("f9")
        shown = await until(pilot, "On to the next line")
        assert "Take the chosen labels" not in shown
