"""The real screen in a terminal of its own, killed while somebody works at it.

Keys are pressed until a drawn moment, then the program gets SIGKILL, which nothing can hold off.
What the screen had acknowledged by then must be in the folder, and what was typed half must come
back. Meanwhile the camera's folder gets images on which libraries write complaints: nothing of that
may reach the terminal.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import NamedTuple

import cv2
import numpy as np
import yaml
from later_session import make_later
from made_session import make_session
from screen_bench import EXAMPLE, NOON, example
from screen_terminal import PROGRAM, Program
from touching import TIP, TIP_U, lay_board, touch_pose

from engine.cell.session import Session, Station
from engine.errors import StationbookError
from engine.proof.touch import Touches, read_touches
from engine.sessions.changes import Who, commit
from engine.sessions.confirmed import confirm
from engine.sessions.folder import open_session
from engine.sessions.journal import altered, read_journal
from engine.sessions.lock import writing
from engine.sessions.numbers import observations
from engine.sessions.results import read_result
from engine.simulate.scenario import truth
from engine.steps.solve import keep, solve_session
from engine.steps.starting import Answers, answer_questions

FIRST, LAST = 4, 5  # stations that are recorded on the screen
HALF = "612.4 -85.1 410"
NOISE = ("libpng", "TIFFRead", "JPEG data", "OpenCV", "grfmt", "Traceback")
PATIENT = 120.0  # s for one answer of the screen; then the run counts as failed
MOVED = np.array([0.003, 0.0, 0.0, 4.0, 0.0, 0.0])  # [rad, mm] of the camera before the recheck
TOUCHED = (0, 10)  # points of the board


class Step(NamedTuple):
    """Keys to press once ``before`` is shown, the words that acknowledge them, and whether a folder
    then holds what they say."""

    before: str
    keys: tuple[str, ...]
    said: str
    act: Callable[[Path], object] | None = None
    kept: Callable[[Path], bool] = lambda folder: True


class Tour(NamedTuple):
    """Work at one session: makes its folder at a place, then does the steps."""

    made: Callable[[Path], Path]
    steps: Callable[[Path], list[Step]]


@dataclass
class Kills:
    """How often the screen was killed, and what went wrong."""

    done: int = 0
    acknowledged: int = 0
    failed: list[str] = field(default_factory=list)


# ---- recording, with an image of before that is taken by F4 ------------------------------------


def prepared(folder: Path) -> Path:
    """Make a session of three stations whose image folder is confirmed."""
    made = example(folder, FIRST - 1, source=True)
    confirm(made, {"folder": "incoming"}, now=NOON)
    return made


def typed(number: int) -> tuple[str, ...]:
    """Return what the operator of the example typed at a station."""
    return open_session(EXAMPLE).existing(number).pose or ()


def noise(folder: Path) -> None:
    """Let the camera's program save images that are damaged in ways that libraries complain of."""
    incoming, grey = folder / "incoming", cv2.imread(str(EXAMPLE / "images" / "001.png"), 0)
    for kind, cut in (("tiff", 0.5), ("png", 0.9), ("jpg", 0.7)):
        data = cv2.imencode(f".{kind}", grey)[1].tobytes()
        (incoming / f"cut.{kind}").write_bytes(data[: int(len(data) * cut)])
        middle = len(data) // 2
        spoilt = data[:middle] + np.random.default_rng(1).bytes(200) + data[middle + 200 :]
        (incoming / f"spoilt.{kind}").write_bytes(spoilt)


def deliver(number: int, taken: datetime | None = None) -> Callable[[Path], object]:
    """Return what lets the camera's program save the image of a station."""

    def save(folder: Path) -> None:
        path = folder / "incoming" / f"{number:03d}.png"
        shutil.copy(EXAMPLE / f"images/{number:03d}.png", path)
        if taken is not None:
            os.utime(path, (taken.timestamp(), taken.timestamp()))

    return save


def holds(number: int, check: Callable[[Station], bool]) -> Callable[[Path], bool]:
    """Return whether a folder holds a station for which ``check`` says so."""

    def kept(folder: Path) -> bool:
        station = open_session(folder).station(number)
        return station is not None and check(station)

    return kept


def stored(number: int) -> Callable[[Path], bool]:
    """Return whether a folder holds a station as the operator of the example typed it."""
    return holds(number, lambda station: station.pose == typed(number))


def entered(number: int) -> list[Step]:
    """Return the steps by which a station is recorded."""
    line = tuple(" ".join(typed(number)))
    return [
        Step("NEXT", line, "88 of 88", deliver(number)),
        Step("Ready.", ("enter",), f"Station {number} stored", None, stored(number)),
    ]


def recording(folder: Path) -> list[Step]:
    """Return what the operator does: two stations and half a line."""
    return [
        Step("Who works at the robot?", ("enter",), "NEXT", noise),
        *entered(FIRST),
        *entered(LAST),
        Step("stored", tuple(HALF), "still to type"),
    ]


def waiting(folder: Path) -> Path:
    """Make such a session, with an image in the camera's folder that is days older."""
    deliver(FIRST, NOON - timedelta(days=5))(prepared(folder))
    return folder


def taking(folder: Path) -> list[Step]:
    """Return what the operator does to take an image that is older than the session."""
    return [
        Step("Who works at the robot?", ("enter",), "F4 takes it"),
        Step("F4 takes it", ("f4",), "88 of 88"),
        Step("88 of 88", tuple(" ".join(typed(FIRST))), "image-old"),
        Step("image-old", ("f2",), "accepted"),
        Step("accepted", ("enter",), f"Station {FIRST} stored", None, stored(FIRST)),
        *entered(LAST),
    ]


# ---- changing stations by hand, solving, the report --------------------------------------------


def whole(folder: Path) -> bool:
    """Tell whether the report is there to its end."""
    return (folder / "report.html").read_text(encoding="utf-8").rstrip().endswith("</html>")


def editing(folder: Path) -> list[Step]:
    """Return what the operator does: note, aside, another pose and back, result, report, leave."""
    first, second = holds(1, lambda s: s.note is not None), holds(1, lambda s: not s.use)
    before = open_session(folder).existing(2).pose
    remark = (*("up",) * 9, "n", *"seen", "enter")
    other = ("down", "e", "\x7f", "7", "\x0b")
    return [
        Step("Who works at the robot?", ("enter", "escape"), "a aside"),
        Step("a aside", remark, "Remark kept", None, first),
        Step("Remark kept", ("a", *"smudged", "enter"), "is set aside", None, second),
        Step("is set aside", other, "Enter stores it"),
        Step("Enter stores it", ("enter",), "corrected"),
        Step("corrected", ("f7",), "Taken back", None, holds(2, lambda s: s.pose == before)),
        Step("Taken back", ("f6",), "Verdict:", None, lambda at: bool(read_result(at))),
        Step("Verdict:", ("r",), "Written:", None, whole),
        Step("Written:", ("\x11",), ""),
    ]


# ---- the proof ---------------------------------------------------------------------------------


def answered(folder: Path) -> Path:
    """Answer the start questions of a session of the simulated cell."""
    with writing(folder):
        session = open_session(folder)
        pitch = session.cell.board.pitch_mm
        answers = Answers("A. Example", "flange", "base", True, pitch, True)
        commit(folder, answer_questions(session, answers), Who("A. Example", NOON))
    return folder


def measured(folder: Path) -> Path:
    """Make a session of eight stations that solves."""
    make_session(folder, 8)
    return answered(folder)


def touches(check: Callable[[Touches], bool]) -> Callable[[Path], bool]:
    """Return whether a folder holds touches of which ``check`` says so."""
    return lambda folder: check(read_touches(folder))


def proving(folder: Path) -> list[Step]:
    """Return what the operator does: solve, describe the pointer, an image, touches, conclude."""
    rng = np.random.default_rng(8)
    laid = lay_board(folder.parent, 1, truth(), np.array([600.0, 0.0, 250.0]), rng)
    lines = [f"{point} {touch_pose(laid, point, rng)}" for point in TOUCHED]
    tip = " ".join(f"{x:g}" for x in TIP)
    return [
        Step("Pick U", ("f6",), "Verdict:"),
        Step("Verdict:", ("p",), "Proof by touch"),
        Step("Proof by touch", ("f3",), "tip in the flange frame"),
        Step("tip in the flange", (*tip, "enter"), "How well the tip is known"),
        Step("How well", (*f"{TIP_U:g}", "enter"), "The pointer is described", None,
             touches(lambda found: found.pointer is not None)),
        Step("The pointer is described", ("f4",), "Board in the cell"),
        Step("Board in the cell", (*str(laid.points), "enter"), "is stored", None,
             touches(lambda found: len(found.views) == 1)),
        Step("is stored", (*lines[0], "enter"), "Touch 1 stored", None,
             touches(lambda found: len(found.touches) >= 1)),
        Step("Touch 1 stored", (*lines[1], "enter"), "Touch 2 stored", None,
             touches(lambda found: len(found.touches) >= 2)),
        Step("Touch 2 stored", ("f6",), "Stored with the result", None,
             lambda at: read_result(at).proof is not None),
        Step("Stored with the result", ("escape",), "t find tip"),
        Step("t find tip", ("x",), "Leave touch"),
        Step("Leave touch", ("y",), "is left out", None,
             touches(lambda found: any(not touch.use for touch in found.touches))),
        Step("is left out", ("q", "q", "q"), ""),
    ]  # fmt: skip


# ---- the recheck -------------------------------------------------------------------------------


def moved(folder: Path) -> Path:
    """Make an earlier session with its result, and a new one beside it, the camera moved."""
    earlier = folder.with_name(f"{folder.name}-earlier")
    make_session(earlier, 8)
    with writing(earlier):
        session = open_session(earlier)
        change = keep(solve_session(session, earlier), session, earlier)
        commit(earlier, change, Who("A. Example", NOON))
    make_later(folder, 5, shift=MOVED)
    return answered(folder)


def noted(folder: Path) -> bool:
    """Tell whether the journal holds the answer of the recheck."""
    return any(line["action"] == "recheck" for line in read_journal(folder))


def rechecking(folder: Path) -> list[Step]:
    """Return what the operator does: recheck, quick re-calibration, report."""
    return [
        Step("Pick U", ("escape",), "a aside"),
        Step("a aside", ("m",), "Enter compares"),
        Step("Enter compares", ("enter",), "CAMERA MOVED", None, noted),
        Step("CAMERA MOVED", ("b",), "Verdict:", None, lambda at: bool(read_result(at))),
        Step("Verdict:", ("r",), "Written:", None, whole),
        Step("Written:", ("\x11",), ""),
    ]


TOURS = {
    "recording": Tour(prepared, recording),
    "taking": Tour(waiting, taking),
    "editing": Tour(example, editing),
    "proving": Tour(measured, proving),
    "rechecking": Tour(moved, rechecking),
}


# ---- killing -----------------------------------------------------------------------------------


def killed(
    folder: Path, name: str, at: int, wait: float, found: Kills, *, sure: bool = False
) -> Program | None:
    """Work at the screen up to step ``at`` of a tour, and kill it ``wait`` s after its keys.

    With ``sure`` that step is waited for. Returns the terminal, to be looked at.
    """
    steps = TOURS[name].steps(folder)
    before = open_session(folder)
    case = f"{name}: screen killed {wait:.2f} s after step {at}"
    found.done += 1
    with Program(*PROGRAM, "open", str(folder), size=(100, 30)) as program:
        program.patience = PATIENT
        try:
            for number, step in enumerate(steps[: at + 1]):
                program.until(step.before)
                if step.act is not None:
                    step.act(folder)
                for key in step.keys:
                    program.press(key)
                    program.read(0.01)
                if step.said and (number < at or sure):
                    program.until(step.said)
        except AssertionError as error:
            found.failed.append(f"{case}: {error}")
        program.read(wait)
        os.kill(program.pid, signal.SIGKILL)
        program.leave()
    told = steps[: at + sure]
    found.acknowledged += len(told)
    found.failed += [f"{case}: {wrong}" for wrong in _lost(folder, before, told)]
    said = program.sent.decode("utf-8", "replace")
    found.failed += [f"{case}: {word} on the terminal" for word in NOISE if word in said]
    return program


def _lost(folder: Path, before: Session, told: list[Step]) -> list[str]:
    """Return what is not there of what the session held, and of what the screen told."""
    try:
        with writing(folder):
            session = open_session(folder)
        observations(session, folder)
        for name in ("result.yaml", "proof.yaml"):
            if (folder / name).exists():
                yaml.load((folder / name).read_bytes(), yaml.CSafeLoader)
        kept = {station.id for station in session.stations}
        lost = [f"station {s.id} is lost" for s in before.stations if s.id not in kept]
        lost += [f"{step.said!r} is not true" for step in told if not step.kept(folder)]
        return lost + [str(item) for item in altered(folder) if item.how != "added"]
    except (StationbookError, OSError, yaml.YAMLError) as error:
        return [str(error)]


def kill_screens(place: Path, count: int, seed: int) -> Kills:
    """Kill so many screens: of each tour in turn after one step more, at drawn moments."""
    rng, found, names = random.Random(seed), Kills(), list(TOURS)
    for number in range(count):
        name = names[number % len(names)]
        folder = TOURS[name].made(place / f"screens-{number}" / "session")
        at = number // len(names) % len(TOURS[name].steps(folder))
        killed(folder, name, at, rng.choice((0.0, 0.05, 0.3, 1.5)), found)
        shutil.rmtree(folder.parent)
    return found
