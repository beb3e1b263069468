"""What to do next: which stations are worth visiting, from what is recorded so far."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ..camera.pnp import LEAST_POINTS, board_pose
from ..errors import UsageError
from ..estimate.assemble import solve
from ..estimate.noise import noise_prior
from ..estimate.problem import Problem, problem_from
from ..estimate.result import Result
from ..estimate.solver import LEAST_STATIONS
from ..frames import Array
from ..sessions.cell import Cell
from ..sessions.observations import Observation
from .arm import arm_check, is_level
from .blind_plan import jogs, nothing_recorded
from .jog import jog_text
from .outlook import Outlook, outlook
from .pose_plan import MOST_STATIONS, chosen_plan, grid_plan
from .shown import shown
from .sight import sight
from .types import Plan, Step, Wish

FITS, FITS_MANY = 5.0, 20.0  # [-] robot noise over what is expected of it, up to which poses fit:
# a wrong convention read over turns of 20° shows 10 to 300 times (bench); many stations may differ
# because the robot is worse than described, and would have shown a wrong convention.
MANY = 6  # stations


def make_plan(
    cell: Cell,
    observations: Sequence[Observation],
    wish: Wish | None = None,
    *,
    result: Result | None = None,
    texts: Sequence[tuple[str, ...]] = (),
    doubted: bool = False,
) -> Plan:
    """Return the stations worth visiting after ``observations``.

    ``result`` saves solving them again; ``texts`` are their typed fields, in their order.
    ``doubted``: something is known to be wrong with the poses, so that only jogs are told. Raises
    UsageError for a wish that makes no sense, and what `estimate.solve` raises.
    """
    wish = wish or Wish()
    _check(wish)
    problem = problem_from(cell, tuple(observations))
    places = [(item, view) for item in observations if (view := _view(problem, item)) is not None]
    if not places:
        return nothing_recorded(cell, problem, wish.count)
    typed = np.array([item.base_T_flange for item, _ in places])
    views = np.array([view for _, view in places])
    joints = observations[-1].joints
    look = None
    if len(places) >= LEAST_STATIONS and not doubted:
        result = result or solve(problem)
        if confirmed(problem, result):
            look = _outlook(cell, problem, result, typed, views, joints)
    near = texts[-1] if texts else None
    plan = None if look is None else _by_pose(cell, look, typed, wish, near)
    if look is None or plan is None or not plan.steps:
        return jogs(cell, problem, typed, views, joints, wish.count, near)
    return _closed(cell, look, plan, typed[0], texts[0] if texts else None) if wish.close else plan


def confirmed(problem: Problem, result: Result) -> bool:
    """Tell whether the stations fit together as they only do when the poses are read right.

    Three stations at least, and a robot noise no larger than a good robot's: a wrong convention,
    unit or frame makes it larger by one or two orders of magnitude.
    """
    used = sum(station.used for station in result.stations)
    u = result.uncertainty.work_volume_mm
    if not result.solved or result.noise is None or used < LEAST_STATIONS:
        return False
    if u is None and not is_level(problem.robot):  # u above 50 mm; such an arm always leaves one
        return False
    prior, times = noise_prior(problem.robot, problem.pendant), FITS_MANY if used >= MANY else FITS
    _, rotation, position = np.array(prior.median) * times
    return bool(
        result.noise.rotation < np.hypot(rotation, times * prior.floor[0])
        and result.noise.position < np.hypot(position, times * prior.floor[1])
    )


def _outlook(
    cell: Cell, problem: Problem, result: Result, typed: Array, views: Array, joints: Array | None
) -> Outlook:
    return outlook(
        problem,
        result,
        typed[-1],
        sight(cell.camera, cell.board, float(views[0, 2, 3])),
        arm_check(cell.robot, typed, joints),
        cell.keep_out,
    )


def _by_pose(
    cell: Cell, look: Outlook, typed: Array, wish: Wish, near: tuple[str, ...] | None
) -> Plan:
    if wish.grid is not None:
        return grid_plan(cell, look, typed, wish.grid, wish, near)
    return chosen_plan(cell, look, typed, wish, near)


def _closed(
    cell: Cell, look: Outlook, plan: Plan, first: Array, text: tuple[str, ...] | None
) -> Plan:
    """Return the plan with a last stop at the first station's pose."""
    fields, pose = shown(cell, look.arm, first, text)
    poses = np.array([*(step.base_T_flange for step in plan.steps), pose])
    after = look.expected(look.known + look.information(poses).sum(axis=0))
    last = Step(
        by="pose",
        base_T_flange=pose,
        pose=text or fields,
        jog=jog_text(poses[-2], pose, cell.pendant.active_frame),
        why="closing stop at the pose of the first station, recorded as closing: shows whether "
        "board or camera moved meanwhile",
        work_volume_mm=after and after[0],
        pick_mm=after and after[1],
    )
    return replace(plan, steps=(*plan.steps, last))


def _view(problem: Problem, seen: Observation) -> Array | None:
    """Return camera_T_board (4, 4) of one station, or None where its image gives none."""
    if seen.camera_T_board is not None:
        return seen.camera_T_board
    if seen.pixels is None or seen.point_ids is None or len(seen.pixels) < LEAST_POINTS:
        return None
    points = problem.board.points()[seen.point_ids]
    found = board_pose(points, seen.pixels, problem.camera)
    return found[0][0] if found else None


def _check(wish: Wish) -> None:
    if wish.count is not None and not 1 <= wish.count <= MOST_STATIONS:
        raise UsageError(f"--count {wish.count}", f"From 1 to {MOST_STATIONS} further stations.")
    if wish.until_mm is not None and not (np.isfinite(wish.until_mm) and wish.until_mm > 0):
        raise UsageError(f"--until {wish.until_mm:g}", "Give an uncertainty in mm, above 0.")
