"""The screen over a terminal: first picture, bytes for a typed pose, and how fast keys are shown.

    python tests/bench/bench_screen.py [--rounds 10] [--keys 200]

Every figure is of the real program in a pseudo-terminal of 80 × 24 cells (POSIX only). First
picture: from starting the process until the first station stands on the screen, beside a Textual
application with one line of text, in turns. Bytes: all that is sent from the first key of a pose
until it is stored. Echo: from a key until the pose line shows it, idle and while the board is
searched in images of 5 megapixels that keep coming.
"""

from __future__ import annotations

import argparse
import os
import select
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from threading import Event, Thread
from time import perf_counter, sleep

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from screen_bench import EXAMPLE, NOON, example, store
from screen_terminal import PROGRAM, Program

from engine.boards.points_file import points_text, read_points
from engine.sessions.confirmed import confirm
from engine.sessions.folder import open_session

BARE = """
from textual.app import App
from textual.widgets import Static

class Bare(App):
    def compose(self):
        yield Static("bare")

Bare().run()
"""
TERMINALS = {
    "true colour": {"COLORTERM": "truecolor"},
    "256 colours": {},
    "16 colours": {"TERM": "xterm"},
    "no colour": {"NO_COLOR": "1"},
}
SEARCHING = "The board is being searched"
PAUSE = 0.12  # s between keys: quick hands
PATIENCE = 60.0  # s


def main() -> None:
    """Print the three tables."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--rounds", type=int, default=10, help="starts of each program")
    parser.add_argument("--keys", type=int, default=200, help="keys for each row of the echo")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as parent:
        os.environ["STATIONBOOK_CONFIG"] = str(Path(parent) / "config")
        first_picture(example(Path(parent) / "first", 4), args.rounds)
        print()
        bytes_for_a_pose(Path(parent))
        print()
        echo(five_megapixels(Path(parent) / "echo"), args.keys)


# ---- first picture ------------------------------------------------------------------------------


def first_picture(folder: Path, rounds: int) -> None:
    """Print how long the first station takes to stand there, beside a bare application."""
    session = (*PROGRAM, "open", str(folder), "--follow")
    bare = (sys.executable, "-c", BARE)
    for words, sign in ((session, "4 ok"), (bare, "bare")):  # once unmeasured: files get cached
        started(words, sign)
    pairs = [(started(session, "4 ok"), started(bare, "bare")) for _ in range(rounds)]
    mine, theirs = np.array(pairs).T
    print("| first picture | median s | slowest s |\n|---|---|---|")
    for name, seconds in (("first station on the screen", mine), ("bare Textual app", theirs)):
        print(f"| {name} | {np.median(seconds):.3f} | {seconds.max():.3f} |")
    print(f"\nratio of the medians: {np.median(mine) / np.median(theirs):.2f}")


def started(words: tuple[str, ...], sign: str) -> float:
    """Return the seconds from starting a program until it shows ``sign``."""
    start = perf_counter()
    with Program(*words) as program:
        shown_after(program, lambda: sign in program.shown)
        return perf_counter() - start


def shown_after(program: Program, there: Callable[[], bool]) -> None:
    """Read as soon as anything comes, until ``there()``."""
    end = perf_counter() + PATIENCE
    while not there():
        if perf_counter() > end:
            raise SystemExit(f"not shown within {PATIENCE:.0f} s:\n{program.shown}")
        if select.select([program.fd], [], [], 0.5)[0]:
            program.read(0.001)


# ---- bytes --------------------------------------------------------------------------------------


def bytes_for_a_pose(parent: Path) -> None:
    """Print how much a terminal is sent for one pose, typed key by key and stored."""
    print("| one typed pose, 80 × 24 | bytes | s at 64 kbit/s |\n|---|---|---|")
    for number, (name, environ) in enumerate(TERMINALS.items()):
        with opened(example(parent / f"bytes-{number}", 4), **environ) as program:
            before = len(program.sent)
            for key in pose(5):
                program.send(key)
                program.read(PAUSE)
            program.until("F2 accepts it")
            program.quiet()
            program.press("f2")
            program.until("Accepted")
            program.press("enter")
            program.until("Station 5 stored")
            sent = len(program.sent) - before
        print(f"| {name} | {sent} | {sent * 8 / 64000:.2f} |")


@contextmanager
def opened(folder: Path, **environ: str) -> Iterator[Program]:
    """Open a session for recording and wait until everything that was worked out is shown."""
    with Program(*PROGRAM, "open", str(folder), **environ) as program:
        program.until("Who works at the robot?")
        program.press("enter")
        program.until("CAUTION", "NEXT")
        program.quiet(1.0)
        yield program


def pose(station: int) -> str:
    """Return the pose of a station of the example as it was typed."""
    found = open_session(EXAMPLE).station(station)
    if found is None or found.pose is None:
        raise SystemExit(f"the example has no pose {station}")
    return " ".join(found.pose)


# ---- echo ---------------------------------------------------------------------------------------


def five_megapixels(folder: Path) -> Path:
    """Return a session of four stations whose camera has twice the pixels each way."""
    example(folder, 4, source=True)
    session = open_session(folder)
    camera, board = session.cell.camera, session.cell.board
    width, height = camera.image_size_px
    matrix = np.array(camera.matrix)
    matrix[:2] *= 2.0
    matrix[:2, 2] += 0.5  # the centre of the first pixel is 0 in both
    for station in session.stations:
        ids, pixels, *_ = read_points(folder / str(station.points), board)
        text = points_text(ids, 2.0 * pixels + 0.5)
        (folder / str(station.points)).write_text(text, encoding="utf-8")
    rows = tuple(tuple(values) for values in matrix.tolist())
    larger = replace(camera, image_size_px=(2 * width, 2 * height), matrix=rows)
    store(folder, replace(session, cell=replace(session.cell, camera=larger)))
    confirm(folder, {"folder": "incoming"}, now=NOON)
    return folder


def echo(folder: Path, keys: int) -> None:
    """Print how long a key takes until the pose line shows it."""
    print("| key until it is shown | keys | median ms | p95 ms | slowest ms |")
    print("|---|---|---|---|---|")
    with opened(folder) as program:
        row("idle", [ms for ms, _ in typed(program, keys)])
        with images_coming(folder):
            program.until(SEARCHING)
            found = typed(program, 2 * keys)
        row("board searched in 5 megapixels", [ms for ms, searched in found if searched])


def row(name: str, ms: list[float]) -> None:
    """Print one row of the table."""
    median, p95 = np.percentile(ms, [50, 95])
    print(f"| {name} | {len(ms)} | {median:.0f} | {p95:.0f} | {max(ms):.0f} |")


def typed(program: Program, keys: int) -> list[tuple[float, bool]]:
    """Type poses; return for each key the ms until it was shown, and whether a search ran."""
    found: list[tuple[float, bool]] = []
    while len(found) < keys:
        program.press(*["\x7f"] * len(line(program)))
        program.quiet(0.3)
        for sign in pose(5).replace(" ", ";"):
            program.read(PAUSE)
            searched, wanted = SEARCHING in program.shown, line(program) + sign
            start = perf_counter()
            program.send(sign)
            shown_after(program, lambda wanted=wanted: line(program) == wanted)
            found.append((1000 * (perf_counter() - start), searched))
    return found


def line(program: Program) -> str:
    """Return what stands in the line of typing."""
    rows = [text for text in program.screen.display if "► Pose" in text]
    return rows[0].partition("Pose")[2].strip() if rows else ""


@contextmanager
def images_coming(folder: Path) -> Iterator[None]:
    """Deliver a new image of 5 megapixels again and again."""
    image = cv2.imread(str(EXAMPLE / "images/005.png"), cv2.IMREAD_GRAYSCALE)
    large = cv2.resize(image, None, fx=2.0, fy=2.0, interpolation=cv2.INTER_LINEAR)
    ended = Event()

    def deliver() -> None:
        for number in range(10_000):
            if ended.is_set():
                return
            large[0, 0] = number % 256  # another image each time
            large[0, 1] = number // 256
            data = cv2.imencode(".png", large, [cv2.IMWRITE_PNG_COMPRESSION, 1])[1].tobytes()
            aside = folder / f"incoming-{number}"
            aside.write_bytes(data)
            aside.rename(folder / "incoming" / f"{number:05d}.png")
            sleep(0.5)

    thread = Thread(target=deliver)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join()


if __name__ == "__main__":
    main()
