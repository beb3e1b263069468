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
from collections import Counter
from dataclasses import replace
from functools import partial
from itertools import product
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

from bench_cell_inputs import drawn, located, worst_pick
from mistakes import unsure
from simulated_sessions import Case, Seen, Simulated, simulated
from touched_sessions import POINTER, Arm, in_cell, touches

from engine.cell.cell import Locate
from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND
from engine.cell.rule import Tolerance
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
    problem = replace(unsure(session.problem), locate=locate)
    return replace(session, problem=problem), truly


def proofs(case: Case, locate: Locate, sessions: int, marks: bool, others: Counter[str]) -> str:
    """Return one row of the table, and count in ``others`` what must not, or must, happen."""
    agree, off_u, refuted = [], [], {False: 0, True: 0}
    given = {(far, share): [0, 0, 0] for far in (False, True) for share in SHARES}
    for seed in range(sessions):
        session, truly = known(case, locate, seed)
        result = diagnosed(session.problem)
        if result.uncertainty.pick_mm is None:
            continue
        rng, arm, there = np.random.default_rng([seed, 7]), Arm(session), in_cell(session, locate)
        seen = partial(located, truly=truly, locate=locate) if marks else None
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
    for (far, _), (times, proven, wrong) in given.items():
        others["wrong"] += wrong
        others["proven 3 U off"] += far * proven
        others["3 U off"] += far * times
    others["disagree"] += refuted[True] * len(SHARES)
    good = " | ".join(str(proven) for (far, _), (_, proven, _) in given.items() if not far)
    touched = f"{100 * np.mean(agree):.1f} % | {np.median(off_u):.2f}"
    return f"{touched} | {refuted[False]} | {good}"


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
        seen = partial(located, truly=truly, locate=locate) if marks else None
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
    good = " | ".join([f"proven at {SHARES[0]:g} U", *(f"at {share:g} U" for share in SHARES[1:])])
    print(f"| mount | located by | touched | agree | U of a touch, mm | refuted | {good} |")
    print("|" + "---|" * 9)
    others: Counter[str] = Counter()
    for mount, locate, marks in product(mounts, ways, (False, True)):
        case = Case(mount, "tilted", 6, 12, 0.15, 0.02, 0.15, 0.35, 0.2, 0.4)
        row = proofs(case, locate, sessions, marks, others)  # type: ignore[arg-type]
        print(f"| {mount} | {locate} | {'marks' if marks else 'board'} | {row} |", flush=True)
    far, told = others["3 U off"] // len(SHARES), others["disagree"] // len(SHARES)
    print(f"\nProofs that were wrong: {others['wrong']}. Camera 3 U elsewhere: touches disagree in "
          f"{told} of {far}, proven {others['proven 3 U off']}")  # fmt: skip
    print("\n| mount | located by | touched | inside U | U mm | RMS mm |")
    print("|" + "---|" * 6)
    for mount, locate, marks in product(mounts, ways, (False, True)):
        case = Case(mount, "tilted", 4, 12, 0.15, 0.02, 0.15, 0.35, 0.2, 0.4)
        row = numbers(case, locate, sessions, marks)  # type: ignore[arg-type]
        print(f"| {mount} | {locate} | {'marks' if marks else 'board'} | {row} |", flush=True)


if __name__ == "__main__":
    main()
