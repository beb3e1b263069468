"""Sessions of an arm with geometric errors, recorded as a plan says, for tests and benches."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from engine.camera.lens import project
from engine.cell.mount import Mount
from engine.cell.stations import Observation
from engine.estimate.assemble import estimated
from engine.estimate.problem import problem_from
from engine.estimate.result import Result
from engine.frames import apply
from engine.pendant.entry import pose_from_fields
from engine.plans.plan import make_plan
from engine.plans.types import Plan, Wish
from engine.simulate.scenario import cell, truth
from engine.simulate.virtual_cell import VirtualCell

NOISE_PX = 0.1


class Followed(NamedTuple):
    """A result, the plan made from it, and the result once that plan was followed to its end."""

    before: Result
    plan: Plan
    after: Result


def followed(mount: Mount, seed: int, first: int = 5, wish: Wish | None = None) -> Followed:
    """Return what a session of ``first`` stations promises, and what it holds."""
    made = VirtualCell(cell(mount), truth(mount), seed)
    rng = np.random.default_rng(seed)
    seen: list[Observation] = []
    for goal in made.suggest_stations(first):
        _stop(made, goal, seen, rng)
    before = estimated(problem_from(made.cell, seen))
    plan = make_plan(made.cell, seen, wish or Wish(count=4), result=before)
    for step in plan.steps:
        _stop(made, step.base_T_flange, seen, rng)
    return Followed(before, plan, estimated(problem_from(made.cell, seen)))


def _stop(
    made: VirtualCell, goal: np.ndarray, seen: list[Observation], rng: np.random.Generator
) -> None:
    made.go_to(goal)
    board = made.cell.board
    pixels = project(apply(made.camera_T_board(), board.points()), made.cell.camera)
    pixels = pixels + rng.normal(0.0, NOISE_PX, pixels.shape)
    typed = pose_from_fields(made.pendant_pose(), made.cell.pendant).base_T_flange
    seen.append(Observation(len(seen) + 1, typed, np.arange(board.count), pixels))
