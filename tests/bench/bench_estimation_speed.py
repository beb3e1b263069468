"""Time and memory of the estimate: python tests/bench/bench_estimation_speed.py.

First what the engine spends on sessions that a person has: clean ones with all that lens, board
and arm may be off by, long ones, and ones that do not fit. Then the same problem handed to
`scipy.optimize.least_squares` with a sparse analytic Jacobian, and to Ceres where it is installed
(all pixels, all robot errors as unknowns, noise levels given, the same start, their default
tolerances): the fit of this project against them, covariance included. Then time per station and
peak memory from 15 to 1500 stations.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from functools import partial
from itertools import product
from pathlib import Path
from statistics import median

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the program does: numpy asks only once
sys.path.insert(0, str(Path(__file__).parents[1]))

import numpy as np
from joint_least_squares import Everything, known_noise_fit
from mistakes import Faulty, reread, typed, unsure, with_texts
from simulated_sessions import BOARD, Case, simulated

from engine.boards.points_file import points_text, read_points
from engine.diagnosis.diagnose import diagnosed
from engine.estimate import estimated
from engine.frames import displacement

try:
    import joint_ceres  # needs `pip install pyceres`, which nothing else here does
except ImportError:
    joint_ceres = None

REPEATS = 7
LONG = 1000  # stations of a session in which nothing fits


def fastest(action: Callable[[], object]) -> float:
    """Return the shortest CPU time [ms] of several runs."""
    times = []
    for _ in range(REPEATS):
        start = time.process_time()
        action()
        times.append(time.process_time() - start)
    return 1000.0 * min(times)


def compared() -> None:
    print("| mount | stations | fit ms | least_squares ms | ratio | Ceres ms | ratio | apart mm |")
    print("|---|---|---|---|---|---|---|---|")
    for mount, stations in product(("eye-to-hand", "eye-in-hand"), (15, 60)):
        truth = simulated(Case(mount, stations=stations), np.random.default_rng(stations))
        everything = Everything(truth)
        ours = fastest(partial(known_noise_fit, truth, everything))
        theirs = fastest(everything.solved)
        others, ceres = [everything.solved()[0]], "not installed |"
        if joint_ceres is not None:
            spent = fastest(partial(joint_ceres.solved, everything))
            ceres = f"{spent:.1f} | {spent / ours:.1f}"
            others.append(joint_ceres.solved(everything))
        own = known_noise_fit(truth, everything).state.camera
        apart = max(float(np.linalg.norm(displacement(own, other)[3:])) for other in others)
        figures = f"{ours:.1f} | {theirs:.0f} | {theirs / ours:.1f} | {ceres} | {apart:.4f}"
        print(f"| {mount} | {stations} | {figures} |", flush=True)


def spent(action: Callable[[], object], times: int) -> float:
    """Return the median CPU time [ms] of ``times`` runs."""
    found = []
    for _ in range(times):
        start = time.process_time()
        action()
        found.append(time.process_time() - start)
    return 1000.0 * median(found)


def engine_alone() -> Iterator[tuple[str, float, float | None]]:
    """Yield what was done, its median CPU time [ms], and what `least_squares` takes for the fit.

    That one knows the noise, no arm, no lens and no board, and looks for nothing that is wrong.
    """
    for mount, arm in product(("eye-to-hand", "eye-in-hand"), (0.0, 0.4)):
        case = Case(mount, geometry_mm=arm, accuracy_mm=arm)
        truth = simulated(case, np.random.default_rng(1))
        session = typed(unsure(truth.problem))
        known = "with its arm" if arm else "without an arm's errors"
        floor = None if arm else spent(Everything(truth).solved, 5)
        solve = partial(diagnosed, session.problem, session.texts)
        yield f"15 clean stations, {mount}, {known}", spent(solve, 15), floor
    made = simulated(Case("eye-in-hand"), np.random.default_rng(2))
    wrong = reread(typed(unsure(made.problem)), "moving-zyz")
    solve = partial(diagnosed, wrong.problem, wrong.texts)
    yield "15 stations in a wrong convention, eye-in-hand", spent(solve, 3), None
    case = Case(stations=LONG, geometry_mm=0.4, accuracy_mm=0.4)
    session = typed(unsure(simulated(case, np.random.default_rng(3)).problem))
    mixed = shuffled(session, np.random.default_rng(4))
    solve = partial(diagnosed, mixed.problem, mixed.texts)
    yield f"{LONG} stations of which nothing fits", spent(solve, 1), None
    session = typed(unsure(simulated(Case(stations=1500), np.random.default_rng(5)).problem))
    solve = partial(diagnosed, session.problem, session.texts)
    yield "1500 clean stations", spent(solve, 3), None
    with tempfile.TemporaryDirectory() as folder:
        paths = [Path(folder) / f"{seen.id}.csv" for seen in session.problem.observations]
        for path, seen in zip(paths, session.problem.observations, strict=True):
            path.write_text(points_text(seen.point_ids, seen.pixels), encoding="utf-8")
        time.sleep(0.1)  # what changed just now is not kept
        yield "1500 files of points read", spent(partial(read_all, paths), 1), None
        yield "the same again, unchanged", spent(partial(read_all, paths), 3), None


def read_all(paths: list[Path]) -> None:
    for path in paths:
        read_points(path, BOARD)


def shuffled(session: Faulty, rng: np.random.Generator) -> Faulty:
    """Return the session with every image beside the pose of another station."""
    seen = session.problem.observations
    order = rng.permutation(len(seen))
    texts = {one.id: session.texts[seen[k].id] for one, k in zip(seen, order, strict=True)}
    return Faulty(with_texts(session.problem, texts), texts, session.true)


def alone() -> None:
    print("| the engine alone | ms | the fit by least_squares, ms |")
    print("|---|---|---|")
    for name, own, other in engine_alone():
        print(f"| {name} | {own:.0f} | {'' if other is None else f'{other:.0f}'} |", flush=True)


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
    alone()
    compared()
    scaled()
