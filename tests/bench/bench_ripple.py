"""Whether U holds where gears run unevenly in waves that no model of the arm has.

    python tests/bench/bench_ripple.py [sessions] [--first SEED] [--stations 30] [--described yes]

Lengths and zeros are off by 0.35 mm RMS and the joints by 0.2 mm of ripple, or by 0.4 mm of ripple
alone; the cell says 0.4 mm. Board and lens are drawn as in `bench_cell_inputs`. For both mounts:
the share of sessions whose worst pick error lies within U, those whose transform lies within its U
by position and by rotation, U and the RMS error, and U over that without ripple counted.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from itertools import product
from pathlib import Path
from unittest.mock import patch

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))
sys.path.insert(0, str(Path(__file__).parent))

from bench_cell_inputs import STATED_MM, drawn, inside_its_u, worst_pick
from mistakes import unsure
from simulated_sessions import Case, simulated

from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND
from engine.estimate import estimated

NOISE = {"0.15 mm, 0.02°": (0.02, 0.15), "0.05 mm, 0.007°": (0.007, 0.05)}
ARMS = {  # mm of lengths and zeros, mm of ripple, waves to the turn
    "no ripple": (0.35, 0.0, (8.0, 40.0)),
    "0.2, 3 to 8 waves": (0.35, 0.2, (3.0, 8.0)),
    "0.2, 8 to 40 waves": (0.35, 0.2, (8.0, 40.0)),
    "0.2, 40 to 150 waves": (0.35, 0.2, (40.0, 150.0)),
    "0.4 alone, 1 to 12 waves": (0.0, 0.4, (1.0, 12.0)),
}


def measured(case: Case, seeds: range, described: bool) -> str:
    """Return the cells of a line over sessions ``seeds``."""
    inside, error, stated, more = [], [], [], []
    for seed in seeds:
        rng = np.random.default_rng([seed, case.stations, 43])
        truly = drawn(rng)
        session = simulated(case, rng, truly)
        problem = unsure(session.problem)
        if not described:
            problem = replace(problem, robot=None, robot_accuracy_mm=STATED_MM)
        session, result = replace(session, problem=problem), estimated(problem)
        with patch("engine.estimate.assemble.ripple", lambda found: 0.0):
            before = estimated(problem).uncertainty.pick_mm
        u = result.uncertainty.pick_mm
        if u is None or before is None:
            continue
        error.append(worst_pick(session, result.camera, truly, "lens"))
        stated.append(2.0 * u)
        more.append(u / before)
        placed = inside_its_u(session, result, truly, "lens")[:2]
        inside.append((error[-1] <= stated[-1], *placed))
    shares = " | ".join(f"{100 * share:.0f} %" for share in np.mean(inside, axis=0))
    rms = float(np.sqrt(np.mean(np.square(error))))
    return f"{shares} | {np.median(stated):.2f} | {rms:.2f} | {np.mean(more):.2f}"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("sessions", nargs="?", type=int, default=60)
    parser.add_argument("--first", type=int, default=0, help="seed of the first session")
    parser.add_argument("--stations", default="15,30,60")
    parser.add_argument("--mounts", default=f"{EYE_IN_HAND},{EYE_TO_HAND}")
    parser.add_argument("--described", default="yes,no")
    args = parser.parse_args()
    seeds = range(args.first, args.first + args.sessions)
    print(
        "| mount | arm | described | stops | stations | pick | position | rotation | U mm | "
        "RMS mm | U / without |"
    )
    print("|---|---|---|---|---|---|---|---|---|---|---|")
    numbers = [int(n) for n in args.stations.split(",")]
    for mount, said in product((EYE_IN_HAND, EYE_TO_HAND), ("yes", "no")):
        if mount not in args.mounts.split(",") or said not in args.described.split(","):
            continue
        for (arm, (off, mm, waves)), (stops, noise), n in product(
            ARMS.items(), NOISE.items(), numbers
        ):
            case = Case(mount, "tilted", 6, n, 0.15, *noise, off, accuracy_mm=STATED_MM)
            case = replace(case, ripple_mm=mm, waves=waves)
            cells = measured(case, seeds, said == "yes")
            print(f"| {mount} | {arm} | {said} | {stops} | {n} | {cells} |", flush=True)


if __name__ == "__main__":
    main()
