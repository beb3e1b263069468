"""Pictures by the terminal's own graphics, before stand-ins that answer as terminals do."""

from __future__ import annotations

import base64
import io
import re
import sys
from collections.abc import Iterator

import numpy as np
import pytest
from PIL import Image
from screen_bench import EXAMPLE
from screen_terminal import Program
from textual.events import Key

from tui.widgets.graphics import ASK, ASK_PLAIN, Answered, Answers, Pictures, drawn
from tui.widgets.looks import Terminal

SIXEL, KITTY, NEITHER = "\x1b[?62;4;22c", "\x1b_Gi=31;OK\x1b\\\x1b[?62;22c", "\x1b[?6c"
CELL = "\x1b[6;20;10t"
PLACEHOLDER = chr(0x10EEEE)  # kitty's protocol: a cell that shows part of a picture
PICTURE = np.zeros((80, 120, 3), np.uint8)
PICTURE[20:60, 30:90] = (200, 120, 40)


def told(*parts: str) -> tuple[list[Answered], str]:
    """Feed what a terminal sends; return its answers, and what came through as keys."""
    parser = Answers()
    found = [message for part in parts for message in parser.feed(part)]
    keys = "".join(m.character or m.key for m in found if isinstance(m, Key))
    return [m for m in found if isinstance(m, Answered)], keys


@pytest.mark.parametrize(
    ("answer", "protocol"), [(SIXEL, "sixel"), (KITTY, "kitty"), (NEITHER, None)]
)
def test_answers_are_understood_and_never_typed(answer: str, protocol: str | None) -> None:
    answers, keys = told(f"61{CELL}{answer}2.4")
    assert [a.protocol for a in answers] == [protocol]
    assert answers[0].cell_px == (10, 20)
    assert keys == "612.4"


@pytest.mark.parametrize(
    ("sent", "keys"),
    [
        (("\x1bq\x1b", "b5\x1b1\x1b\r"), "escape q escape b 5 escape 1 escape enter"),
        (("\x1b", "[A\x1bOP\x1b\x7f"), "up f1 ctrl+w"),
        (("\x1b\x1bf", "\x1b[200~1 \x1bq\x1b[201~"), "escape escape f escape 1 \x1bq"),
    ],
)
def test_esc_and_a_key_at_once_are_two_keys(sent: tuple[str, ...], keys: str) -> None:
    parser = Answers()
    found = [event for data in sent for event in parser.feed(data)]
    said = [event.key if isinstance(event, Key) else event.text for event in found]  # type: ignore[attr-defined]
    assert " ".join(said) == keys


# Cut anywhere but where what came could be the Escape key as well.
CUTS = [at for at in range(3, len(KITTY)) if not KITTY[:at].endswith(("\\\x1b", "\\\x1b["))]


@pytest.mark.parametrize("at", CUTS)
def test_an_answer_in_two_pieces_is_taken_whole(at: int) -> None:
    answers, keys = told(KITTY[:at], KITTY[at:] + "7")
    assert [a.protocol for a in answers] == ["kitty"]
    assert keys == "7"


def test_a_kitty_that_refuses_and_keys_that_look_alike_are_told_apart() -> None:
    answers, keys = told("\x1b_Gi=31;EINVAL:no\x1b\\\x1b[?1;2c", "\x1b[5~")
    assert [a.protocol for a in answers] == [None]
    assert keys == "pageup"


def test_pictures_come_only_over_a_quick_line_unless_wished() -> None:
    def asked(wish: str, seconds: float) -> Pictures:
        pictures = Pictures(Terminal(), "xterm-256color", wish)
        assert pictures.question() == ASK
        assert pictures.question() == ""  # once at a time
        answer = Answered("sixel", None)
        assert pictures._asked_at is not None
        answer.at = pictures._asked_at + seconds
        pictures.answered(answer)
        return pictures

    assert asked("auto", 0.1).shown
    assert not asked("auto", 0.1).lean
    slow = asked("auto", 2.0)
    assert not slow.shown
    assert slow.lean
    assert slow.drawing is None
    assert slow.question() == ASK  # a busy machine is asked again
    assert asked("on", 2.0).shown
    off = asked("off", 0.1)
    assert not off.shown
    assert off.drawing is None


@pytest.mark.parametrize("term", ["linux", "tmux-256color", "screen", "vt220"])
def test_a_terminal_that_would_print_the_question_is_asked_another(term: str) -> None:
    assert Pictures(Terminal(), term, "auto").question() == ASK_PLAIN


def test_without_colours_nothing_is_drawn_by_the_terminal() -> None:
    pictures = Pictures(Terminal("none"), "xterm", "on")
    assert pictures.question() == ASK_PLAIN
    pictures.answered(Answered("sixel", None))
    assert pictures.drawing is None


def test_sixels_hold_the_picture() -> None:
    graphic = drawn("sixel", PICTURE, (10, 20), "a")
    assert (graphic.columns, graphic.rows) == (12, 4)
    assert graphic.over.startswith("\x1bP")
    assert graphic.over.endswith("\x1b\\")
    assert sixel_size(graphic.over) == (120, 80)


def sixel_size(sixels: str) -> tuple[int, int]:
    """Count columns and rows of six by the DEC manual (VT330/VT340, chapter 14; from memory)."""
    body = re.sub(r'^\x1bP[\d;]*q("[\d;]*)?', "", sixels).removesuffix("\x1b\\")
    body = re.sub(r"#\d+(;\d+){0,4}", "", body)
    bands = [band for band in body.split("-") if band]
    wide = 0
    for run in (run for band in bands for run in band.split("$")):
        wide = max(wide, sum(int(n or 1) for n in re.findall(r"(?:!(\d+))?[?-~]", run)))
    return wide, min(6 * len(bands), 80)


def test_a_kitty_gets_the_picture_as_png_once_and_placeholders_for_it() -> None:
    graphic = drawn("kitty", PICTURE, (10, 20), "a")
    payload = "".join(re.findall(r"\x1b_G[^;\x1b]*;([^\x1b]*)\x1b\\", graphic.first))
    sent = Image.open(io.BytesIO(base64.b64decode(payload)))
    assert sent.size == (120, 80)
    assert sent.convert("RGB").getpixel((60, 40)) == (200, 120, 40)
    assert len(graphic.cells) == 4
    assert all(segment.text.count(PLACEHOLDER) == 12 for segment in graphic.cells)
    (number,) = set(re.findall(r"i=(\d+)", graphic.first))
    assert f"i={number}" in graphic.last


# ---- the whole program before a stand-in --------------------------------------------------------

LOOK = """
import sys
from pathlib import Path
from tui.app import Stationbook
from tui.desk.desk import Desk
from tui.desk.entry import Entry
from tui.screens.images import Look
desk = Desk(Path(sys.argv[1]), follow=True)
desk.open()
Stationbook(Look(desk, Entry(), 2)).run()
"""


class StandIn(Program):
    """A terminal that answers what it is asked, as its kind does."""

    answer = ""

    def read(self, seconds: float) -> bytes:
        got = super().read(seconds)
        if b"\x1b[16t" in got:
            self.send(CELL)
        if b"\x1b[c" in got:
            self.send(self.answer)
        return got


@pytest.fixture(params=[SIXEL, KITTY, NEITHER], ids=["sixel", "kitty", "neither"])
def terminal(request: pytest.FixtureRequest) -> Iterator[StandIn]:
    with StandIn(sys.executable, "-c", LOOK, str(EXAMPLE)) as program:
        program.answer = request.param
        yield program


def test_an_image_is_drawn_as_the_terminal_can(terminal: StandIn) -> None:
    terminal.until("Station 2")
    drawn_by = {SIXEL: b"\x1bP", KITTY: PLACEHOLDER.encode(), NEITHER: "▀".encode()}
    wanted = drawn_by.pop(terminal.answer)
    for _ in range(200):
        if wanted in terminal.sent:
            break
        terminal.read(0.1)
    terminal.quiet(1.0)
    assert wanted in terminal.sent
    assert terminal.sent.count(b"\x1b[c") == 1
    if terminal.answer == NEITHER:
        assert not any(other in terminal.sent for other in drawn_by.values())
    elif terminal.answer == SIXEL:
        start = terminal.sent.rindex(b"\x1bP")
        assert terminal.sent[:start].endswith(b"\x1b[2;1H")  # below the name, at the left border
    terminal.press("2")
    terminal.until("Where the board was seen", "·" * 40)  # the map too, not its legend alone
    terminal.press("q")
