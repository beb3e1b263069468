"""Decisions against the truth: verdict, proof and recheck, by both rules.

    python tests/bench/bench_decisions.py [sessions]

Sessions are simulated without images (`simulated_sessions`), so what a pick is truly off at the
corners of the work volume is known. Counted is how often a decision was wrong, beside the mean of
the chance that was stated for it, which is to be no smaller.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from dataclasses import replace
from fnmatch import fnmatchcase
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

from bumps import MOUNT, bump, old_session, pick_errors, remounted, revisited
from simulated_sessions import Case, Simulated

from engine.arrays import Array
from engine.cell.mount import EYE_IN_HAND
from engine.cell.result import verdict
from engine.cell.rule import Decision, Rule, Tolerance
from engine.cell.touched import Pointer
from engine.estimate.result import Result
from engine.proof.conclusion import concluded
from engine.proof.pick_now import commands, pick_now
from engine.proof.recheck import recheck
from engine.proof.touch_errors import PointError, Spread
from engine.simulate.scenario import cell

CASES = {
    "fixed camera": Case(stations=8),
    "camera on the flange": Case(mount=EYE_IN_HAND, stations=8),
    "arm off by 0.3 mm": Case(stations=8, geometry_mm=0.3, accuracy_mm=0.4),
}
RULES: tuple[Rule, ...] = ("guarded", "simple")
SHARES = (0.6, 0.9, 1.1, 1.6, 3.5)  # [-] of a session's U: the tolerances it is judged by
STATIONS = 1, 2, 3, 5  # of a recheck
STILL = np.zeros(6)
WAYS = commands("new", "old")
Counts = dict[tuple[str, ...], list[tuple[bool, float]]]


def sizes(errors: Array) -> float:
    """Return the largest length [mm] of errors (n, 3)."""
    return float(np.linalg.norm(errors, axis=1).max())


def note(found: Counts, key: tuple[str, ...], wrong: bool, decision: Decision) -> None:
    """Count one decision about the tolerance, and what was stated about it."""
    if decision.chance_wrong is not None:
        found[key].append((wrong, decision.chance_wrong))


def verdicts(found: Counts, session: Simulated, old: Result) -> None:
    """Judge a result by tolerances around its own U."""
    if old.uncertainty.pick_mm is None:
        return
    off = sizes(pick_errors(session, old, STILL))
    made_of = old.budget.stored() if old.budget else None
    for share in SHARES:
        limit = share * 2.0 * old.uncertainty.pick_mm
        for rule in RULES:
            said, why = verdict(old.uncertainty, Tolerance(limit, 10.0, rule), (), made_of)
            wrong = off > limit if said == "accepted" else off <= limit
            note(found, ("verdict", rule, said), wrong, why)


def proofs(found: Counts, session: Simulated, old: Result, rng: np.random.Generator) -> None:
    """Touch the corners with pointers of several u, the camera where it was or 0.5 mm off."""
    volume = old.uncertainty.work_volume_mm
    if volume is None or old.pick is None or old.budget is None:
        return
    corners = cell().work_volume.corners()
    rows = old.pick.moved[old.pick.corner]
    floor = max(old.budget.stored().stated_mm ** 2 - volume**2, 0.0) / 3.0
    for size in (0.0, 0.5, 2.0):
        errors = pick_errors(session, old, bump(size, rng))
        for u in (0.03, 0.1, 0.3):
            own = 0.05
            touched = errors + rng.normal(0.0, np.hypot(own, u), errors.shape)
            made = [
                PointError(k, f"point {k}", corners[k], corners[k], -error,
                           Spread(row @ old.covariance @ row.T + floor * np.eye(3),
                                  *np.zeros((2, 3, 3)), own**2 * np.eye(3), u**2 * np.eye(3)))
                for k, (error, row) in enumerate(zip(touched, rows, strict=True))
            ]  # fmt: skip
            for limit in (0.8, 1.2, 2.0):
                for rule in RULES:
                    wide = replace(cell(), tolerance=Tolerance(limit, 10.0, rule))
                    proof = concluded(made, wide, Pointer((0.0, 0.0, 150.0), u))
                    said = "proven" if proof.proven else "not proven"
                    beyond = sizes(errors) > limit
                    key = ("proof", f"{rule}, pointer u {u}", said)
                    note(found, key, beyond if proof.proven else not beyond, proof.decision)


def rechecks(found: Counts, session: Simulated, old: Result, rng: np.random.Generator) -> None:
    """Recheck after bumps, judged by both rules."""
    for size in (0.0, 0.3, 0.6, 1.0, 2.0, 5.0):
        for stations in STATIONS:
            shift = bump(size, rng)
            problem = revisited(session, stations, shift, remounted(MOUNT, rng), rng)
            answer = recheck(old, problem)
            off = sizes(pick_errors(session, old, shift))
            for rule in RULES:
                limit = 1.2
                tolerance = Tolerance(limit, 10.0, rule)
                now = pick_now(old, session.problem, problem, answer, tolerance, WAYS)
                key = ("recheck", f"{rule}, {stations} stations")
                if now.state == "not-known":
                    found[*key, "not known"].append((False, 0.0))
                if now.error_mm is None or now.expanded_mm is None:
                    continue
                wrong = {"within": off > limit, "beyond": off <= limit}.get(now.state, False)
                note(found, (*key, now.state), wrong, now.decision)
                inside = abs(off - now.error_mm) <= now.expanded_mm
                if answer.cause in ("camera", "none"):
                    found["recheck", f"{rule}, {stations} stations", "error outside U"].append(
                        (not inside, 0.05)
                    )


# What each row of the table counts: its words, the rule, the kind of decision, what was said.
ROWS: tuple[tuple[str, Rule, str, str], ...] = (
    ("accepted", "guarded", "verdict guarded", "accepted"),
    ("accepted", "simple", "verdict simple", "accepted"),
    ("refused for its U", "guarded", "verdict guarded", "not-accepted"),
    ("refused for its U", "simple", "verdict simple", "not-accepted"),
    ("proven, pointer u 0.03 to 0.3 mm", "guarded", "proof guarded, pointer u 0.*", "proven"),
    ("proven, pointer u 0.03 to 0.1 mm", "simple", "proof simple, pointer u 0.*", "proven"),
    ("not proven, pointer u 0.03 or 0.1 mm", "guarded", "proof guarded, pointer u 0.[01]*",
     "not proven"),
    ("the same, u 0.3 mm: its U as large as the tolerance", "guarded",
     "proof guarded, pointer u 0.3", "not proven"),
    ("recheck: within, 2 to 5 stops", "guarded", "recheck guarded, [2-5] stations", "within"),
    ("recheck: beyond, 2 to 5 stops", "guarded", "recheck guarded, [2-5] stations", "beyond"),
)  # fmt: skip


def matching(found: Counts, pattern: str, said: str) -> list[tuple[bool, float]]:
    """Return the decisions of the kinds that ``pattern`` fits that said ``said``."""
    keys = [key for key in found if key[-1] == said and fnmatchcase(" ".join(key[:-1]), pattern)]
    return [item for key in keys for item in found[key]]


def main() -> None:
    """Print the table, and what is told of rechecks beside it."""
    sessions = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    found: Counts = defaultdict(list)
    for case in CASES.values():
        for seed in range(sessions):
            rng = np.random.default_rng([seed, 17])
            session, old = old_session(case, seed)
            verdicts(found, session, old)
            proofs(found, session, old, rng)
            rechecks(found, session, old, rng)
    print("| decision | rule | times | wrong | stated |\n|---|---|---|---|---|")
    for words, rule, pattern, said in ROWS:
        items = matching(found, pattern, said)
        if items:
            wrong, stated = (np.mean([item[k] for item in items]) for k in (0, 1))
            share = f"{wrong:.{2 if wrong > 0.1 else 3}f}" if wrong else "0"
            told = f"{stated:.{2 if stated > 0.1 else 3}f}"
            print(f"| {words} | {rule} | {len(items)} | {share} | {told} |")
    outside = [item[0] for item in matching(found, "recheck guarded*", "error outside U")]
    print(f"\nRechecks: the pick error within its U in {100 - 100 * np.mean(outside):.2f} % of "
          f"{len(outside)}")  # fmt: skip
    for stations in STATIONS:
        open_ones = matching(found, f"recheck guarded, {stations} stations", "not known")
        print(f"{stations} stops: not known yet {len(open_ones)}")


if __name__ == "__main__":
    main()
