"""How long the verdict on a typed pose takes: pose checks with reach, and the image against it.

    python tests/bench/bench_entry.py [--stations 15] [--rounds 60]

Prints median and 95th percentile, and the ratio to solving the same session once in the same run.
The predictor is made beforehand, as the screen does in the background.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from made_session import make_session

from engine.boards.points_file import read_points
from engine.sessions.folder import open_session
from engine.steps.recording import Draft, examine
from engine.steps.solve import solve_session
from engine.steps.station_image import ViewDraft
from engine.steps.station_pose import examine_pose, predictor_for

MORE = 8  # stations that are entered


def timed(work: Callable[[int], object], rounds: int) -> np.ndarray:
    """Return the seconds (rounds,) that ``work`` takes."""
    seconds = []
    for k in range(rounds):
        start = time.perf_counter()
        work(k)
        seconds.append(time.perf_counter() - start)
    return np.array(seconds)


def main() -> None:
    """Print one row per part of the verdict."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--stations", type=int, default=15)
    parser.add_argument("--rounds", type=int, default=60)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as parent:
        folder = Path(parent) / "session"
        make_session(folder, args.stations + MORE)
        every = open_session(folder)
        session = replace(every, stations=every.stations[: args.stations])
        later = every.stations[args.stations :]
        views = []
        for station in later:
            ids, pixels, *_ = read_points(folder / str(station.points), session.cell.board)
            views.append(ViewDraft((), point_ids=ids, pixels=pixels))
        lines = [" ".join(station.pose or ()) for station in later]
        wrong = [line.replace("1", "7", 1) for line in lines]
        predictor_for(session, folder)

        def verdict(texts: list[str], k: int) -> Draft:
            pose = examine_pose(session, texts[k % len(texts)])
            return examine(session, folder, pose, views[k % len(views)])

        solve = timed(lambda _: solve_session(session, folder), 10)
        rows = {
            "pose alone": timed(lambda k: examine_pose(session, lines[k % MORE]), args.rounds),
            "good pose and image": timed(lambda k: verdict(lines, k), args.rounds),
            "wrong pose and image": timed(lambda k: verdict(wrong, k), args.rounds),
        }
        print("| verdict | median ms | p95 ms | p95 / one solve |\n|---|---|---|---|")
        for name, seconds in rows.items():
            p95 = float(np.quantile(seconds, 0.95))
            ratio = p95 / float(np.median(solve))
            print(f"| {name} | {1e3 * np.median(seconds):.1f} | {1e3 * p95:.1f} | {ratio:.2f} |")


if __name__ == "__main__":
    main()
