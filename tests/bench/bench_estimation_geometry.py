"""Pick error against the stated U: python tests/bench/bench_estimation_geometry.py [sessions].

The simulated arm has random geometric errors of the given RMS over its workspace; `accuracy_mm` in
the cell says the same, another figure, nothing, or the geometry is not known at all. For each case:
share of sessions whose pick error lies within U = 2 pick_mm (RMS over the corners; worst corner),
U over the RMS pick error, the pick error of the delivered and of the geometric transform. Picks are
carried out by the arm with its errors, not linearised. Run with OMP_NUM_THREADS=1.
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from itertools import product
from pathlib import Path
from typing import NamedTuple

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from simulated_sessions import Case, pick_errors, simulated

from engine.estimate import estimated
from engine.estimate.pick import approach
from engine.frames import transform

GEOMETRY = [(0.0, 0.0), (0.2, 0.2), (0.3, 0.3), (0.5, 0.5), (1.0, 1.0), (0.2, None), (0.5, 0.25)]


class Trial(NamedTuple):
    """One session [mm]: RMS and worst pick error over the corners, U, RMS of the geometric one."""

    rms: float
    worst: float
    U: float
    geometric: float


def trial(case: Case, known: bool, seed: int) -> Trial | None:
    """Return what one random session gives; None where no corner can be reached."""
    truth = simulated(case, np.random.default_rng([seed, 2]))
    problem = truth.problem if known else replace(truth.problem, robot=None)
    result = estimated(problem)
    typed = np.array([seen.base_T_flange for seen in problem.observations])
    R = approach(problem, typed)
    looking = transform(R, typed[:, :3, 3].mean(axis=0))
    errors, other = (
        pick_errors(truth, camera, R, looking) for camera in (result.camera, result.geometric)
    )
    if result.uncertainty.pick_mm is None or not np.isfinite(errors).any():
        return None
    return Trial(
        rms=float(np.sqrt(np.nanmean(errors**2))),
        worst=float(np.nanmax(errors)),
        U=2.0 * result.uncertainty.pick_mm,
        geometric=float(np.sqrt(np.nanmean(other**2))),
    )


def row(case: Case, known: bool, trials: list[Trial]) -> str:
    """Return one line of the table."""
    rms, worst, U, geometric = np.array(trials).T
    size = np.sqrt((rms**2).mean())
    stated = "not known" if not known else "none" if case.accuracy_mm is None else case.accuracy_mm
    return (
        f"| {case.mount} | {case.style} | {case.stations} | {case.geometry_mm} | {stated} | "
        f"{(rms <= U).mean():.3f} | {(worst <= U).mean():.3f} | {U.mean() / size:.2f} | "
        f"{size:.3f} | {np.sqrt((geometric**2).mean()):.3f} |"
    )


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    print(f"{count} sessions a case")
    print(
        "| mount | style | stations | errors mm | stated | in U | worst in U | U/RMS | RMS | geo |"
    )
    print("|---|---|---|---|---|---|---|---|---|---|")
    listed = [
        (Case(mount, style, 6, stations, geometry_mm=size, accuracy_mm=stated), True)
        for mount, style, stations, (size, stated) in product(
            ("eye-to-hand", "eye-in-hand"), ("reference", "tilted"), (8, 15), GEOMETRY
        )
    ]
    listed += [
        (Case(mount, "tilted", 6, 15, geometry_mm=size, accuracy_mm=size), False)
        for mount, size in product(("eye-to-hand", "eye-in-hand"), (0.2, 0.5))
    ]
    with ProcessPoolExecutor() as pool:
        for case, known in listed:
            found = pool.map(trial, [case] * count, [known] * count, range(count), chunksize=20)
            print(row(case, known, [item for item in found if item is not None]), flush=True)


if __name__ == "__main__":
    main()
