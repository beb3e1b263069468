"""What depth of a 3-D camera gains, and that a bad one does no harm.

The same sessions with and without depth, which is good or wrong in one way; board, lens, and the
scale of good depth are drawn from their priors. Depth goes straight into the estimate: what the
check of every station would have kept out is let in here. For every case: RMS over the sessions of
the worst pick error at the work volume, without depth and with it, their ratio, the share within U,
how often depth was left out, and how often a cause was named. Located by depth, parts are off as
that depth is.

A second table is of depth that leans against the image, located by depth: *tilted*, z off in
proportion to x or y in any direction; *turned*, as a sensor that is turned about an axis across the
view; *shifted*, on pixels beside its own. U, the RMS of the worst pick error, the share within U,
U over that of an oracle, sessions accepted at a tolerance of 5 mm and those of them beyond U, how
often `depth-tilted` was named, and how often another cause.
Usage: python tests/bench/bench_depth.py [sessions] [--leaning] [--stations 5,8,15] [--mount MOUNT]
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from itertools import product
from typing import Literal

import numpy as np
from bench_cell_inputs import BOW_U, SCALE_U, U, drawn, oracles_u, worst_pick
from simulated_sessions import BOARD, CAMERA, Case, DepthErrors, Seen, Simulated, simulated

from engine.camera.model import DepthCamera
from engine.cell.cell import Locate
from engine.cell.mount import Mount
from engine.diagnosis.diagnose import CAUSES, diagnosed, examined
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
            case = Case(mount, stations=stations, geometry_mm=0.0, accuracy_mm=0.0)
            session, truly = made(case, seed, errors, locate)
            problem = session.problem
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


PRIOR_DEG = 0.2  # of how depth leans, as assumed
Lean = Literal["tilted", "turned", "shifted"]
LEANS: tuple[tuple[Lean, float | None], ...] = (
    ("tilted", 0.0), ("tilted", None), ("tilted", 0.17), ("tilted", 0.57), ("tilted", 1.5),
    ("turned", 0.17), ("turned", 0.57), ("turned", 1.5), ("shifted", 0.57), ("shifted", 1.5),
)  # fmt: skip
TOLERANCE_MM = 5.0


def leaning(lean: Lean, degrees: float | None, seed: int) -> DepthErrors:
    """Return such depth, in any direction; ``degrees`` None: drawn from the prior."""
    rng = np.random.default_rng([seed, 44])
    a, b = np.radians(PRIOR_DEG) * rng.normal(size=2)
    if degrees is not None:
        a, b = np.radians(degrees) * np.array([a, b]) / np.hypot(a, b)
    none = (0.0, 0.0)
    tilt, shift = none if lean == "shifted" else (a, b), none if lean == "tilted" else (b, -a)
    return DepthErrors(tilt=tilt, shift=shift, bow_mm=0.05)


def made(case: Case, seed: int, errors: DepthErrors, locate: Locate) -> tuple[Simulated, Seen]:
    """Return a session with such depth, board, lens and scale drawn, and what they truly are."""
    rng = np.random.default_rng([seed, case.stations, 43])
    truly, own = drawn(rng), PRIOR * rng.normal()
    truly = replace(truly, depth=replace(errors, scale=errors.scale or own))
    session = simulated(case, rng, truly)
    board = replace(BOARD, scale_u=SCALE_U, bow_u_mm=BOW_U)
    camera = replace(CAMERA, u=U, depth=DepthCamera(1.0, "camera"))
    problem = replace(session.problem, board=board, camera=camera, locate=locate)
    return replace(session, problem=problem), truly


def leaned(mount: Mount, stations: int, lean: Lean, degrees: float | None, sessions: int) -> None:
    off, stated, best, named, accepted, beyond = [], [], [], list[str](), 0, 0
    for seed in range(sessions):
        case = Case(mount, stations=stations, geometry_mm=0.0, accuracy_mm=0.0)
        session, truly = made(case, seed, leaning(lean, degrees, seed), "depth")
        tolerance = replace(session.problem.tolerance, position_mm=TOLERANCE_MM, angle_deg=1.0)
        problem = replace(session.problem, tolerance=tolerance)
        found = examined(problem)
        assert found is not None
        result = found.result()
        named += [f.code for f in result.findings if f.code in CAUSES and f.level != "note"][:1]
        off.append(worst_pick(session, result.camera, truly, "depth"))
        stated.append(2.0 * (result.uncertainty.pick_mm or np.inf))
        best.append(oracles_u(session, found.solution))
        if result.verdict == "accepted":
            accepted += 1
            beyond += off[-1] > stated[-1]
    size, told = float(np.sqrt(np.mean(np.square(off)))), float(np.median(stated))
    inside = 100.0 * np.mean(np.array(off) <= np.array(stated))
    right = named.count("depth-tilted")
    by = "by its prior" if degrees is None else f"by {degrees:g}°"
    print(
        f"| {mount} | {stations} | {lean} {by} | {told:.2f} | {size:.2f} | {inside:.0f} % | "
        f"{told / np.median(best):.2f} | {accepted} | {beyond} | {right} | {len(named) - right} |",
        flush=True,
    )


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("sessions", nargs="?", type=int, default=40)
    parser.add_argument("--leaning", action="store_true", help="the second table alone")
    parser.add_argument("--stations", default="5,8,15")
    parser.add_argument("--mount", choices=["eye-to-hand", "eye-in-hand"])
    args = parser.parse_args()
    sessions, counts = args.sessions, [int(n) for n in args.stations.split(",")]
    mounts: tuple[Mount, ...] = ("eye-to-hand", "eye-in-hand")
    places: tuple[Locate, ...] = ("lens", "depth")
    print(
        "| mount | stations | located by | depth | RMS mm without | with | ratio | inside U "
        "| left out | causes |"
    )
    print("|---|---|---|---|---|---|---|---|---|---|")
    for mount, locate in () if args.leaning else product(mounts, places):
        measured(mount, 8, locate, sessions)
    print(
        "\n| mount | stations | depth | U mm | RMS mm | inside U | U / oracle | accepted "
        "| beyond U | depth-tilted | other causes |"
    )
    print("|---|---|---|---|---|---|---|---|---|---|---|")
    for mount, stations, (lean, degrees) in product(mounts, counts, LEANS):
        if mount == (args.mount or mount):
            leaned(mount, stations, lean, degrees, sessions)


if __name__ == "__main__":
    main()
