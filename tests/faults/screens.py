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
from pathlib import Path
from typing import NamedTuple

import cv2
import numpy as np
import yaml
from screen_bench import EXAMPLE, NOON, example
from screen_terminal import PROGRAM, Program

from engine.errors import StationbookError
from engine.sessions.confirmed import confirm
from engine.sessions.folder import observations, open_session
from engine.sessions.journal import altered
from engine.sessions.lock import writing

FIRST, LAST = 4, 5  # stations that are recorded on the screen
HALF = "612.4 -85.1 410"
NOISE = ("libpng", "TIFFRead", "JPEG data", "OpenCV", "grfmt", "Traceback")


class Step(NamedTuple):
    """Keys to press once ``before`` is shown, and the words that acknowledge them."""

    before: str
    keys: tuple[str, ...]
    said: str
    act: Callable[[Path], object] | None = None


@dataclass
class Kills:
    """How often the screen was killed, and what went wrong."""

    done: int = 0
    acknowledged: int = 0
    failed: list[str] = field(default_factory=list)


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


def deliver(number: int) -> Callable[[Path], object]:
    return lambda folder: shutil.copy(EXAMPLE / f"images/{number:03d}.png", folder / "incoming")


def script() -> list[Step]:
    """Return what the operator does: two stations, half a line, a result, the pointer's tip."""
    steps = [Step("Who works at the robot?", ("enter",), "NEXT", noise)]
    for number in (FIRST, LAST):
        line = " ".join(typed(number))
        steps.append(Step("NEXT", tuple(line), "88 of 88", deliver(number)))
        steps.append(Step("Ready.", ("enter",), f"Station {number} stored"))
    steps.append(Step("stored", tuple(HALF), "still to type"))
    steps.append(Step("still to type", ("f6",), "Verdict:"))
    steps.append(Step("Verdict:", ("p",), "Proof by touch"))
    steps.append(Step("Proof by touch", ("f3",), "tip in the flange frame"))
    steps.append(Step("tip in the flange", (*"0 0 150", "enter"), "How well the tip is known"))
    steps.append(Step("How well", (*"0.1", "enter"), "The pointer is described"))
    return steps


def killed(folder: Path, at: int, wait: float, found: Kills, *, sure: bool = False) -> Program:
    """Work at the screen up to step ``at``, and kill it ``wait`` s after its keys.

    With ``sure`` that step is waited for. Returns the terminal, to be looked at.
    """
    steps = script()
    with Program(*PROGRAM, "open", str(folder), size=(100, 30)) as program:
        for number, step in enumerate(steps[: at + 1]):
            program.until(step.before)
            if step.act is not None:
                step.act(folder)
            for key in step.keys:
                program.press(key)
                program.read(0.01)
            if number < at or sure:
                program.until(step.said)
        program.read(wait)
        os.kill(program.pid, signal.SIGKILL)
        program.leave()
    found.done += 1
    stored = [n for n in (FIRST, LAST) if any(f"Station {n} stored" in s.said for s in steps[:at])]
    found.acknowledged += len(stored)
    case = f"screen killed {wait:.2f} s after step {at}"
    found.failed += [f"{case}: {wrong}" for wrong in _lost(folder, stored)]
    said = program.sent.decode("utf-8", "replace")
    found.failed += [f"{case}: {word} on the terminal" for word in NOISE if word in said]
    return program


def _lost(folder: Path, stored: list[int]) -> list[str]:
    try:
        with writing(folder):
            session = open_session(folder)
        observations(session, folder)
        for name in ("result.yaml", "proof.yaml"):
            if (folder / name).exists():
                yaml.load((folder / name).read_bytes(), yaml.CSafeLoader)
        kept = {station.id: station.pose for station in session.stations}
        wanted = {n: typed(n) for n in (*range(1, FIRST), *stored)}
        lost = [f"station {n} is lost" for n, pose in wanted.items() if kept.get(n) != pose]
        return lost + [str(item) for item in altered(folder) if item.how != "added"]
    except (StationbookError, yaml.YAMLError) as error:
        return [str(error)]


def kill_screens(place: Path, count: int, seed: int) -> Kills:
    """Kill so many screens at drawn moments."""
    rng, found = random.Random(seed), Kills()
    for number in range(count):
        folder = prepared(place / f"session-{number}")
        killed(folder, rng.randrange(len(script())), rng.choice((0.0, 0.05, 0.3, 1.5)), found)
        shutil.rmtree(folder)
    return found
