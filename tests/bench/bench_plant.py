"""What a plant costs: `cells` on many sessions, first and again, and `solve --all` on processes.

    python tests/bench/bench_plant.py [--sessions 200] [--cells 20] [--solved 16] [--jobs 1 2]

The sessions are copies of the example (nine stations, with its result), spread over cells and over
days; 5,000 on 200 cells is what a plant has after years. Time of `cells` is that of the processor,
user and system, memory the largest that the process held. `solve --all` is measured by the clock,
with a configuration folder of its own each time, so that nothing is remembered: run it on a machine
that does nothing else. Nothing is stored.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import tempfile
import time
from datetime import datetime, timedelta
from hashlib import sha256
from pathlib import Path

from bench_speed import EXAMPLE, PROGRAM, spent

FIRST = datetime(2021, 1, 4, 8, 0)


def plant(root: Path, sessions: int, cells: int) -> Path:
    """Make so many sessions below ``root``: cell after cell, a day apart; images stay behind."""
    text = (EXAMPLE / "session.yaml").read_text()
    name = next(line for line in text.splitlines() if line.startswith("  name: "))
    made = next(line for line in text.splitlines() if line.startswith("created: "))
    result, held = (EXAMPLE / "result.yaml").read_text(), sha256(text.encode()).hexdigest()
    for number in range(sessions):
        folder = root / f"cell-{number % cells:03d}" / f"s{number:05d}"
        shutil.copytree(EXAMPLE, folder, ignore=shutil.ignore_patterns("images", "*.html", "*.pdf"))
        day = FIRST + timedelta(days=number // cells)
        changed = text.replace(name, f"  name: cell {number % cells}", 1)
        changed = changed.replace(made, f"created: '{day.isoformat()}'", 1)
        (folder / "session.yaml").write_text(changed)
        own = sha256(changed.encode()).hexdigest()  # the result is that of this session
        (folder / "result.yaml").write_text(result.replace(held, own))
    return root


def looked(root: Path, times: int = 3) -> None:
    """Print what `cells` costs the first time and again."""
    time.sleep(2.5)  # an index never vouches for files that changed within two seconds of a look
    words = [*PROGRAM, "cells", str(root)]
    for look in range(times):
        cost = spent(words)
        which = "first" if not look else "again"
        print(f"cells, {which}: {cost.seconds:.2f} s, {cost.megabytes:.0f} MB", flush=True)


def edited(root: Path, cells: int) -> None:
    """Change the last session of each cell after it was solved, as a note in it does."""
    for folder in sorted(root.rglob("s?????"), key=lambda path: path.name)[-cells:]:
        path = folder / "session.yaml"
        path.write_text(path.read_text().replace("operator: ", "operator: Another ", 1))


def solved(root: Path, jobs: list[int]) -> None:
    """Print how long `solve --all` takes on so many processes."""
    first = None
    for count in jobs:
        with tempfile.TemporaryDirectory() as config:
            own = os.environ | {"STATIONBOOK_CONFIG": config}
            words = [*PROGRAM, "solve", "--all", str(root), "--jobs", str(count), "--json"]
            start = time.perf_counter()
            run = subprocess.run(words, env=own, capture_output=True, text=True, check=False)
            took = time.perf_counter() - start
        if run.returncode > 1:
            raise SystemExit(run.stderr)
        first = first or took
        print(f"solve --all, {count} processes: {took:.1f} s, ratio {first / took:.2f}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sessions", type=int, default=200)
    parser.add_argument("--cells", type=int, default=20)
    parser.add_argument("--solved", type=int, default=16)
    parser.add_argument("--jobs", type=int, nargs="+", default=[1, 2])
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as made:
        os.environ["STATIONBOOK_CONFIG"] = str(Path(made) / "config")
        print(f"{args.sessions} sessions on {args.cells} cells")
        root = plant(Path(made) / "plant", args.sessions, args.cells)
        looked(root)
        edited(root, args.cells)
        print("the last session of every cell edited")
        looked(root)
        print(f"{args.solved} sessions")
        solved(plant(Path(made) / "archive", args.solved, 4), args.jobs)


if __name__ == "__main__":
    main()
