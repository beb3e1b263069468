"""Touches on a board and on marks where board, lens and arm are only known to some accuracy.

Every input is drawn from its prior, as in bench_cell_inputs. The board is laid in the work volume
at two places and seen through the true lens; its corners are touched, and beside them marks that
the camera's own program locates. For every case: the share of touches that agree (the truth is
within U), how often a proof is given at tolerances of 1.2, 2 and 3 times U of a pick, how many of
these are wrong (the pick at a corner is off by more than the tolerance), the same for a camera that
is 3 U elsewhere, how often touches are said to disagree, and what the pointer's touch as the
missing number of a four-axis arm does to the result's U.
Usage: python tests/bench/bench_touches.py [sessions]
"""

from __future__ import annotations

import sys
from dataclasses import replace
from functools import partial
from itertools import product
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

from bench_cell_inputs import BOW_U, SCALE_U, U, drawn, located, worst_pick
from simulated_sessions import CAMERA, Case, Seen, Simulated, simulated
from touched_sessions import POINTER, Arm, in_cell, touches

from engine.cell.cell import EYE_IN_HAND, EYE_TO_HAND, Locate, Tolerance
from engine.diagnosis.diagnose import diagnosed
from engine.estimate.result import Result
from engine.frames import displaced
from engine.proof.conclusion import concluded
from engine.proof.stated import stated
from engine.proof.touch import touched_number
from engine.proof.touch_errors import point_error

SHARES = (1.2, 2.0, 3.0)  # [-] of U: tolerances


def known(case: Case, locate: Locate, seed: int) -> tuple[Simulated, Seen]:
    """Return a session whose cell gives every u, and what board and lens truly are."""
    rng = np.random.default_rng([seed, case.stations, 43])
    truly = drawn(rng)
    session = simulated(case, rng, truly)
    board = replace(session.problem.board, scale_u=SCALE_U, bow_u_mm=BOW_U)
    camera = replace(CAMERA, u=U)
    problem = replace(session.problem, board=board, camera=camera, locate=locate)
    return replace(session, problem=problem), truly


def proofs(case: Case, locate: Locate, sessions: int, marks: bool) -> str:
    """Return one row of the table."""
    agree, off_u, refuted = [], [], {False: 0, True: 0}
    given = {(far, share): [0, 0, 0] for far in (False, True) for share in SHARES}
    for seed in range(sessions):
        session, truly = known(case, locate, seed)
        result = diagnosed(session.problem)
        if result.uncertainty.pick_mm is None:
            continue
        rng, arm, there = np.random.default_rng([seed, 7]), Arm(session), in_cell(session, locate)
        seen = partial(located, true=truly.camera, locate=locate) if marks else None
        expanded = 2.0 * result.uncertainty.pick_mm
        for far in (False, True):
            moved = shifted(result, 3.0 * expanded if far else 0.0, rng)
            claims = stated(moved.stored(), there)
            placed = touches(session, truly, there, arm, rng, seen)
            errors = [point_error(one, claims, there.mount, POINTER) for one in placed]
            if not far:
                agree += [one.agrees for one in errors]
                off_u += [one.spread.measured_mm for one in errors]
            worst = worst_pick(session, moved.camera, truly, locate)
            said = concluded(errors, there, POINTER).findings
            refuted[far] += any(item.code == "proof-disagrees" for item in said)
            for share in SHARES:
                count = given[far, share]
                tolerance = Tolerance(share * expanded, 10.0)
                proof = concluded(errors, replace(there, tolerance=tolerance), POINTER)
                count[0] += 1
                count[1] += proof.proven
                count[2] += proof.proven and worst > tolerance.position_mm
    good = " | ".join(f"{c[1]} of {c[0]}, {c[2]} wrong" for (far, _), c in given.items() if not far)
    bad = " | ".join(f"{c[1]}, {c[2]} wrong" for (far, _), c in given.items() if far)
    touched = f"{100 * np.mean(agree):.1f} % | {np.median(off_u):.2f}"
    return f"{touched} | {refuted[False]} | {good} | {refuted[True]} | {bad}"


def shifted(result: Result, size_mm: float, rng: np.random.Generator) -> Result:
    """Return the result with its camera ``size_mm`` elsewhere."""
    way = rng.normal(size=3)
    step = np.r_[np.zeros(3), size_mm * way / np.linalg.norm(way)]
    return replace(result, camera=displaced(result.camera, step))


def numbers(case: Case, locate: Locate, sessions: int, marks: bool) -> str:
    """Return how U holds where a touch sets what a four-axis arm does not show."""
    inside, stated_mm, off = 0, [], []
    for seed in range(sessions):
        session, truly = known(case, locate, seed)
        rng, arm, there = np.random.default_rng([seed, 9]), Arm(session), in_cell(session, locate)
        seen = partial(located, true=truly.camera, locate=locate) if marks else None
        (placed, *_) = touches(session, truly, there, arm, rng, seen)
        touched = touched_number(there, placed, POINTER)
        result = diagnosed(replace(session.problem, touched=(touched,)))
        if result.uncertainty.pick_mm is None:
            continue
        stated_mm.append(2.0 * result.uncertainty.pick_mm)
        off.append(worst_pick(session, result.camera, truly, locate))
        inside += off[-1] <= stated_mm[-1]
    size = float(np.sqrt(np.mean(np.square(off))))
    share = 100 * inside / max(len(off), 1)
    return f"{share:.0f} % of {len(off)} | {np.median(stated_mm):.2f} | {size:.2f}"


def main() -> None:
    sessions = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    mounts, ways = (EYE_TO_HAND, EYE_IN_HAND), ("lens", "depth")
    good = " | ".join(f"proven at {share:g} U" for share in SHARES)
    bad = " | ".join(f"3 U off, at {share:g} U" for share in SHARES)
    print(f"| mount | located by | touched | agree | U of a touch mm | refuted | {good} | "
          f"3 U off: refuted | {bad} |")  # fmt: skip
    print("|" + "---|" * 13)
    for mount, locate, marks in product(mounts, ways, (False, True)):
        case = Case(mount, "tilted", 6, 12, 0.15, 0.02, 0.15, 0.35, 0.2, 0.4)
        row = proofs(case, locate, sessions, marks)  # type: ignore[arg-type]
        print(f"| {mount} | {locate} | {'marks' if marks else 'board'} | {row} |", flush=True)
    print("\n| mount | located by | touched | inside U | U mm | RMS mm |")
    print("|" + "---|" * 6)
    for mount, locate, marks in product(mounts, ways, (False, True)):
        case = Case(mount, "tilted", 4, 12, 0.15, 0.02, 0.15, 0.35, 0.2, 0.4)
        row = numbers(case, locate, sessions, marks)  # type: ignore[arg-type]
        print(f"| {mount} | {locate} | {'marks' if marks else 'board'} | {row} |", flush=True)


if __name__ == "__main__":
    main()
