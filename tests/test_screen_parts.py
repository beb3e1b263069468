"""The parts that the screen is made of, without a session."""

from __future__ import annotations

import asyncio
import io
import threading
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from screen_bench import comes, on_screen
from textual.app import App, ComposeResult
from textual.binding import Binding
from textual.containers import Vertical
from textual.screen import Screen
from textual.widget import Widget

from engine.cell.session import PlannedStation, Session, Station, View
from engine.errors import StationbookError, UsageError
from engine.findings import finding
from engine.sessions.folder import session_text
from engine.sessions.glance import read_glance
from engine.simulate.scenario import cell
from tui.app import Stationbook
from tui.desk.overview import SessionRow
from tui.desk.views import Job, Move, Quality, counts, next_planned, rows
from tui.screens.help import key_lines
from tui.screens.jobs import Jobs, in_background, pause, sentence
from tui.widgets.line_edit import LineEdit
from tui.widgets.lists import SessionList
from tui.widgets.looks import (
    LOOKS,
    THEMES,
    Looks,
    Signs,
    Terminal,
    _one_width,
    detect,
    line_text,
    make_safe,
)
from tui.widgets.panels import CAUTION, JobLine, NextMove, QualityLine, footer
from tui.widgets.sheet import Sheet
from tui.words import bar

PLAIN = Looks(Terminal())
ASCII = Looks(Terminal("none", "ascii"))


class Tty(io.TextIOWrapper):
    def __init__(self, encoding: str) -> None:
        super().__init__(io.BytesIO(), encoding=encoding)

    def isatty(self) -> bool:
        return True


# ---- terminals ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("environ", "encoding", "expected"),
    [
        ({"TERM": "xterm-256color", "COLORTERM": "truecolor"}, "utf-8", Terminal("true")),
        ({"TERM": "xterm-256color"}, "utf-8", Terminal("256")),
        ({"TERM": "xterm"}, "utf-8", Terminal("16")),
        ({"TERM": "linux"}, "utf-8", Terminal("16", "console")),
        ({"TERM": "xterm-256color", "NO_COLOR": "1"}, "utf-8", Terminal("none")),
        ({"TERM": "xterm-256color"}, "ascii", Terminal("256", "ascii")),
        ({"TERM": "xterm-256color"}, "latin-1", Terminal("256", "ascii")),
    ],
)
def test_terminal_is_recognised(environ: dict[str, str], encoding: str, expected: Terminal) -> None:
    assert detect(environ, Tty(encoding)) == expected


@pytest.mark.parametrize("term", ["dumb", "unknown", ""])
def test_terminal_that_cannot_place_text_is_refused_with_the_way_out(term: str) -> None:
    with pytest.raises(UsageError, match=r"cannot show the screen.*--help"):
        detect({"TERM": term}, Tty("utf-8"))


def test_no_terminal_is_refused() -> None:
    with pytest.raises(UsageError, match="needs a terminal"):
        detect({"TERM": "xterm"}, io.StringIO())


@pytest.mark.parametrize("signs", ["console", "ascii"])
def test_an_arrow_is_no_comparison_and_no_question_mark(signs: Signs) -> None:
    shown = Terminal("none", signs).text("Y −85.10 → −58.10? ←→")
    assert shown == "Y -85.10 -> -58.10? <-->"


@pytest.mark.parametrize("sign", ["█", "░", "►", "─", "°", "é", "漢", "🔎", "→"])
def test_stream_that_cannot_encode_a_sign_gets_one_of_the_same_width(sign: str) -> None:
    stream = Tty("ascii")
    make_safe(stream)
    stream.write(f"[{sign}]")
    stream.flush()
    written = stream.buffer.getvalue().decode("ascii")  # type: ignore[attr-defined]
    assert written == f"[{_one_width(sign)}]"
    assert len(written) - 2 == PLAIN.width(sign)


def test_text_for_ascii_terminals_keeps_its_meaning() -> None:
    assert ASCII.terminal.text("tilt +20° − X → Y, 5 × 3 mm, ±0.1, Müller") == (
        "tilt +20 deg - X -> Y, 5 x 3 mm, +/-0.1, Muller"
    )


def test_bars_are_ascii_where_they_must_be() -> None:
    assert line_text([(ASCII.terminal.text(bar(0.5, 8)), "text")]) == "####----"
    assert bar(None, 4) == "░░░░"
    assert bar(7.0, 4) == "████"


@pytest.mark.parametrize("looks", [PLAIN, ASCII, Looks(Terminal("16"))])
def test_a_strip_is_exactly_as_wide_as_asked(looks: Looks) -> None:
    for text in ("", "short", "x" * 50, "±20° about the board's X", "漢字漢字漢字漢字"):
        assert looks.strip([(text, "text")], 20).cell_length == 20


def test_control_characters_never_reach_the_terminal() -> None:
    assert "\x1b" not in PLAIN.strip([("a\x1b[2Jb\n", "text")], 12).text


# ---- parts --------------------------------------------------------------------------------------


class Bench(App[None]):
    """One sheet on an empty screen."""

    looks = PLAIN

    def __init__(self, sheet: Sheet) -> None:
        super().__init__()
        self.sheet = sheet
        self.said: list[str] = []

    def compose(self) -> ComposeResult:
        yield self.sheet

    def on_line_edit_submitted(self, message: LineEdit.Submitted) -> None:
        self.said.append(message.value)


@on_screen
async def test_line_is_edited_with_the_keys_of_every_terminal() -> None:
    app = Bench(LineEdit())
    async with app.run_test() as pilot:
        app.sheet.focus()
        await pilot.press(*"61x2.4", "left", "left", "left", "left", "backspace", "end", "0")
        await pilot.press("home", "delete", "7", "enter")
        assert app.said == ["7x2.40"]


@on_screen
async def test_pasted_lines_become_one_line() -> None:
    edit = LineEdit()
    app = Bench(edit)
    async with app.run_test() as pilot:
        edit.focus()
        from textual.events import Paste

        edit.post_message(Paste("X 612.4\r\nY -85\tZ 410\n"))
        await pilot.pause()
        assert edit.value == "X 612.4 Y -85 Z 410"


@on_screen
@pytest.mark.parametrize(
    ("stands", "cursor", "pasted", "wanted"),
    [
        ("59", 2, " 99", "59 99"),
        ("59", 2, "\t99\n", "59 99"),
        ("59", 0, "99 ", "99 59"),
        ("5999", 2, " ", "59 99"),
        ("59", 2, "99", "5999"),
        ("", 0, " 99 ", "99"),
    ],
)
async def test_a_paste_keeps_the_blank_that_parts_it_from_a_number(
    stands: str, cursor: int, pasted: str, wanted: str
) -> None:
    edit = LineEdit(stands)
    async with Bench(edit).run_test():
        edit.cursor = cursor
        edit.paste(pasted)
        assert edit.value == wanted


@on_screen
async def test_what_is_typed_while_a_line_is_worked_on_is_not_lost() -> None:
    edit = LineEdit("1 2 3")
    async with Bench(edit).run_test() as pilot:
        edit.focus()
        edit.hold()
        await pilot.press(*"45")
        edit.paste(" 6")
        assert edit.value == "1 2 3"
        edit.set("")
        edit.release()
        assert edit.value == "45 6"


@on_screen
async def test_a_line_longer_than_its_place_keeps_the_cursor_in_sight() -> None:
    edit = LineEdit("1234567890" * 20)
    app = Bench(edit)
    async with app.run_test(size=(40, 5)) as pilot:
        edit.focus()
        await pilot.pause()
        assert line_text(edit.draw(40, 1)[0]).rstrip().endswith("567890")
        await pilot.press("home")
        assert "1234567890123" in line_text(edit.draw(40, 1)[0])


@pytest.mark.parametrize("width", [40, 80, 132])
@on_screen
async def test_caution_is_never_cut_off(width: int) -> None:
    sheet = NextMove()
    sheet.styles.height = 9 if width < 80 else 5
    sheet.data = Move("Station 7:", "base Z +80 mm, " * 12, "because " * 20)
    app = Bench(sheet)
    async with app.run_test(size=(width, 24)):
        shown = " ".join(line_text(line) for line in sheet.draw(*sheet.size))
        assert " ".join(CAUTION.split()) in " ".join(shown.split())


@pytest.mark.parametrize("brief", [False, True])
@on_screen
async def test_a_caution_without_room_is_said_in_short_and_names_the_key_to_all_of_it(
    brief: bool,
) -> None:
    """So it is on a terminal of 60 × 15, where three lines are left for move and caution."""
    sheet = NextMove()
    sheet.styles.height = 3
    sheet.data, sheet.brief = Move("Station 7:", "base Z +80 mm"), brief
    async with Bench(sheet).run_test(size=(60, 15)):
        lines = [line_text(line) for line in sheet.draw(*sheet.size)]
        assert len(lines) == 3
        assert "Station 7:" in lines[0]
        said = " ".join(" ".join(lines[1:]).split())
        assert "nobody inside the fence; arm and cables are NOT checked." in said
        assert brief or said.endswith("all: F9")
        assert sheet.cut is not brief


@on_screen
async def test_quality_says_in_words_what_the_bar_shows() -> None:
    sheet = QualityLine()
    sheet.data = Quality(1.24, 1.0, "", "error: board-moved", "error")
    async with Bench(sheet).run_test():
        text = line_text(sheet.draw(80, 1)[0])
    assert "1.24 mm of 1 mm" in text
    assert "too much" in text
    assert "error: board-moved" in text


@on_screen
async def test_quality_says_that_a_third_of_the_tolerance_is_the_most() -> None:
    sheet = QualityLine()
    sheet.data = Quality(0.2, 1.0 / 3.0, third=True)
    async with Bench(sheet).run_test():
        assert "0.20 mm of 0.333 mm (1/3) " in line_text(sheet.draw(60, 1)[0])


@on_screen
async def test_the_bar_gives_way_to_the_worst_finding() -> None:
    sheet = QualityLine()
    sheet.data = Quality(1.56, 1.0, "", "error: tolerance", "error")
    async with Bench(sheet).run_test():
        for width in (60, 52):
            text = line_text(sheet.draw(width, 1)[0])
            assert text.endswith("error: tolerance")
            assert len(text) <= width
        sheet.data = Quality(0.73, 1.0, "", "s/result.yaml: cannot write it: the disk is full.")
        text = line_text(sheet.draw(60, 1)[0])
        assert text.endswith("cannot write ...")
        assert len(text) <= 60


@on_screen
async def test_the_next_key_of_the_job_is_never_cut() -> None:
    sheet, state = JobLine(), "a recheck is against the result"
    key = "repeat the recheck, or calibrate again"
    async with Bench(sheet).run_test():
        for said in (state, f"{state}, start questions open"):
            sheet.data = Job(said, key, due=True)
            text = line_text(sheet.draw(80, 1)[0])
            assert text.endswith(f"Job: {state}  {key}")
            assert len(text) <= 80
            assert said in line_text(sheet.draw(132, 1)[0])


@on_screen
async def test_a_figure_of_the_list_is_whole_or_left_out(tmp_path: Path) -> None:
    row = SessionRow(tmp_path, "cell 4", "accepted", "good", "5", "04:11", "U 0.88 mm")
    sheet = SessionList()
    async with Bench(sheet).run_test():
        assert "U 0.88 mm" in line_text(sheet.row_line(row, 78))
        assert "U" not in line_text(sheet.row_line(row, 58))
        assert "result" not in line_text(sheet.headline(58) or [])


def test_footer_shows_what_fits_and_always_help() -> None:
    bindings = [Binding(f"f{n}", f"a{n}", f"action number {n}", id=f"a{n}") for n in range(2, 9)]
    bindings.append(Binding("f9", "help", "help", id="help"))
    text = line_text(footer(bindings, PLAIN, 60))
    assert text.startswith("F2 action number 2")
    assert text.rstrip().endswith("F9 help")
    assert len(text) <= 60


def test_help_aligns_to_the_longest_name_and_cuts_nothing_off() -> None:
    bindings = [
        Binding("a", "apply", "apply correction", tooltip="Take the suggested value " * 4),
        Binding("escape,enter,f9,q", "leave", "close", tooltip="Close the help"),
        Binding("up", "up", show=False, tooltip="One line up"),
    ]
    lines = [line_text(line) for line in key_lines(bindings, PLAIN, 70)]
    at = lines[0].find("Take")
    assert lines[-2].find("Close the help") == lines[-1].find("One line up") == at
    assert "apply correction  Take" in lines[0]
    assert "Esc, Enter, F9, q  close" in lines[-2]
    assert max(map(len, lines)) <= 70
    assert sum(line.count("suggested") for line in lines) == 4


# ---- rows ---------------------------------------------------------------------------------------

STATIONS = (
    Station(1, pose=("1.0", "2.0"), points="points/001.csv"),
    Station(2, pose=("1.5", "2.5"), points="points/002.csv", accepted=("small-move",)),
    Station(3, pose=("9.0", "2.0"), points="points/003.csv", use=False, note="board covered"),
    Station(4, pose=("9.5", "2.0")),
)
PLAN = (
    PlannedStation(jog="base Z +80 mm", skipped="fixture"),
    PlannedStation(jog="base X -60 mm"),
    PlannedStation(pose=("1.0", "2.0")),
)


def _states(found: Sequence[object]) -> list[str]:
    return [row.state for row in found]  # type: ignore[attr-defined]


def test_every_state_is_a_word() -> None:
    found = rows(STATIONS, PLAN, next_planned(PLAN))
    assert _states(found) == [
        "ok", "accepted", "aside", "no image", "skipped", "NEXT", "to do",
    ]  # fmt: skip
    assert [row.label for row in found] == ["1", "2", "3", "4", "-", "5", "6"]
    assert found[2].text == "board covered"


def test_a_station_that_shows_no_board_is_never_called_ok() -> None:
    """Without board points nothing is solved with it, whatever warning was accepted."""
    seen, unseen = View("left", points="points/001b.csv"), View("left", image="images/001b.png")
    stations = (
        Station(1, pose=("1.0",), image="images/001.png"),
        Station(2, pose=("1.0",), image="images/002.png", accepted=("board-missing",)),
        Station(3, pose=("1.0",), image="images/003.png", closing=True),
        Station(4, pose=("1.0",), image="images/004.png", views=(seen,)),
        Station(5, pose=("1.0",), views=(unseen,)),
        Station(6, pose=("1.0",), board_pose=(0.0, 0.0, 500.0, 0.0, 0.0, 0.0, 1.0)),
    )
    assert _states(rows(stations, (), None)) == [
        "no points", "no points", "no points", "ok", "no points", "ok",
    ]  # fmt: skip


def test_findings_mark_the_stations_they_name() -> None:
    wrong = finding("typed-value", station=1, field="Y", typed="-85.10", suggested="-58.10")
    doubt = finding("small-move", station=2, other=1, distance_mm=1, angle_deg=0, least_mm=5,
                    least_deg=1)  # fmt: skip
    assert _states(rows(STATIONS, (), None, [wrong, doubt]))[:2] == ["ERROR", "doubt"]


def test_jump_takes_another_planned_station_but_never_a_skipped_one() -> None:
    assert next_planned(PLAN, 2) == 2
    assert next_planned(PLAN, 0) == 1
    assert next_planned(PLAN[:1]) is None


def test_counts_tell_done_without_points_aside_and_left() -> None:
    assert counts(STATIONS, PLAN) == (2, 1, 1, 2)
    bare, far = Station(5, pose=("1.0",)), View("left", points="points/005b.csv")
    stations = (*STATIONS, bare, replace(bare, views=(far,)), replace(bare, board_pose=(0.0,) * 7))
    assert counts(stations, ()) == (4, 2, 1, 0)


def test_a_first_look_counts_as_the_session_does(tmp_path: Path) -> None:
    far = View("left", points="points/002b.csv")
    bare = Station(1, pose=("1.0",) * 6)
    told = Station(3, pose=("1.0",) * 6, board_pose=(0.0, 0.0, 500.0, 0.0, 0.0, 0.0, 1.0))
    stations = (bare, replace(bare, id=2, views=(far,)), told)
    both = replace(cell(), cameras=(replace(cell().camera, name="left"),))
    session = Session("s", None, "2026-11-26T09:00:00+01:00", both, (), stations)
    (tmp_path / "session.yaml").write_text(session_text(session), encoding="utf-8")
    seen = read_glance(tmp_path).stations
    assert _states(rows(seen, (), None)) == ["no image", "ok", "ok"]
    assert counts(seen, ()) == counts(stations, ()) == (2, 1, 0, 0)


# ---- jobs ---------------------------------------------------------------------------------------


class Leaving(Widget):
    """A part that is gone once it may be."""

    def __init__(self) -> None:
        super().__init__()
        self.leaves, self.may_leave = asyncio.Event(), asyncio.Event()

    async def on_unmount(self) -> None:
        self.leaves.set()
        await self.may_leave.wait()


class Working(Vertical):
    """Waits in two jobs, for work in a thread and for a while, and shows what came of it."""

    def __init__(self, fails: bool) -> None:
        self.part = Leaving()
        super().__init__(self.part)
        self.fails, self.asked, self.answer = fails, threading.Event(), threading.Event()
        self.shown: list[str] = []
        self.jobs = Jobs(self, lambda text, role: self.shown.append(text))

    def on_mount(self) -> None:
        self.jobs.begin(self._ask, group="ask")
        self.jobs.begin(self._rest, group="rest")

    def _wait(self) -> None:
        self.asked.set()
        self.answer.wait(60)
        if self.fails:
            raise StationbookError("it does not work")

    async def _ask(self) -> None:
        await in_background(self._wait)
        self.shown.append("asked")

    async def _rest(self) -> None:
        while not self.answer.is_set():
            await asyncio.sleep(0.001)
        await pause(0.001)
        self.shown.append("rested")


@pytest.mark.parametrize("fails", [False, True])
@pytest.mark.parametrize("leaves", [False, True])
@on_screen
async def test_a_job_that_ends_while_its_widget_is_taken_away_does_nothing(
    leaves: bool, fails: bool
) -> None:
    working = Working(fails)

    class Shown(App[None]):
        def compose(self) -> ComposeResult:
            yield working

    app = Shown()
    async with app.run_test() as pilot:
        await comes(pilot, working.asked.is_set)
        removal = working.remove() if leaves else None
        if removal is not None:
            await working.part.leaves.wait()  # its parts go first; it follows
        jobs = list(app.workers)
        working.answer.set()
        while not all(job.is_finished for job in jobs):
            await asyncio.sleep(0.001)
        working.part.may_leave.set()
        if removal is not None:
            await removal
    told = {"It does not work" if fails else "asked", "rested"}
    assert set(working.shown) == (set() if leaves else told)


@pytest.mark.parametrize("name", LOOKS)
def test_every_text_of_every_look_stands_out_from_its_background(name: str) -> None:
    least = {"dark": 7.0, "light": 7.0, "contrast": 12.0}[name]  # WCAG 2.2, level AAA: 7
    for role, style in Looks(Terminal("256"), name).styles.items():
        if role == "rule":  # bars beside a number
            continue
        assert style.color is not None
        assert style.bgcolor is not None
        front, behind = (c.get_truecolor() for c in (style.color, style.bgcolor))
        lights = sorted(_luminance(c) for c in (front, behind))
        assert (lights[1] + 0.05) / (lights[0] + 0.05) >= least, (name, role)


def _luminance(colour: tuple[int, int, int]) -> float:
    """Return the relative luminance of WCAG 2.2."""
    linear = [
        c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4
        for c in (v / 255 for v in colour)
    ]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@on_screen
async def test_a_look_is_taken_from_the_menu_and_remembered() -> None:
    app = Stationbook(Screen())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("f8", *"light", "enter")
        await comes(pilot, lambda: app.looks.name == "light")
        assert app.theme == THEMES["light"].name
    assert Stationbook(Screen()).looks.name == "light"


@pytest.mark.parametrize(
    ("said", "shown"),
    [
        ("no board found in a.png. Take it again.", "No board found in a.png. Take it again."),
        ("poses.csv: cannot read it", "poses.csv: cannot read it"),
        ("board-missing must be put right first", "board-missing must be put right first"),
    ],
)
def test_a_sentence_begins_with_a_capital_and_a_name_as_it_is(said: str, shown: str) -> None:
    assert sentence(said) == shown
