"""Sessions whose printed results are stored, and those results: what must not change unnoticed.

Two hundred simulated sessions, clean ones and ones with a mistake, and the example. Of each the
verdict, the transforms, uncertainties, noise, the residuals of the stations, and the findings
with every number in their words. Numbers are stored as whole units of the last digit that `solve`
prints, so that a result is compared to that digit and not beyond it.
"""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import mistakes as m
import numpy as np
from simulated_sessions import BOARD, CAMERA, Case, DepthErrors, Seen, simulated

from engine.camera.model import DepthCamera
from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND, Mount
from engine.cell.result import Placed, StoredResult
from engine.diagnosis.diagnose import CAUSES, diagnosed
from engine.estimate.problem import Problem, predicted_view
from engine.sessions.folder import open_session
from engine.steps.solve import solve_session

sys.path.insert(0, str(Path(__file__).parent / "bench"))

from bench_mistakes import KINDS

ROOT = Path(__file__).resolve().parents[1]
FILE = Path(__file__).parent / "data" / "printed_results.jsonl"
EXAMPLE = ROOT / "sessions" / "bottling-line-2-infeed"
COUNT = 200
MOUNTS: tuple[Mount, ...] = (EYE_TO_HAND, EYE_IN_HAND)
EDGE = 0.01  # [-] of the last digit: how far beyond half of it rounding may lie on another machine
DOUBLE = 1e-9  # [-] what a number keeps of its digits: a result that is nonsense has thirty
U_DIGITS, PX_DIGITS, MM_DIGITS, DEG_DIGITS = 3, 3, 3, 3  # as `result_lines` prints them
PLACE_DIGITS, TURN_DIGITS, NOISE_DIGITS = 3, 6, 4
NUMBER = re.compile(r"-?\d+(?:\.\d+)?(?:e[-+]?\d+)?")

Printed = dict[str, Any]
Make = Callable[[], StoredResult]


def sessions() -> dict[str, Make]:
    """Return how the result of each session is found, by the session's name."""
    made: dict[str, Make] = {
        "example": lambda: solve_session(open_session(EXAMPLE), EXAMPLE).stored
    }
    made |= dict(_clean())
    made |= dict(_special())
    kinds = [kind for kind in KINDS if kind != "clean"]
    for seed in range(COUNT + 1 - len(made)):
        kind, mount = kinds[seed % len(kinds)], MOUNTS[(seed // len(kinds)) % len(MOUNTS)]
        case = Case(mount, stations=(15, 8, 12)[seed // len(kinds) % 3])
        made[f"{kind} {seed}"] = partial(_mistaken, kind, case, seed)
    return made


def _example() -> StoredResult:
    return solve_session(open_session(EXAMPLE), EXAMPLE).stored


def _clean() -> Iterator[tuple[str, Make]]:
    """Yield clean sessions of every mount, style, size and knowledge of arm, lens and board."""
    for seed in range(64):
        case = Case(
            MOUNTS[seed % 2],
            ("tilted", "reference")[seed // 2 % 2],
            4 if seed % 8 > 5 else 6,
            (15, 8, 5, 30, 15, 4, 60, 15)[seed // 2 % 8],
            geometry_mm=0.3 * (seed // 4 % 2),
            accuracy_mm=(0.0, 0.4, None)[seed // 4 % 3],
            height_known=seed % 16 > 12,
        )
        yield f"clean {seed}", partial(_solved, case, seed, known=seed % 5 == 0)


def _special() -> Iterator[tuple[str, Make]]:
    """Yield sessions of what not every cell has: reported poses, depth, covariances, no arm."""
    for seed in range(16):
        how = ("reported", "depth", "covariances", "no arm")[seed % 4]
        yield f"{how} {seed}", partial(_of_other_cells, how, Case(MOUNTS[seed // 4 % 2]), seed)


def _solved(case: Case, seed: int, *, known: bool) -> StoredResult:
    problem = simulated(case, np.random.default_rng(seed)).problem
    return _diagnosed(problem if known else m.unsure(problem))


def _of_other_cells(how: str, case: Case, seed: int) -> StoredResult:
    rng = np.random.default_rng(seed)
    truly = Seen(BOARD.points(), CAMERA, DepthErrors(scale=0.001)) if how == "depth" else None
    made = simulated(replace(case, stations=10), rng, truly)
    problem = m.unsure(made.problem)
    if how == "depth":
        camera = replace(problem.camera, depth=DepthCamera(0.1, "camera"))
        problem = replace(problem, camera=camera, locate="depth")
    if how == "no arm":
        problem = replace(problem, robot=None)
    observations = []
    for seen in problem.observations:
        if how == "reported":
            view = predicted_view(case.mount, made.camera, seen.base_T_flange, made.board)
            seen = replace(seen, camera_T_board=view, pixels=None, point_ids=None)
        if how == "covariances":
            sizes = rng.uniform(0.05, 0.3, (BOARD.count, 1, 1)) ** 2
            seen = replace(seen, covariances=sizes * np.eye(2))
        observations.append(seen)
    return _diagnosed(replace(problem, observations=tuple(observations)))


def _mistaken(kind: str, case: Case, seed: int) -> StoredResult:
    made = KINDS[kind](case, seed)[0]
    problem = made.problem if seed % 2 else m.unsure(made.problem)
    return diagnosed(problem, made.texts).stored()


def _diagnosed(problem: Problem) -> StoredResult:
    session = m.typed(problem)
    return diagnosed(session.problem, session.texts).stored()


def printed(result: StoredResult) -> Printed:
    """Return what a result prints, its numbers in units of their last digit, not rounded.

    A fit that did not converge ends where rounding takes it: then only causes are compared.
    """
    findings = [_finding(one.document()) for one in result.findings]
    if result.convergence is None or not result.convergence.converged:
        causes = [one for one in findings if one[0] in CAUSES]
        return {"verdict": result.verdict, "causes": causes}
    u, noise, budget = result.uncertainty, result.noise, result.budget
    placed = [*result.transforms.values(), result.geometric]
    stations = [
        [
            one.id if one.used else -one.id,
            *_digits([one.residual_px], PX_DIGITS),
            *_digits([one.robot_residual_mm, one.left_out_mm], MM_DIGITS),
            *_digits([one.robot_residual_deg, one.left_out_deg], DEG_DIGITS),
        ]
        for one in result.stations
    ]
    levels = [noise.pixel_px, noise.robot_position_mm, noise.robot_angle_deg]
    return {
        "verdict": result.verdict,
        "placed": [_place(one) for one in placed],
        "u": _digits([u.pick_mm, u.work_volume_mm, u.position_mm, u.angle_deg], U_DIGITS),
        "factor": _digits([budget and budget.coverage_factor], U_DIGITS),
        "noise": _digits(levels, NOISE_DIGITS),
        "stations": stations,
        "findings": findings,
    }


def _place(placed: Placed | None) -> list[float | None] | None:
    if placed is None:
        return None
    turn = placed.quaternion_xyzw or (None,) * 4
    return _digits(placed.position_mm, PLACE_DIGITS) + _digits(turn, TURN_DIGITS)


def _finding(document: dict[str, Any]) -> list[Any]:
    keys = ("code", "level", "station", "stations", "field", "typed", "suggested")
    numbers = " ".join(NUMBER.findall(f"{document['message']} {document['remedy']}"))
    return [*(document[key] for key in keys), numbers]


def _digits(values: Any, digits: int) -> list[float | None]:
    return [None if value is None else float(value) * 10.0**digits for value in values]


def rounded(part: Any) -> Any:
    """Return the same with whole numbers, as the file holds it."""
    if isinstance(part, float):
        return round(part)
    if isinstance(part, dict):
        return {key: rounded(value) for key, value in part.items()}
    return [rounded(one) for one in part] if isinstance(part, list) else part


def same(now: Any, stored: Any) -> bool:
    """Tell whether a result not yet rounded prints as the stored one does."""
    if isinstance(now, float):
        return isinstance(stored, int) and abs(now - stored) <= 0.5 + EDGE + DOUBLE * abs(now)
    if isinstance(now, dict):
        return now.keys() == stored.keys() and all(same(now[key], stored[key]) for key in now)
    if isinstance(now, list) and isinstance(stored, list):
        return len(now) == len(stored) and all(map(same, now, stored))
    return bool(now == stored)


def stored() -> dict[str, Printed]:
    """Return the printed results that the file holds, by the session's name."""
    lines = FILE.read_text(encoding="utf-8").splitlines()
    return dict(json.loads(line) for line in lines)


def changes(name: str, make: Make, before: Printed) -> list[str]:
    """Return the parts of a session's printed result that are not those stored, in words."""
    now = printed(make())
    return [
        f"{name}: {key}: {rounded(now[key])} was {before.get(key)}"
        for key in now
        if key not in before or not same(now[key], before[key])
    ]
