"""Accuracy of the estimate in simulation: python tests/bench/bench_estimation.py [sessions].

For each case: RMS error over the corners of the work volume, divided by that of an oracle (same
model and data, true noise levels, started at the truth) and by the Cramér-Rao bound; the mean
squared error normalised by the stated covariance (6 degrees of freedom; 1 is honest); sessions
that lost a station. Run with OMP_NUM_THREADS=1.
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor
from itertools import product
from pathlib import Path
from typing import NamedTuple

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

from known_noise import given_noise
from simulated_sessions import Case, Simulated, simulated

from engine.arrays import Array
from engine.estimate.assemble import assembled
from engine.estimate.fit import State, fit
from engine.estimate.solver import Solution, fitted
from engine.frames import displacement

MIXES = [(0.15, 0.02, 0.15), (0.05, 0.005, 0.05), (0.3, 0.05, 0.1), (0.1, 0.01, 0.5)]
MOUNTS = ["eye-to-hand", "eye-in-hand"]
STYLES = ["reference", "tilted"]


class Trial(NamedTuple):
    """One session: squared errors of estimate, oracle, bound [mm²]; normalised; stations lost."""

    error: float
    oracle: float
    bound: float
    normalised: float
    lost: int


def oracle(truth: Simulated, found: Solution) -> tuple[Array, Array]:
    """Return the camera's transform and covariance from true noise levels and the true start."""
    case = truth.case
    levels = given_noise(case.pixel_px, np.radians(case.angle_deg), case.position_mm)
    start = State(truth.camera, truth.board, np.zeros(len(found.stations.systematic_sd)))
    best = fit(found.stations, start, found.prior, noise=levels, known=True)
    return best.state.camera, best.covariance[:6, :6]


def trial(case: Case, seed: int) -> Trial:
    """Return what one random session gives."""
    truth = simulated(case, np.random.default_rng([seed, 1]))
    found = fitted(truth.problem)
    if found is None:
        raise RuntimeError(f"not solved: {case}")
    result = assembled(found)
    best, covariance = oracle(truth, found)
    M = result.pick.moved[result.pick.corner]
    off = displacement(result.camera, truth.camera)
    return Trial(
        error=float(((M @ off) ** 2).sum(axis=1).mean()),
        oracle=float(((M @ displacement(best, truth.camera)) ** 2).sum(axis=1).mean()),
        bound=float(np.einsum("nij,jk,nik->n", M, covariance, M).mean()),
        normalised=float(off @ np.linalg.solve(result.covariance, off)) / 6.0,
        lost=sum(not station.used for station in result.stations),
    )


def cases() -> list[Case]:
    """Return every case of the table."""
    listed = []
    for mount, style, count, mix in product(MOUNTS, STYLES, (5, 8, 15, 60), MIXES):
        listed.append(Case(mount, style, 6, count, *mix))
    for mount, count, mix in product(MOUNTS, (8, 15), MIXES):
        listed.append(Case(mount, "tilted", 4, count, *mix, height_known=True))
    return listed


def row(case: Case, trials: list[Trial]) -> str:
    """Return one line of the table."""
    error, best, bound, normalised, lost = np.array(trials).T
    rms = np.sqrt(error.mean())
    return (
        f"| {case.mount} | {case.axes} | {case.style} | {case.stations} | {case.pixel_px} px "
        f"{case.angle_deg}° {case.position_mm} mm | {rms:.3f} | {rms / np.sqrt(best.mean()):.3f} | "
        f"{rms / np.sqrt(bound.mean()):.3f} | {normalised.mean():.2f} | {(lost > 0).sum()} |"
    )


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    print(f"{count} sessions a case")
    print("| mount | axes | style | stations | noise | RMS mm | / oracle | / bound | NSE | lost |")
    print("|---|---|---|---|---|---|---|---|---|---|")
    with ProcessPoolExecutor() as pool:
        for case in cases():
            trials = list(pool.map(trial, [case] * count, range(count), chunksize=20))
            print(row(case, trials), flush=True)


if __name__ == "__main__":
    main()
