"""Large letters, and what stands beside them on a large screen: the cell and its told way."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from made_session import cell
from screen_bench import app_for, comes, example, on_screen, opened, store, type_line, until
from textual.geometry import Size

from engine.cell.cell import KeepOut
from engine.cell.session import PlannedStation
from engine.cell.stations import station_pose
from engine.plans.way import Leg, jog_text, read_legs
from engine.sessions.folder import open_session
from engine.steps.pictures import Scene, outline, scene
from tui.desk.say import _told
from tui.desk.views import answer
from tui.widgets.large import _SIGNS, LargeAnswer, has_room, large_lines, line_height
from tui.widgets.looks import Looks, Terminal, line_text
from tui.widgets.pictures import scene_lines

PLAIN, CONSOLE = Looks(Terminal()), Looks(Terminal("16", "console"))
ASCII = Looks(Terminal("none", "ascii"))
CP437_BLOCKS = set(" ▀▄█")  # of these a Linux console has glyphs in every font (from memory)


@pytest.mark.parametrize("looks", [PLAIN, CONSOLE, ASCII])
def test_large_letters_are_drawn_from_signs_that_the_terminal_has(looks: Looks) -> None:
    text = "".join(_SIGNS) + "-/ abc"
    lines = large_lines([(text, "title")], looks, 400)
    assert len(lines) == line_height(looks)
    allowed = set(" #") if looks is ASCII else CP437_BLOCKS
    for line in lines:
        drawn = line_text(line)
        assert set(drawn) <= allowed
        assert looks.terminal.text(drawn) == drawn


def test_every_large_sign_is_five_pixels_high_and_differs_from_all_others() -> None:
    drawn = [rows.split("/") for sign, rows in _SIGNS.items() if sign != "/"]
    assert all(len(rows) == 5 and len({len(row) for row in rows}) == 1 for rows in drawn)
    assert len({tuple(rows) for rows in drawn}) == len(drawn)


def test_a_part_in_large_letters_is_whole_or_nothing_is_large() -> None:
    parts = [("6", "good"), ("X −182 mm", "title"), ("turn Z +68°", "note")]
    wide = large_lines(parts, PLAIN, 132)
    narrow = large_lines(parts, PLAIN, 50)
    assert len(wide) == line_height(PLAIN)
    assert len(narrow) == 2 * line_height(PLAIN)
    count = sum(c != " " for line in wide for c in line_text(line))
    assert sum(c != " " for line in narrow for c in line_text(line)) == count
    assert large_lines(parts, PLAIN, 30) == []
    assert large_lines([("Ж 12", "title")], PLAIN, 132) == []


@pytest.mark.parametrize(
    "legs",
    [
        (Leg(0, -182.0, False), Leg(1, 17.0, False), Leg(2, np.radians(68.0), True)),
        (Leg(2, np.radians(-4.0), True),),
        (Leg(2, -449.0, False),),
    ],
)
def test_a_told_jog_is_read_back_as_it_was_meant(legs: tuple[Leg, ...]) -> None:
    found = read_legs(jog_text(legs))
    assert [(leg.axis, leg.turns) for leg in found] == [(leg.axis, leg.turns) for leg in legs]
    assert [leg.amount for leg in found] == pytest.approx([leg.amount for leg in legs])


@pytest.mark.parametrize("text", ["stay here", "", "base W +3 mm", "jog until the board is seen"])
def test_what_is_no_list_of_legs_is_read_as_none(text: str) -> None:
    assert read_legs(text) == ()
    assert _told(PlannedStation(jog=text)) == (f"\n{text}" if text else "")


@pytest.mark.parametrize(
    ("message", "large"),
    [
        ([("Ready. ", "good"), ("Enter stores it.", "text")], (("Ready", "good"),)),
        ([("Station 6 stored. ", "good")], (("6 stored", "good"),)),
        ([("still to type: X", "dim")], ()),
        ([("Station 3 is set aside and will not be used.", "good")], ()),
        ([], ()),
    ],
)
def test_only_a_short_answer_is_large(message: list[tuple[str, str]], large: object) -> None:
    assert answer(message) == large


def test_small_screens_have_no_large_letters() -> None:
    assert has_room(Size(132, 43))
    assert has_room(Size(100, 34))
    assert not has_room(Size(99, 43))
    assert not has_room(Size(132, 33))


# ---- the cell from two sides --------------------------------------------------------------------


def boxed(folder: Path) -> Path:
    session = open_session(example(folder, 5))
    boxes = (KeepOut("post", (900, -400, 0), (1000, -300, 1800)),)
    return store(folder, replace(session, cell=replace(session.cell, keep_out=boxes)))


def test_the_told_way_is_drawn_leg_by_leg_to_where_it_ends(tmp_path: Path) -> None:
    session = open_session(boxed(tmp_path / "session"))
    legs = (Leg(0, -100.0, False), Leg(2, np.radians(30.0), True), Leg(2, 50.0, False))
    found = scene(session, None, PlannedStation(None, jog_text(legs), ""))
    start = station_pose(session.cell, session.stations[-1])
    assert start is not None
    assert found.way is not None
    assert found.way[0] == pytest.approx(start[:3, 3])
    # By hand: the tool is the flange, so a turn moves nothing; shifts add up along base axes.
    assert found.way[-1] == pytest.approx(start[:3, 3] + [-100.0, 0.0, 50.0])
    corner = start[:3, 3] + [-100.0, 0.0, 0.0]
    assert np.linalg.norm(found.way - corner, axis=1).min() < 1e-9
    assert found.goal == pytest.approx(found.way[-1])


def test_things_stand_in_the_cell_where_their_coordinates_say() -> None:
    found = Scene(
        stations=((1, np.array([500.0, 0.0, 400.0])),),
        goal=np.array([500.0, 300.0, 400.0]),
        way=np.array([[500.0, 0.0, 400.0], [500.0, 300.0, 400.0]]),
        keep_out=(np.array([[-200.0, 200.0, 0.0], [-100.0, 300.0, 900.0]]),),
        camera=np.array([1000.0, -300.0, 800.0]),
    )
    above = [line_text(line) for line in scene_lines(found, (0, 1), "above", 61, 17)]
    rows = above[1:]
    at = {
        sign: (row.index(sign), n) for n, row in enumerate(rows) for sign in "AC12" if sign in row
    }
    assert at["1"][1] == at["A"][1]  # both at Y 0
    assert at["2"][1] < at["1"][1] < at["C"][1]  # Y 300, 0, -300
    assert at["2"][0] == at["1"][0]
    assert at["A"][0] < at["1"][0] < at["C"][0]  # X 0, 500, 1000
    assert all(rows[n][at["1"][0]] == "*" for n in range(at["2"][1] + 1, at["1"][1]))
    assert any("▓" in row[: at["A"][0]] for row in rows[: at["2"][1] + 3])
    assert "X -200 to 1000, Y -300 to 300 mm" in above[0]


def test_a_box_as_large_as_a_hall_leaves_the_rest_in_sight() -> None:
    hall = np.array([[-1e5, -1e5, -1e5], [1e5, -200.0, 1e5]])
    found = Scene(stations=((1, np.array([500.0, 100.0, 400.0])),), keep_out=(hall,))
    rows = [line_text(line) for line in scene_lines(found, (0, 1), "above", 60, 20)][1:]
    (a,) = (row.index("A") for row in rows if "A" in row)
    (b,) = (row.index("1") for row in rows if "1" in row)
    assert b - a > 20


def test_the_wanted_outline_begins_at_point_0_and_is_cut_at_the_border() -> None:
    corners = np.array([(99.5, 99.5), (899.5, 99.5), (899.5, 1099.5), (99.5, 1099.5)])
    grid = outline(corners, (1000, 1000), (20, 10))
    assert grid[1, 2] == 2
    assert (grid[1, 3:18] == 1).all()
    assert (grid[2:, 2] == 1).all()
    assert grid[9, 5:15].sum() == 0  # its lower edge lies outside
    assert outline(None, (1000, 1000), (20, 10)).sum() == 0


# ---- on the screen ------------------------------------------------------------------------------


@on_screen
async def test_move_and_answer_are_large_and_repainted_only_when_they_change(
    tmp_path: Path,
) -> None:
    folder = boxed(tmp_path / "session")
    async with app_for(folder).run_test(size=(132, 43)) as pilot:
        screen = await opened(pilot)
        await until(pilot, "* told way")
        move = screen.next_move
        large = [line_text(line) for line in move.draw(*move.size)]
        assert sum(set(line) <= CP437_BLOCKS and line.strip() != "" for line in large) >= 3
        jog = screen.desk.plan[0].jog or ""
        assert jog in " ".join(line.strip() for line in large)  # the words stay
        await comes(pilot, lambda: screen.scene.data.way is not None)
        drawn = []
        move.draw = lambda *_: drawn.append(1) or []  # type: ignore[method-assign,func-returns-value]
        await type_line(pilot, "612.40")
        await pilot.pause(0.2)
        assert drawn == []
        answered = screen.pad.answer
        assert answered.draw(*answered.size) == []
        del move.draw
        await pilot.press("escape", "c")
        await until(pilot, "closing")
        assert move.data.large[1][0] == "back to 1"
        for size in ((80, 24), (20, 5), (132, 43)):
            await pilot.resize_terminal(*size)
            await pilot.pause()
        assert move.data.move.split()[-1] in await until(pilot, "closing")


def test_a_cell_of_its_own_is_fit_for_a_scene_without_stations() -> None:
    empty = replace(open_session(Path("sessions/bottling-line-2-infeed")), stations=(), cell=cell())
    found = scene(empty, None, None)
    assert found.stations == ()
    assert found.way is None
    assert scene_lines(found, (0, 2), "side", 40, 10)[0][0][0].startswith("side")


def test_the_usual_answers_fit_beside_the_fields() -> None:
    for said in ("Ready. ", "Not ready. ", "Look at this. ", "Station 12 stored. ",
                 "Station 12 corrected. "):  # fmt: skip
        (part,) = answer([(said, "good")])
        assert len(large_lines([part], PLAIN, LargeAnswer.CELLS)) == line_height(PLAIN), said
