"""How good planned stations are, against this project's reference pattern of 15.

    python tests/bench/bench_plans.py [sessions] [--figure docs/plans-uncertainty.svg]

Blind start: the first station by hand, then what the plan says, revised after every station until
four are recorded; "at once": the first plan followed to its end. Error: RMS over the sessions at
the worst corner of the work volume, from the truth, as the results state it, and as the stations
let expect with known noise, over that of the reference pattern (it has no luck in it).
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

from known_noise import given_noise
from plan_world import World, reference_stations, world

from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND, Mount
from engine.estimate.information import station_information
from engine.estimate.problem import problem_from
from engine.plans.types import Wish

COUNTS = 8, 15
START = 4  # stations of the blind start
NOISE = (0.15, float(np.radians(0.02)), 0.15)


def rms(squares: list[np.ndarray]) -> float:
    """Return the RMS at the worst corner [mm] of squared errors (8,) per session."""
    return float(np.sqrt(np.mean(squares, axis=0).max()))


def reference_session(mount: Mount, seed: int) -> World:
    """Return a session of the reference pattern."""
    made = world(mount, seed)
    poses = reference_stations(made)
    made.stations.clear()
    for pose in poses:
        made.stop(pose)
    return made


def planned(mount: Mount, seed: int, count: int, revise: bool) -> tuple[World, tuple[float, float]]:
    """Return a planned session, and the longest time [s] a plan of it took: clock, processor."""
    made = world(mount, seed)
    slowest = (0.0, 0.0)
    while len(made.stations) < count:
        blind = len(made.stations) < START
        left = (START if blind and not revise else count) - len(made.stations)
        started = time.perf_counter(), time.process_time()
        plan = made.plan(Wish(count=left))
        took = time.perf_counter() - started[0], time.process_time() - started[1]
        slowest = max(slowest, took)
        for step in plan.steps[: 1 if revise and blind else None]:
            made.stop(step.base_T_flange)
        if not plan.steps:
            break
    return made, slowest


def table(sessions: int) -> None:
    """Print errors, then what the stations let expect; what else is counted goes to stderr."""
    print("| mount | stations | planning | error mm | stated mm | error over the reference |")
    print("|---|---|---|---|---|---|")
    likely: dict[str, list[str]] = {}
    for mount in (EYE_TO_HAND, EYE_IN_HAND):
        grids = [reference_session(mount, seed) for seed in range(sessions)]
        base, told = errors(grids)
        expected = expected_mm(grids)
        print(f"| {mount} | 15 | reference pattern | {base:.3f} | {told:.3f} | 1 |", flush=True)
        for count in COUNTS:
            for planning in ("revised", "at once"):
                runs = [planned(mount, k, count, planning == "revised") for k in range(sessions)]
                made = [one for one, _ in runs]
                off, stated = errors(made)
                print(
                    f"| {mount} | {count} | {planning} | {off:.3f} | {stated:.3f} | "
                    f"{off / base:.2f} |",
                    flush=True,
                )
                share = likely.setdefault(f"{mount} | {count}", [])
                share.append(f"{expected_mm(made) / expected:.2f}")
                print(
                    f"lost {sum(m.lost for m in made)}, "
                    f"out of reach {sum(m.unreached for m in made)}, "
                    f"slowest plan {max(t for _, (t, _) in runs):.2f} s, "
                    f"processor {max(t for _, (_, t) in runs):.2f} s",
                    file=sys.stderr,
                )
    print("\n| mount | stations | expected, revised | at once |\n|---|---|---|---|")
    for name, shares in likely.items():
        print(f"| {name} | {' | '.join(shares)} |")


def errors(made: list[World]) -> tuple[float, float]:
    """Return the RMS error over the sessions at the worst corner [mm], true and as stated."""
    results = [one.solved() for one in made]
    true = rms([one.corner_errors(r) for one, r in zip(made, results, strict=True)])
    stated = [(r.uncertainty.work_volume_mm or np.nan) ** 2 for r in results]
    return true, float(np.sqrt(np.mean(stated)))


def expected_mm(made: list[World]) -> float:
    """Return the RMS of u at the work volume [mm] that all stations let expect."""
    return float(np.sqrt(np.mean([course(one, NOISE)[-1] ** 2 for one in made])))


def course(made: World, noise: tuple[float, float, float]) -> list[float]:
    """Return u at the work volume [mm] after each station from the fourth, true noise known."""
    found, problem = made.solved(), problem_from(made.cell, made.stations)
    assert found.pick is not None
    flange = np.array([item.base_T_flange for item in made.stations])
    added = station_information(problem, found, flange, given_noise(*noise))
    total = np.cumsum(added, axis=0)
    return [found.pick.work_volume_mm(np.linalg.inv(H)[:6, :6]) for H in total[3:]]


def figure(path: Path, sessions: int) -> None:
    """Draw u over the number of stations, chosen against the reference pattern."""
    from matplotlib import pyplot as plt

    fig, axes = plt.subplots(1, 2, figsize=(9.0, 3.6), sharey=True)
    for ax, mount in zip(axes, (EYE_TO_HAND, EYE_IN_HAND), strict=True):
        for label, style, runs in (
            (
                "reference pattern of 15",
                "s--",
                [reference_session(mount, k) for k in range(sessions)],
            ),
            (
                "planned, blind start",
                "o-",
                [planned(mount, k, 15, True)[0] for k in range(sessions)],
            ),
        ):
            u = np.median([course(made, NOISE) for made in runs], axis=0)
            ax.plot(range(4, 4 + len(u)), u, style, label=label, color="black", markersize=4)
        ax.set(title=mount, xlabel="stations", yscale="log")
        ax.grid(visible=True, which="both", linewidth=0.3)
    axes[0].set_ylabel("u at the work volume [mm]")
    axes[0].legend(frameon=False)
    fig.tight_layout()
    fig.savefig(path, metadata={"Date": None})


def main() -> None:
    """Run the bench."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("sessions", nargs="?", type=int, default=40)
    parser.add_argument("--figure", type=Path)
    args = parser.parse_args()
    if args.figure:
        figure(args.figure, args.sessions)
    else:
        table(args.sessions)


if __name__ == "__main__":
    main()
