"""Two cameras over one cell: error together and alone, whether the stated u is true, and how often
a recheck names the one that moved.

Run: OMP_NUM_THREADS=1 python tests/bench/bench_two_cameras.py [SESSIONS]
(40 sessions for the first table, 60 for the second, if not said.)
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from bumps import MOUNT, bump, remounted
from simulated_sessions import Case
from two_cameras import later, pair

from engine.arrays import Array
from engine.cell.mount import EYE_IN_HAND
from engine.estimate.result import Result
from engine.frames import displacement
from engine.proof.recheck_cameras import recheck_cameras

BUMPS_MM = (0.0, 0.5, 1.0, 2.0, 5.0)
CASES = {
    "fixed cameras, 5 stations": Case(stations=5),
    "fixed cameras, 8 stations": Case(stations=8),
    "fixed cameras, 15 stations": Case(stations=15),
    "on the flange, 8 stations": Case(mount=EYE_IN_HAND, stations=8),
    "on the flange, 15 stations": Case(mount=EYE_IN_HAND, stations=15),
    "arm off by 0.3 mm, 8 stations": Case(stations=8, geometry_mm=0.3, accuracy_mm=0.4),
    "four axes, height known, 8 stations": Case(axes=4, height_known=True, stations=8),
}


def errors(result: Result, true: Array) -> tuple[float, float, float]:
    """Return squared position error [mm²], angle error [rad²] and squared error over stated."""
    off = displacement(true, result.geometric)
    stated = float(off @ np.linalg.solve(result.joint_covariance[:6, :6], off)) / 6.0
    return float(off[3:] @ off[3:]), float(off[:3] @ off[:3]), stated


def named(case: Case, sessions: int) -> None:
    """Print, by bump of the second camera and stations, how often it is named as its own."""
    print("| bump mm | 1 station | 3 stations |\n|---|---|---|")
    made = [pair(case, seed) for seed in range(sessions)]
    old = [one.together() for one in made]
    for size in BUMPS_MM:
        row, first_moved = [], 0
        for stations in (1, 3):
            moved = 0
            for seed, (one, before) in enumerate(zip(made, old, strict=True)):
                rng = np.random.default_rng([seed, stations, round(10 * size)])
                shifts = [np.zeros(6), bump(size, rng)]
                new = later(one, stations, shifts, remounted(MOUNT, rng), rng)
                first, second = recheck_cameras(before, new)
                if first is None or second is None:
                    raise SystemExit(f"session {seed}: no answer")
                moved += second.cause == "camera"
                first_moved += bool(first.moved)
            row.append(f"{100 * moved / sessions:.0f} %")
        print(f"| {size:g} | {' | '.join(row)} |", flush=True)
        print(f"the first said to have moved: {first_moved} of {2 * sessions}", file=sys.stderr)


def main(sessions: tuple[int, int]) -> None:
    """Print both tables."""
    accuracy(sessions[0])
    print()
    named(Case(stations=8), sessions[1])


def accuracy(sessions: int) -> None:
    """Print errors alone and together."""
    print("| | alone mm | together mm | alone ° | together ° | squared error / stated, together |")
    print("|---|---|---|---|---|---|")
    for name, case in CASES.items():
        rows = []
        for seed in range(sessions):
            made = pair(case, seed)
            together = made.together()
            if together.joint is None:
                print(f"{name}: session {seed} not joined", file=sys.stderr)
                continue
            rows += [
                errors(a, T) + errors(b, T)
                for a, b, T in zip(made.alone(), together.results, made.cameras, strict=True)
            ]
        m = np.mean(rows, axis=0)
        mm, deg = np.sqrt(m[[0, 3]]), np.degrees(np.sqrt(m[[1, 4]]))
        print(
            f"| {name} | {mm[0]:.3f} | {mm[1]:.3f} | {deg[0]:.3f} | {deg[1]:.3f} | {m[5]:.2f} |",
            flush=True,
        )


if __name__ == "__main__":
    main((int(sys.argv[1]),) * 2 if len(sys.argv) > 1 else (40, 60))
