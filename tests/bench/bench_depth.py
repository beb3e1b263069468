"""What depth of a 3-D camera gains, and that a bad one does no harm.

The same sessions without depth, with good depth, and with depth that is wrong in one way; board,
lens, and the scale of good depth are drawn from their priors. Depth goes straight into the
estimate: what the check of every station would have kept out is let in here. For every case: RMS
over the sessions of the worst pick error at the work volume, its ratio to the same sessions without
depth, the share within U, and how often depth was left out.
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
from engine.cell.cell import Locate, Mount
from engine.diagnosis.diagnose import CAUSES, diagnosed
from engine.estimate.solver import fitted

PRIOR = 0.002  # [-] of the scale of depth, as assumed
KINDS = {
    "none": None,
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
    base = None
    for name, errors in KINDS.items():
        off, inside, left_out, caused = [], 0, 0, 0
        for seed in range(sessions):
            rng = np.random.default_rng([seed, stations, 43])
            truly = drawn(rng)
            own = PRIOR * rng.normal()
            if errors is not None:
                errors_now = errors if errors.scale else replace(errors, scale=own)
                truly = replace(truly, depth=errors_now)
            case = Case(mount, stations=stations, geometry_mm=0.0, accuracy_mm=0.0)
            session = simulated(case, rng, truly)
            board = replace(BOARD, scale_u=SCALE_U, bow_u_mm=BOW_U)
            camera = replace(CAMERA, u=U, depth=DepthCamera(1.0, "camera"))
            problem = replace(session.problem, board=board, camera=camera, locate=locate)
            session = replace(session, problem=problem)
            result = diagnosed(problem)
            caused += any(f.code in CAUSES and f.level != "note" for f in result.findings)
            found = fitted(problem)
            depth = None if found is None else found.gathered.depth
            left_out += depth is not None and depth.left_out
            if locate == "depth":  # what the camera sees is off by the scale of its depth
                scale = own if errors is None or not errors.scale else errors.scale
                error = worst_pick(session, result.camera, truly, "depth", 1.0 + scale)
            else:
                error = worst_pick(session, result.camera, truly, "lens")
            off.append(error)
            inside += error <= 2.0 * (result.uncertainty.pick_mm or np.inf)
        size = float(np.sqrt(np.mean(np.square(off))))
        base = base or size
        print(
            f"| {mount} | {stations} | {locate} | {name} | {size:.3f} | {size / base:.2f} | "
            f"{100 * inside / sessions:.0f} % | {left_out} | {caused} |",
            flush=True,
        )


def main() -> None:
    sessions = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    mounts: tuple[Mount, ...] = ("eye-to-hand", "eye-in-hand")
    places: tuple[Locate, ...] = ("lens", "depth")
    print(
        "| mount | stations | located by | depth | RMS mm | ratio | inside U | left out | causes |"
    )
    print("|---|---|---|---|---|---|---|---|---|")
    for mount, locate in product(mounts, places):
        measured(mount, 8, locate, sessions)


if __name__ == "__main__":
    main()
