"""The real program in a pseudo-terminal: what each kind of terminal gets, and what a cut leaves."""

from __future__ import annotations

import os
import re
import signal
import sys
import termios
from dataclasses import replace
from pathlib import Path

import pytest
from screen_bench import EXAMPLE, example, pose, store
from screen_terminal import PROGRAM, Program

from engine.cell.session import REVISIT, PlannedStation
from engine.sessions.folder import open_session
from engine.sessions.lock import writing

if sys.platform == "win32":
    pytest.skip("pseudo-terminals are a matter of POSIX systems", allow_module_level=True)

COLOUR = re.compile(rb"\x1b\[(?:[0-9;]*;)?(?:3[0-8]|4[0-8]|9[0-7]|10[0-7])(?:;[0-9;]*)?m")
MOST_BYTES = 2700  # for a typed pose at 80 × 24, its warning accepted, to the list that shows it


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Four stations, and two to visit again: what is planned already costs no planning."""
    folder = example(tmp_path / "session", 4)
    again = tuple(
        PlannedStation(station.pose, "base X +10 mm", f"{REVISIT}station {station.id}")
        for station in open_session(EXAMPLE).stations[5:7]
    )
    return store(folder, replace(open_session(folder), plan=again))


def now_or_later(program: Program) -> None:
    """Wait until the session is open; answer who is here, as the example is from long ago."""
    program.until("Who works at the robot?")
    program.press("enter")
    program.until("CAUTION", "NEXT")
    program.quiet()


def opening(folder: Path, *more: str, size: tuple[int, int] = (80, 24), **environ: str) -> Program:
    return Program(*PROGRAM, "open", str(folder), *more, size=size, **environ)


@pytest.mark.parametrize(
    "environ",
    [
        {"TERM": "xterm-256color", "COLORTERM": "truecolor"},
        {"TERM": "xterm-256color"},
        {"TERM": "xterm"},
        {"TERM": "linux", "STATIONBOOK_NO_MOUSE": "1"},
        {"TERM": "xterm-256color", "NO_COLOR": "1"},
        {"TERM": "xterm", "PYTHONIOENCODING": "ascii"},
    ],
    ids=["true", "256", "16", "console", "no-colour", "ascii"],
)
def test_every_terminal_shows_all_that_is_needed_in_24_lines_and_is_given_back_as_it_was(
    folder: Path, environ: dict[str, str]
) -> None:
    with opening(folder, **environ) as program:
        now_or_later(program)
        shown = program.shown
        for words in ("CAUTION", "enabling", "local rules come first", "NOT checked", "Pick U",
                      "Station 5:", "NEXT", "4 ok", "Pose", "Enter store", "F9 help"):  # fmt: skip
            assert words in shown, shown
        if "NO_COLOR" in environ:
            assert not COLOUR.findall(program.sent)
        else:
            assert COLOUR.findall(program.sent)
        if environ.get("PYTHONIOENCODING") == "ascii":
            assert program.sent.isascii()
            assert b"\\u" not in program.sent
        for mode in (b"?1000h", b"?1006h"):  # clicks
            assert (mode in program.sent) is ("STATIONBOOK_NO_MOUSE" not in environ)
        for mode in (b"?1002h", b"?1003h", b"?1015h"):  # movements
            assert mode not in program.sent
        program.send("\x03")
        program.until("Ctrl+C stops nothing here. Esc, then q leaves; what is typed is kept.")
        program.press("escape")
        program.quiet()
        program.press("q")
        assert program.leave() == 0
        assert program.sent.rfind(b"\x1b[?1049l") > program.sent.rfind(b"\x1b[?1049h")
        assert program.sent.rfind(b"\x1b[?25h") > program.sent.rfind(b"\x1b[?25l")


@pytest.mark.parametrize("term", ["dumb", "unknown"])
def test_a_terminal_that_cannot_show_it_is_refused_with_a_sentence(folder: Path, term: str) -> None:
    with opening(folder, TERM=term) as program:
        assert program.leave() == 2
        assert "cannot show the screen" in " ".join(program.shown.split())


def test_a_typed_pose_costs_few_bytes_and_a_cut_line_loses_nothing_and_locks_nobody_out(
    folder: Path,
) -> None:
    with opening(folder, COLORTERM="truecolor") as program:
        now_or_later(program)
        bytes_before = len(program.sent)
        for key in pose(5):
            program.send(key)
            program.read(0.03)
        program.until("F2 accepts it")
        program.quiet()
        program.press("f2")
        program.until("Accepted")
        program.press("enter")
        program.until("Station 5 stored")
        assert len(program.sent) - bytes_before <= MOST_BYTES
        program.send("612.40 -85")
        program.cut()
    assert [station.id for station in open_session(folder).stations] == [1, 2, 3, 4, 5]
    with opening(folder) as program:
        program.until("5 no image", "4 done, 1 without points")
    with writing(folder):
        pass


def test_an_image_is_sent_once_and_not_again_on_every_key(folder: Path) -> None:
    with opening(folder) as program:
        now_or_later(program)
        program.press("f8")
        program.until("What next?")
        program.send("pictures on\r")  # though this terminal answered nothing
        program.press("f3")
        program.until("Station 4: images/004.png")
        assert program.quiet(1.0) or program.sent.count("▀".encode()) > 200
        before = len(program.sent)
        program.press("x", "z", "x")
        program.quiet(0.5)
        assert len(program.sent) - before < 500


def test_it_follows_the_size_of_the_terminal(folder: Path) -> None:
    with opening(folder) as program:
        now_or_later(program)
        program.resize(132, 43)
        program.until("told way")
        program.resize(80, 24)
        program.quiet(1.0)
        assert "told way" not in program.until("CAUTION", "F9 help")


@pytest.mark.parametrize(
    ("content", "sentence"),
    [("", "the file is empty"), ("name: [\n", "not valid YAML"), ("format: 9\n", "newer than")],
)
def test_a_damaged_session_gives_one_sentence_and_status_2(
    tmp_path: Path, content: str, sentence: str
) -> None:
    (tmp_path / "session.yaml").write_text(content)
    with opening(tmp_path) as program:
        assert program.leave() == 2
        shown = " ".join(program.sent.decode(errors="replace").split())
        assert sentence in shown
        assert "Traceback" not in shown


def test_a_hangup_leaves_the_terminal_whole_and_half_a_line_kept(folder: Path) -> None:
    kept = ""
    for number, line in ((signal.SIGHUP, "612.4 -8"), (signal.SIGTERM, "5.1 41")):
        with opening(folder) as program:
            now_or_later(program)
            assert kept in program.shown
            program.send(line)
            kept += line
            program.until(kept)
            os.kill(program.pid, number)
            assert program.leave() == 128 + number
            local = termios.tcgetattr(program.fd)[3]
            assert local & termios.ECHO
            assert local & termios.ICANON
            assert b"\x1b[?1049l" in program.sent
    with opening(folder) as program:
        now_or_later(program)
        assert kept in program.shown


def test_esc_and_a_letter_in_one_packet_are_two_keys_on_every_page(folder: Path) -> None:
    with opening(folder) as program:
        now_or_later(program)
        program.send("\x1bh")
        program.until("A table of poses")
        program.send("\x1bm")
        program.until("Did the camera move?")
        program.send("\x1b1")
        program.until("► Pose", "still to type")
