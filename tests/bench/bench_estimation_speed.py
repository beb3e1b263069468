"""Time and memory of the estimate: python tests/bench/bench_estimation_speed.py.

First the same problem handed to `scipy.optimize.least_squares` with a sparse analytic Jacobian
(all pixels, all robot errors as unknowns, noise levels given, the same start, its default
tolerances): the fit of this project against it, covariance included, with the whole `solve` (poses
from points, start, bad stations, noise levels, findings) beside it. Then time per station and peak
memory from 15 to 1500 stations. Run with OMP_NUM_THREADS=1.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from functools import partial
from itertools import product
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from joint_least_squares import Everything, known_noise_fit
from simulated_sessions import Case, simulated

from engine.estimate import estimated
from engine.frames import displacement

REPEATS = 7


def fastest(action: Callable[[], object]) -> float:
    """Return the shortest CPU time [ms] of several runs."""
    times = []
    for _ in range(REPEATS):
        start = time.process_time()
        action()
        times.append(time.process_time() - start)
    return 1000.0 * min(times)


def compared() -> None:
    print("| mount | stations | fit ms | least_squares ms | ratio | apart mm | whole solve ms |")
    print("|---|---|---|---|---|---|---|")
    for mount, stations in product(("eye-to-hand", "eye-in-hand"), (15, 60)):
        truth = simulated(Case(mount, stations=stations), np.random.default_rng(stations))
        everything = Everything(truth)
        ours = fastest(partial(known_noise_fit, truth, everything))
        theirs = fastest(everything.solved)
        whole = fastest(partial(estimated, truth.problem))
        other = everything.solved()[0]
        apart = displacement(known_noise_fit(truth, everything).state.camera, other)[3:]
        print(
            f"| {mount} | {stations} | {ours:.0f} | {theirs:.0f} | {theirs / ours:.1f} | "
            f"{np.linalg.norm(apart):.4f} | {whole:.0f} |",
            flush=True,
        )


def scaled() -> None:
    print("| stations | geometry | ms | ms per station | peak memory MB |")
    print("|---|---|---|---|---|")
    for accuracy in (0.0, 0.4):
        for stations in (15, 50, 150, 500, 1500):
            case = Case(stations=stations, geometry_mm=accuracy, accuracy_mm=accuracy)
            truth = simulated(case, np.random.default_rng(stations))
            start = time.process_time()
            estimated(truth.problem)
            spent = 1000.0 * (time.process_time() - start)
            known = "known" if accuracy else "none"
            figures = f"{spent:.0f} | {spent / stations:.2f} | {_peak_mb():.0f}"
            print(f"| {stations} | {known} | {figures} |", flush=True)


def _peak_mb() -> float:
    if sys.platform == "win32":
        return float("nan")
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


if __name__ == "__main__":
    compared()
    scaled()
