"""How often a bump is found, by size and number of stations, and how good quick results are.

Run: OMP_NUM_THREADS=1 python tests/bench/bench_recheck.py [sessions]. Simulated sessions of eight
stations (0.15 px, 0.15 mm, 0.02°), then new stations near old ones with the board back on its mount
(0.1 mm, 0.05° on every axis). A bump of d mm goes any way and turns the camera by d / 500 mm.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from bumps import MOUNT, bump, half_turned, old_session, remounted, revisited
from simulated_sessions import BOARD, CAMERA, Case

from engine.cell.mount import EYE_IN_HAND
from engine.diagnosis.diagnose import diagnosed
from engine.frames import displaced, displacement
from engine.proof.compare import corner_shifts
from engine.proof.quick import quick
from engine.proof.recheck import recheck

SIZES_MM = (0.0, 0.1, 0.3, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0)
STATIONS = (1, 2, 3, 5)
CHANGED = ("fixed camera", "camera on the flange")  # of `CASES`
CASES = {
    "fixed camera": Case(stations=8),
    "camera on the flange": Case(mount=EYE_IN_HAND, stations=8),
    "arm off by 0.3 mm": Case(stations=8, geometry_mm=0.3, accuracy_mm=0.4),
    "fixed camera, four axes": Case(stations=8, axes=4),
}


def detection(case: Case, sessions: int) -> None:
    """Print, by bump and number of stations, how often it is found and how often named camera."""
    print("| bump mm | " + " | ".join(f"{m} station{'s' * (m > 1)}" for m in STATIONS) + " |")
    print("|---" * (len(STATIONS) + 1) + "|")
    for size in SIZES_MM:
        row = []
        for stations in STATIONS:
            said = Counter(one(case, seed, stations, size) for seed in range(sessions))
            found = 100 * sum(n for (moved, _), n in said.items() if moved) / sessions
            named = 100 * said[True, "camera"] / sessions
            row.append(f"{found:.0f} % ({named:.0f} %)")
        print(f"| {size:g} | " + " | ".join(row) + " |", flush=True)


def one(case: Case, seed: int, stations: int, size: float) -> tuple[bool | None, str]:
    rng = np.random.default_rng([seed, stations, round(10 * size)])
    session, old = old_session(case, seed)
    problem = revisited(session, stations, bump(size, rng), remounted(MOUNT, rng), rng)
    found = recheck(old, problem)
    return found.moved, found.cause


def alarms(case: Case, sessions: int) -> None:
    """Print how often an unmoved camera raises an alarm, many bumps of 0 mm for each session."""
    for stations in STATIONS:
        count, total = 0, 0
        for seed in range(sessions):
            session, old = old_session(case, seed)
            for again in range(10):
                rng = np.random.default_rng([seed, stations, again, 9])
                problem = revisited(session, stations, np.zeros(6), remounted(MOUNT, rng), rng)
                count, total = count + (recheck(old, problem).moved is not False), total + 1
        print(f"{stations} stations: {count} alarms in {total} rechecks", flush=True)


def quick_results(name: str, case: Case, sessions: int) -> None:
    """Print RMS error at the work volume, the stated u, and the same without the old mount."""
    for stations in (3, 4, 5):
        rows = np.array([quick_one(case, seed, stations) for seed in range(sessions)])
        error, u, size, alone = np.sqrt((rows**2).mean(axis=0))
        cells = f"{error:.2f} | {u:.2f} | {size**2:.2f} | {alone:.2f}"
        print(f"| {name if stations == 3 else ''} | {stations} | {cells} |", flush=True)


def quick_one(case: Case, seed: int, stations: int) -> tuple[float, float, float, float]:
    rng = np.random.default_rng([seed, stations])
    session, old = old_session(case, seed)
    shift = bump(5.0, rng)
    problem = revisited(session, stations, shift, remounted(MOUNT, rng), rng)
    true = displaced(session.camera, shift)
    result, alone = quick(old, problem, "old", diagnosed).result, diagnosed(problem)
    assert result.pick is not None
    covariance = result.joint_covariance[:6, :6]
    xi, other = (displacement(r.geometric, true) for r in (result, alone))
    size = float(xi @ np.linalg.solve(covariance, xi)) / 6.0
    errors = [float(corner_shifts(result.pick, off).max()) for off in (xi, other)]
    return errors[0], result.pick.work_volume_mm(covariance), float(np.sqrt(size)), errors[1]


def turned(case: Case, seed: int, stations: int) -> bool:
    """Tell whether a board the other way round on its mount is named, camera bumped by 1 mm."""
    rng = np.random.default_rng([seed, stations, 11])
    session, old = old_session(case, seed)
    problem = revisited(session, stations, bump(1.0, rng), half_turned(session, rng), rng)
    answer = recheck(old, problem)
    first = answer.findings[0]
    named = first.code == "board-moved" and "other way round" in first.message
    return named and answer.moved is None


def another(case: Case, seed: int, stations: int, pitch: float, focal: float) -> tuple[bool, bool]:
    """Tell whether another pitch or focal length (ratios) is named, and whether it is at least told
    as possible."""
    rng = np.random.default_rng([seed, stations, 13])
    session, old = old_session(case, seed)
    (fx, s, x), (o, fy, y), last = CAMERA.matrix
    lens = replace(CAMERA, matrix=((focal * fx, s, x), (o, focal * fy, y), last))
    slip, points = remounted(MOUNT, rng), pitch * BOARD.points()
    problem = revisited(session, stations, np.zeros(6), slip, rng, lens=lens, points=points)
    first = recheck(old, problem).findings[0]
    named = first.code == ("lens-changed" if focal != 1.0 else "board-changed")
    return named, named or first.variant in ("changed", "other")


def changes(sessions: int) -> None:
    """Print how often another pitch or focal length is named (and at least told as possible)."""
    print("| other | " + " | ".join(f"{name}, {m} stations" for name in CHANGED for m in (2, 3, 5))
          + " |")  # fmt: skip
    print("|---" * (3 * len(CHANGED) + 1) + "|")
    for word, pitch, focal in (
        ("pitch 0.2 %", 1.002, 1.0), ("pitch 0.5 %", 1.005, 1.0), ("pitch 2 %", 1.02, 1.0),
        ("focal 0.3 %", 1.0, 1.003), ("focal 1 %", 1.0, 1.01), ("focal 2 %", 1.0, 1.02),
    ):  # fmt: skip
        row = []
        for name in CHANGED:
            for stations in (2, 3, 5):
                said = [another(CASES[name], k, stations, pitch, focal) for k in range(sessions)]
                named, told = (100 * sum(part) / sessions for part in zip(*said, strict=True))
                row.append(f"{named:.0f} % ({told:.0f} %)")
        print(f"| {word} | " + " | ".join(row) + " |", flush=True)


def main() -> None:
    """Print all tables, in the order of the page."""
    sessions = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    for name, case in CASES.items():
        print(f"\n{name}: found (and named as the camera's movement)\n")
        detection(case, sessions)
    print("\nunmoved:")
    for name, case in CASES.items():
        print(name)
        alarms(case, max(sessions // 2, 1))
    print("\n| board the other way round | " + " | ".join(map(str, STATIONS)) + " |")
    print("|---" * (len(STATIONS) + 1) + "|")
    for name, case in CASES.items():
        named = [sum(turned(case, seed, m) for seed in range(sessions)) for m in STATIONS]
        print(f"| {name} | " + " | ".join(f"{n} of {sessions}" for n in named) + " |", flush=True)
    print("\nanother pitch or focal length:\n")
    changes(sessions)
    print("\n| | stations | error mm | stated u mm | squared error / stated | "
          "without the mount mm |\n|---|---|---|---|---|---|")  # fmt: skip
    for name, case in CASES.items():
        if case.axes == 6:
            quick_results(name, case, sessions)


if __name__ == "__main__":
    main()
