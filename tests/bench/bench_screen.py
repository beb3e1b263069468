"""The screen over a terminal: first picture, verdict, memory, bytes, and how fast keys are shown.

    python tests/bench/bench_screen.py [--rounds 10] [--keys 200] [--only first verdict ...]

Every figure is of the real program in a pseudo-terminal of 80 × 24 cells (POSIX only), byte code
kept as of an installed program. First picture: from starting the process until the first station
(or, of the start page, the first folder) stands on the screen, beside a Textual application with
one line of text, in turns; wall, and processor time of the process. Verdict: from the last key of
a pose until the screen was sent what it goes on showing, with an image of the stop there, beside a
bare Textual application that answers a key below its field. Memory: what
the process holds (RSS) once the session is open and nothing moves any more. Headline: from Enter
until the next move stands there, with other processes keeping every core busy. Bytes: all that is
sent from the first key of a pose until it is stored, at the start, and for a page. Echo: from a key
until the pose line shows it, idle and while the board is searched in images of 5 megapixels.
"""

from __future__ import annotations

import argparse
import os
import select
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from threading import Event, Thread
from time import perf_counter, sleep

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from made_session import goals, make_session
from screen_bench import EXAMPLE, NOON, example, store
from screen_terminal import PROGRAM, Program

from engine.boards.points_file import points_text, read_points
from engine.images.load import encode_png
from engine.sessions.confirmed import confirm
from engine.sessions.folder import open_session
from engine.simulate.scenario import truth
from engine.simulate.virtual_cell import VirtualCell

BARE = """
from textual.app import App
from textual.widgets import Static

class Bare(App):
    def compose(self):
        yield Static("bare")

Bare().run()
"""
ANSWERING = """
from textual.app import App
from textual.widgets import Input, Static

class Answering(App):
    def compose(self):
        yield Input()
        yield Static(" 0 signs")

    def on_input_changed(self, message):
        self.query_one(Static).update(f" {len(message.value)} signs")

Answering().run()
"""
INSTALLED = (sys.executable, "-c", "import sys; from tui.main import main; sys.exit(main())")
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
    """Print the tables."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--rounds", type=int, default=10, help="starts of each program")
    parser.add_argument("--keys", type=int, default=200, help="keys for each row of the echo")
    parser.add_argument("--only", nargs="*", choices=TABLES, default=list(TABLES))
    args = parser.parse_args()
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    with tempfile.TemporaryDirectory() as parent:
        os.environ["STATIONBOOK_CONFIG"] = str(Path(parent) / "config")
        for name in args.only:
            (Path(parent) / name).mkdir()
            TABLES[name](Path(parent) / name, args)
            print(flush=True)


# ---- first picture ------------------------------------------------------------------------------


def first_picture(parent: Path, args: argparse.Namespace) -> None:
    """Print how long the first pictures take to stand there, beside a bare application."""
    session = example(parent / "sessions" / "bottling", 4)
    programs = {
        "bare Textual app": ((sys.executable, "-c", BARE), "bare"),
        "a session, first station": ((*INSTALLED, "open", str(session), "--follow"), "4 ok"),
        "start page, first folder": ((*INSTALLED, "--sessions", str(session.parent)), "bottling"),
    }
    found: dict[str, list[tuple[float, float]]] = {name: [] for name in programs}
    for counted in range(args.rounds + 1):  # the first round is not: files get cached
        for name, (words, sign) in programs.items():
            cost = started(words, sign)
            if counted:
                found[name].append(cost)
    floor = np.array(found["bare Textual app"])
    print("| first picture | wall s | processor s | ratio of wall | of processor |")
    print("|---|---|---|---|---|")
    for name, costs in found.items():
        (wall, cpu), ratio = np.median(costs, axis=0), np.median(np.array(costs) / floor, axis=0)
        print(f"| {name} | {wall:.3f} | {cpu:.3f} | {ratio[0]:.2f} | {ratio[1]:.2f} |")


def started(words: tuple[str, ...], sign: str) -> tuple[float, float]:
    """Return the seconds, wall and processor, from starting a program until it shows ``sign``."""
    start = perf_counter()
    with Program(*words) as program:
        shown_after(program, lambda: sign in program.shown)
        return perf_counter() - start, processor(program.pid)


def processor(pid: int) -> float:
    """Return the processor seconds that a process has used, all threads together (Linux)."""
    spent = 0
    for thread in Path(f"/proc/{pid}/task").iterdir():
        with suppress(OSError):  # one that has ended
            spent += int((thread / "schedstat").read_text().split()[0])
    return spent / 1e9


def shown_after(program: Program, there: Callable[[], bool]) -> float:
    """Read as soon as anything comes, until ``there()``; return when the last of it came."""
    came = perf_counter()
    end = came + PATIENCE
    while not there():
        if perf_counter() > end:
            raise SystemExit(f"not shown within {PATIENCE:.0f} s:\n{program.shown}")
        if select.select([program.fd], [], [], 0.5)[0]:
            came = perf_counter()
            program.read(0.001)
    return came


# ---- verdict ------------------------------------------------------------------------------------


def verdict(parent: Path, args: argparse.Namespace) -> None:
    """Print how long the verdict takes after the last key of a pose, and what flickers before."""
    print("| verdict | keys | median ms | p95 ms | processor ms | p95 ms | texts that passed by |")
    print("|---|---|---|---|---|---|---|")
    poses = args.keys // 8
    with Program(sys.executable, "-c", ANSWERING) as program:
        program.until("0 signs")
        program.quiet()
        costs = []
        for number in range(1, poses + 1):
            costs.append(answered(program, "7", lambda n=number: f" {n} signs" in program.shown))
            program.quiet(0.1)
    verdict_row("floor: a bare Textual app, one field and its length", costs, "")
    for stations in (0, 8, 15, 60):
        folder, pose = before_a_stop(parent / str(stations), stations)
        with opened(folder) as program:
            head, _, tail = pose.rpartition(" ")
            type_slowly(program, head)
            passing, costs, shown = 0, [], ""
            for _ in range(poses + 1):  # the first one is not counted
                passing = max(passing, type_slowly(program, f" {tail[:-1]}"))
                program.read(PAUSE)
                if shown:
                    costs.append(
                        answered(program, tail[-1], lambda wanted=shown: program.shown == wanted)
                    )
                else:
                    program.send(tail[-1])
                program.quiet()
                if shown and program.shown != shown:
                    raise SystemExit(f"not at rest:\n{shown}\nbut\n{program.shown}")
                shown = program.shown
                program.press(*["\x7f"] * (len(tail) + 1))
                program.quiet()
        verdict_row(f"{stations} stations", costs, str(passing))


def answered(program: Program, key: str, there: Callable[[], bool]) -> tuple[float, float]:
    """Press a key; return the ms, wall and processor, until what shows ``there()`` came."""
    before, start = processor(program.pid), perf_counter()
    program.send(key)
    came = shown_after(program, there)
    return 1000 * (came - start), 1000 * (processor(program.pid) - before)


def verdict_row(name: str, costs: list[tuple[float, float]], passing: str) -> None:
    """Print one row of the table."""
    (wall, cpu), (wall_p95, cpu_p95) = np.percentile(costs, [50, 95], axis=0)
    print(
        f"| {name} | {len(costs)} | {wall:.0f} | {wall_p95:.0f} | {cpu:.0f} | {cpu_p95:.0f} "
        f"| {passing} |",
        flush=True,
    )


def type_slowly(program: Program, text: str) -> int:
    """Type; return the most texts that stood below the fields and went without a key."""
    most = 0
    for sign in text:
        program.send(sign)
        said: list[str] = []
        end = perf_counter() + PAUSE
        while (left := end - perf_counter()) > 0:
            if select.select([program.fd], [], [], left)[0]:
                program.read(0.001)
            below = program.shown.partition("► Pose")[2].partition("\n")[2]
            if below not in said:
                said.append(below)
        most = max(most, len(said) - 2)  # what stood before the key, and what stands after it
    return most


def before_a_stop(folder: Path, stations: int) -> tuple[Path, str]:
    """Make a session at whose next stop the image was just taken; return it and the pose there."""
    make_session(folder, max(stations, 1))
    session = open_session(folder)
    virtual = VirtualCell(session.cell, truth(), 0)
    virtual.go_to(goals(stations + 1)[stations])
    (folder / "incoming").mkdir()
    camera = replace(session.cell.camera, source={"folder": "incoming"})
    recorded = session.stations[:stations]
    store(
        folder,
        replace(session, cell=replace(session.cell, camera=camera), stations=recorded),
        answered=True,
    )
    confirm(folder, {"folder": "incoming"}, now=NOON)
    pose = " ".join(virtual.pendant_pose())
    (folder / "incoming" / "next.png").write_bytes(encode_png(virtual.take_image()))
    return folder, pose


# ---- memory -------------------------------------------------------------------------------------


def memory(parent: Path, args: argparse.Namespace) -> None:
    """Print what the process holds once it is open and nothing moves any more."""
    print("| memory of the screen, settled | MB |\n|---|---|")
    for stations in (4, 1000):
        folder = parent / str(stations)
        make_session(folder, stations)
        store(folder, open_session(folder), answered=True)
        with opened(folder) as program:
            at_rest(program)
            print(f"| {stations} stations | {resident(program.pid):.0f} |")


def at_rest(program: Program) -> None:
    """Wait until the process does next to nothing: solved, planned and painted."""
    before = -1.0
    while processor(program.pid) - before > 0.1:
        before = processor(program.pid)
        program.quiet(1.0)
        program.read(3.0)


def resident(pid: int) -> float:
    """Return the memory that a process holds [MB] (Linux)."""
    rows = Path(f"/proc/{pid}/status").read_text().splitlines()
    return int(next(row for row in rows if row.startswith("VmRSS")).split()[1]) / 1024


# ---- bytes --------------------------------------------------------------------------------------


def bytes_sent(parent: Path, args: argparse.Namespace) -> None:
    """Print what a terminal is sent for one pose, typed key by key and stored, and for pages."""
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
    print("\n| opened, true colour | bytes | screenfuls |\n|---|---|---|")
    for size in ((80, 24), (132, 43)):
        folder = example(parent / f"pages-{size[0]}", 9)
        with opened(folder, size=size, **TERMINALS["true colour"]) as program:
            pages = {"start": len(program.sent)}
            program.press("escape")
            program.quiet()
            for name, key in (("help", "f9"), ("result", "w")):
                before = len(program.sent)
                program.press(key)
                at_rest(program)
                pages[name] = len(program.sent) - before
                program.press("escape")
                program.quiet()
        for name, sent in pages.items():
            print(f"| {name}, {size[0]} × {size[1]} | {sent} | {sent / (size[0] * size[1]):.2f} |")


@contextmanager
def opened(folder: Path, size: tuple[int, int] = (80, 24), **environ: str) -> Iterator[Program]:
    """Open a session for recording and wait until everything that was worked out is shown."""
    with Program(*PROGRAM, "open", str(folder), size=size, **environ) as program:
        program.until("CAUTION")
        at_rest(program)
        if "Who works at the robot?" in program.shown:
            program.press("enter")
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


def echo(parent: Path, args: argparse.Namespace) -> None:
    """Print how long a key takes until the pose line shows it."""
    folder, keys = five_megapixels(parent / "session"), args.keys
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


# ---- headline -----------------------------------------------------------------------------------


def headline(parent: Path, args: argparse.Namespace) -> None:
    """Print how long the next move takes after Enter while other processes keep the cores busy."""
    print("| after Enter | busy processes | planning shown, s | next move, s |\n|---|---|---|---|")
    for busy in (0, 4):
        folder, pose = before_a_stop(parent / str(busy), 8)
        with opened(folder) as program, burning(busy):
            program.send(pose)
            program.until("Ready. Enter stores it.")
            start = perf_counter()
            program.press("enter")
            shown_after(program, lambda: "Station 9 stored" in program.shown)
            shown_after(program, lambda: "lanning" in program.shown)
            planning = perf_counter() - start
            shown_after(program, lambda: "jog base" in program.shown)
            print(f"| 8 stations | {busy} | {planning:.2f} | {perf_counter() - start:.2f} |")


@contextmanager
def burning(count: int) -> Iterator[None]:
    """Keep so many processes busy."""
    spin = [sys.executable, "-c", "while True: pass"]
    started = [subprocess.Popen(spin) for _ in range(count)]
    try:
        yield
    finally:
        for process in started:
            process.kill()
            process.wait()


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


TABLES = {
    "first": first_picture,
    "verdict": verdict,
    "memory": memory,
    "headline": headline,
    "bytes": bytes_sent,
    "echo": echo,
}

if __name__ == "__main__":
    main()
