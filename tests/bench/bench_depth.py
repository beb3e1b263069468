"""What depth of a 3-D camera gains, and that a bad one does no harm.

The same sessions with and without depth, which is good or wrong in one way; board, lens, and the
scale of good depth are drawn from their priors. Depth goes straight into the estimate: what the
check of every station would have kept out is let in here. For every case: RMS over the sessions of
the worst pick error at the work volume, without depth and with it, their ratio, the share within U,
how often depth was left out, and how often a cause was named. Located by depth, parts are off by
the scale of that depth.
Usage: python tests/bench/bench_depth.py [sessions]
"""

from __future__ import annotations

import sys
from dataclasses import replace
from itertools import product

import numpy as np
from bench_cell_inputs import BOW_U, SCALE_U, U, drawn, worst_pick
from simulated_sessions import BOARD, CAMERA, Case, DepthErrors, simulated

from engine.camera.model import DepthCamera
from engine.cell.cell import Locate
from engine.cell.mount import Mount
from engine.diagnosis.diagnose import CAUSES, diagnosed
from engine.estimate.solver import fitted

PRIOR = 0.002  # [-] of the scale of depth, as assumed
KINDS = {
    "good": DepthErrors(noise_mm=0.05, bow_mm=0.05),
    "scale 2 % off": DepthErrors(scale=0.02),
    "scale 0.6 % off": DepthErrors(scale=0.006),
    "bow 1 mm": DepthErrors(bow_mm=1.0),
    "bow 3 mm": DepthErrors(bow_mm=3.0),
    "off by 1 mm, new at every stop": DepthErrors(offset_mm=1.0),
    "60 % holes": DepthErrors(holes=0.6),
    "noise × 10": DepthErrors(noise_mm=0.5),
}


def measured(mount: Mount, stations: int, locate: Locate, sessions: int) -> None:
    for name, errors in KINDS.items():
        without, off, inside, left_out, caused = [], [], 0, 0, 0
        for seed in range(sessions):
            rng = np.random.default_rng([seed, stations, 43])
            truly, own = drawn(rng), PRIOR * rng.normal()
            truly = replace(truly, depth=replace(errors, scale=errors.scale or own))
            case = Case(mount, stations=stations, geometry_mm=0.0, accuracy_mm=0.0)
            session = simulated(case, rng, truly)
            board = replace(BOARD, scale_u=SCALE_U, bow_u_mm=BOW_U)
            camera = replace(CAMERA, u=U, depth=DepthCamera(1.0, "camera"))
            problem = replace(session.problem, board=board, camera=camera, locate=locate)
            session = replace(session, problem=problem)
            result = diagnosed(problem)
            blind = tuple(replace(seen, depths=None) for seen in problem.observations)
            bare = diagnosed(replace(problem, observations=blind))
            caused += any(f.code in CAUSES and f.level != "note" for f in result.findings)
            found = fitted(problem)
            depth = None if found is None else found.gathered.depth
            left_out += depth is not None and depth.left_out
            error, before = (
                worst_pick(session, each.camera, truly, locate) for each in (result, bare)
            )
            off.append(error)
            without.append(before)
            inside += error <= 2.0 * (result.uncertainty.pick_mm or np.inf)
        size, bare_size = (float(np.sqrt(np.mean(np.square(each)))) for each in (off, without))
        print(
            f"| {mount} | {stations} | {locate} | {name} | {bare_size:.3f} | {size:.3f} | "
            f"{size / bare_size:.2f} | {100 * inside / sessions:.0f} % | {left_out} | {caused} |",
            flush=True,
        )


def main() -> None:
    sessions = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    mounts: tuple[Mount, ...] = ("eye-to-hand", "eye-in-hand")
    places: tuple[Locate, ...] = ("lens", "depth")
    print(
        "| mount | stations | located by | depth | RMS mm without | with | ratio | inside U "
        "| left out | causes |"
    )
    print("|---|---|---|---|---|---|---|---|---|---|")
    for mount, locate in product(mounts, places):
        measured(mount, 8, locate, sessions)


if __name__ == "__main__":
    main()
