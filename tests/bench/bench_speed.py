"""What every command costs: processor time and memory of whole processes, beside floors.

    python tests/bench/bench_speed.py [--rounds 5] [--all]

Each command runs on a copy of the example (nine stations), in turns with floors: an empty Python,
numpy alone, what no solve can do without (numpy, OpenCV, SciPy's rotations), and Textual. Time is
that of the processor, user and system, the median of the rounds; memory is the largest that the
process held. This file imports nothing heavy: a child's memory starts with its parent's. Byte code
is kept from a first round that does not count, as of any installed program. ``--all`` goes on with
the tables of the engine alone, of the screen, and of images beside OpenCV's detectors.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from statistics import median

EXAMPLE = Path(__file__).parents[2] / "sessions" / "bottling-line-2-infeed"
PROGRAM = (sys.executable, "-m", "tui.main")
OTHERS = ("bench_estimation_speed.py", "bench_screen.py", "bench_detection.py")
FLOORS = {
    "an empty Python": "pass",
    "numpy": "import numpy",
    "cv2": "import cv2",
    "numpy, cv2, scipy.spatial.transform": "import numpy, cv2, scipy.spatial.transform",
    "textual.app": "import textual.app",
}
NEEDED = "numpy, cv2, scipy.spatial.transform"  # what the ratios are taken to


@dataclass(frozen=True, slots=True)
class Cost:
    """Processor time [s] and largest memory [MB] of one process."""

    seconds: float
    megabytes: float


def spent(words: list[str]) -> Cost:
    """Run a process to its end and return what it cost; bad input or usage stops the bench."""
    with subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE) as process:
        assert process.stderr is not None
        said = process.stderr.read()
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode > 1:
        raise SystemExit(f"{' '.join(words)}: {said.decode()}")
    return Cost(usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024.0)


def commands(parent: Path) -> dict[str, Callable[[], list[str]]]:
    """Return how each command is called, on a copy of its own where it writes."""
    count = 0

    def fresh() -> str:
        nonlocal count
        count += 1
        return str(shutil.copytree(EXAMPLE, parent / f"copy-{count}"))

    still, earlier = fresh(), fresh()  # a recheck may mark the earlier one
    pose = "612.4 -85.1 410 179.8 0.4 -88"  # nowhere near what the image says: nothing is stored
    made = "import sys; sys.path.insert(0, sys.argv[1]); from pathlib import Path"
    made += "; from later_session import make_later; make_later(Path(sys.argv[2]), 2)"
    subprocess.run(
        [sys.executable, "-c", made, str(EXAMPLE.parents[1] / "tests"), str(parent / "later")],
        check=True,
    )
    image, points = EXAMPLE / "images" / "009.png", EXAMPLE / "points" / "009.csv"
    return {
        "solve": lambda: ["solve", fresh()],
        "edit --note": lambda: ["edit", fresh(), "--station", "3", "--note", "timed"],
        "check": lambda: ["check", still],
        "record --points": lambda: ["record", fresh(), "--pose", pose, "--points", str(points)],
        "record --image": lambda: ["record", fresh(), "--pose", pose, "--image", str(image)],
        "export --as json": lambda: ["export", still, "--as", "json"],
        "recheck": lambda: ["recheck", str(parent / "later"), "--against", earlier],
        "plan --count 8": lambda: ["plan", fresh(), "--count", "8"],
        "report": lambda: ["report", fresh()],
    }


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--rounds", type=int, default=5, help="times that each process runs")
    parser.add_argument("--all", action="store_true", help="the other tables of cost too")
    asked = parser.parse_args()
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    with tempfile.TemporaryDirectory() as parent:
        os.environ["STATIONBOOK_CONFIG"] = str(Path(parent) / "config")
        os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the program does: floors alike
        runs: dict[str, Callable[[], list[str]]] = {
            f"floor: {name}": lambda code=code: [sys.executable, "-c", code]
            for name, code in FLOORS.items()
        }
        for name, words in commands(Path(parent)).items():
            runs[name] = lambda words=words: [*PROGRAM, *words()]
        costs: dict[str, list[Cost]] = {name: [] for name in runs}
        for counted in range(asked.rounds + 1):
            for name, words in runs.items():
                cost = spent(words())
                if counted:
                    costs[name].append(cost)
    floor = median(cost.seconds for cost in costs[f"floor: {NEEDED}"])
    print(f"| process | processor s | × importing {NEEDED} | MB |\n|---|---|---|---|")
    for name, found in costs.items():
        seconds = median(cost.seconds for cost in found)
        most = max(cost.megabytes for cost in found)
        print(f"| {name} | {seconds:.2f} | {seconds / floor:.2f} | {most:.0f} |")
    for other in OTHERS if asked.all else ():
        print(flush=True)
        subprocess.run([sys.executable, str(Path(__file__).with_name(other))], check=True)


if __name__ == "__main__":
    main()
