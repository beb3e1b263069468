"""How good planned stations are, against this project's reference pattern of 15.

    python tests/bench/bench_plans.py [sessions] [--figure docs/plans-uncertainty.svg]

Blind start: the first station by hand, then what the plan says, revised after every station until
four are recorded; "at once": the first plan followed to its end. Error: RMS over the sessions at
the worst corner of the work volume, from the truth, as the results state it, and as the stations
let expect with known noise (the bar is for the last one: it has no luck in it).
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

from engine.cell.cell import EYE_IN_HAND, EYE_TO_HAND, Mount
from engine.estimate.information import station_information
from engine.estimate.problem import problem_from
from engine.plans.types import Wish

BARS = {8: 0.33, 15: 0.20}
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
    """Print errors and times."""
    for mount in (EYE_TO_HAND, EYE_IN_HAND):
        grids = [reference_session(mount, seed) for seed in range(sessions)]
        results = [made.solved() for made in grids]
        base = rms([m.corner_errors(r) for m, r in zip(grids, results, strict=True)])
        stated = np.sqrt(np.mean([(r.uncertainty.work_volume_mm or np.nan) ** 2 for r in results]))
        expected = np.mean([course(m, NOISE)[-1] ** 2 for m in grids]) ** 0.5
        print(f"{mount}: reference pattern of 15: {base:.3f} mm (stated {stated:.3f})", flush=True)
        for count, bar in BARS.items():
            for revise in (True, False):
                runs = [planned(mount, seed, count, revise) for seed in range(sessions)]
                done = [made.solved() for made, _ in runs]
                error = rms([m.corner_errors(r) for (m, _), r in zip(runs, done, strict=True)])
                u = np.sqrt(np.mean([(r.uncertainty.work_volume_mm or np.nan) ** 2 for r in done]))
                likely = np.mean([course(m, NOISE)[-1] ** 2 for m, _ in runs]) ** 0.5
                print(
                    f"  {count:2} planned, {'revised' if revise else 'at once'}: {error:.3f} mm "
                    f"(stated {u:.3f}), ratio {error / base:.2f}, "
                    f"expected {likely / expected:.2f} (bar {bar}), "
                    f"lost {sum(m.lost for m, _ in runs)}, "
                    f"out of reach {sum(m.unreached for m, _ in runs)}, "
                    f"slowest plan {max(t for _, (t, _) in runs):.2f} s, "
                    f"processor {max(t for _, (_, t) in runs):.2f} s",
                    flush=True,
                )


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
