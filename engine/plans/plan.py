"""What to do next: which stations are worth visiting, from what is recorded so far."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import compress

import numpy as np

from ..arrays import Array
from ..camera.views import LEAST_POINTS, board_pose
from ..cell.cell import Cell
from ..cell.stations import Observation
from ..errors import UsageError
from ..estimate.assemble import estimated
from ..estimate.gather import in_one_numbering
from ..estimate.problem import Problem, implied_flange, noise_prior, problem_from
from ..estimate.result import Result
from ..estimate.solver import LEAST_STATIONS
from .arm import arm_check, around, floor_mm
from .blind import jogs, nothing_recorded
from .outlook import Outlook, outlook
from .plausible import rivals
from .pose_plan import MOST_STATIONS, chosen_plan, spiral_plan
from .types import Plan, Step, Wish
from .way import DOUBT_MM, Told, below, jog_text
from .words import risk, shown

FITS, FITS_MANY = 5.0, 20.0  # [-] robot noise over what is expected of it, up to which poses fit:
# in simulation a wrong convention read over turns of 20° shows 10 to 300 times. Many stations may
# differ because the robot is worse than described, and would have shown a wrong convention.
MANY = 6  # stations
CLOSING = (
    "closing stop at the pose of the first station, to be recorded as closing: it shows whether "
    "board or camera moved meanwhile"
)
NOT_YET = (
    "The stations do not confirm yet how poses are read, so no pose farther off is told. "
    "F6 or stationbook check says what does not fit, if anything."
)
NOWHERE = (
    "No station farther off was found that shows the whole board, within reach and clear of all."
)
DOUBTED = (
    " What rides on the flange is known to {doubt:.0f} mm as yet, and kept farther off by that."
)
NO_CLOSE = "The closing stop is planned once three stations fit together."
NO_WAY_BACK = (
    "No clear jog leads from the last station to the pose of the first: the closing stop is not "
    "told. Come back to where the robot stands now, then plan it again."
)
LEFT_OUT = (
    "Left out for the closing stop, since no clear jog leads back to it from there: {stations}. "
    "Without a closing stop they may be planned."
)
UNSEEN = (
    "The robot stands where no used station shows the board: no jog can be told from there yet. "
    "Jog on with the board in view, and record."
)
NO_SPIRAL = "The spiral is planned once three stations fit together."
NO_CLOSE_HERE = "No closing stop is told from here: it ends a plan of stations farther off."
NO_SPIRAL_HERE = "No stop of the spiral is seen, within reach and clear of all."


def make_plan(
    cell: Cell,
    observations: Sequence[Observation],
    wish: Wish | None = None,
    *,
    result: Result | None = None,
    texts: Mapping[int, tuple[str, ...]] | None = None,
    doubted: bool = False,
    standing: Observation | None = None,
) -> Plan:
    """Return the stations worth visiting after ``observations``.

    ``standing``: where the robot stands, one of them or not; None: at the last.
    ``result`` saves solving them again; ``texts`` are their typed fields, by station.
    ``doubted``: something is known to be wrong with the poses, so that only jogs are told. Raises
    UsageError for a wish that makes no sense, and what `estimate.solve` raises.
    """
    wish = wish or Wish()
    _check(wish)
    problem = problem_from(cell, tuple(observations))
    seen = [(item, view) for item in observations if (view := _view(problem, item)) is not None]
    if not seen:
        return nothing_recorded(cell, problem, wish.count)
    typed = np.array([item.base_T_flange for item, _ in seen])
    views = np.array([view for _, view in seen])
    views = in_one_numbering(cell.mount, cell.board, typed, views)
    seen = [(item, view) for (item, _), view in zip(seen, views, strict=True)]
    standing, texts = standing or observations[-1], texts or {}
    near = texts.get(standing.id)
    sure, far = False, NOWHERE
    if len(seen) >= LEAST_STATIONS and not doubted:
        result = result or estimated(problem)
        sure = _confirmed(problem, result, seen)
        if sure:
            look = _outlook(cell, problem, result, seen, standing)
            if cell.keep_out and look.doubt_mm >= DOUBT_MM:
                far += DOUBTED.format(doubt=look.doubt_mm)
            if wish.spiral is not None:
                plan = spiral_plan(cell, look, typed, wish.spiral, wish, near)
            else:
                plan = chosen_plan(cell, look, typed, wish, near)
            if plan.steps or look.enough(wish.until_mm):
                first = seen[0][0]
                return _closed(cell, look, plan, first, texts.get(first.id)) if wish.close else plan
    seen.sort(key=lambda stop: stop[0].id == standing.id)
    if seen[-1][0].id != standing.id:
        return Plan((), (UNSEEN,))
    typed = np.array([item.base_T_flange for item, _ in seen])
    views = np.array([view for _, view in seen])
    arm = arm_check(cell.robot, typed, [item.joints for item, _ in seen])
    plan = jogs(cell, problem, typed, views, arm, wish.count, near)
    why = (far if sure else NOT_YET) if len(seen) >= LEAST_STATIONS else ""
    close, spiral = (NO_CLOSE_HERE, NO_SPIRAL_HERE) if sure else (NO_CLOSE, NO_SPIRAL)
    late = (why, close if wish.close else "", spiral if wish.spiral else "")
    return replace(plan, notes=(*plan.notes, *filter(None, late)))


def _confirmed(problem: Problem, result: Result, seen: Sequence[tuple[Observation, Array]]) -> bool:
    """Tell whether the stations fit together as they only do when the poses are read right.

    Three stations at least that the result uses, a robot noise no larger than a good robot's, and
    no other convention that fits as well.
    """
    used = np.array([station.used for station in result.stations])
    if used.sum() < LEAST_STATIONS or not _fits(problem, result):
        return False
    if problem.level:  # it turns about one axis: there all conventions agree
        return True
    kept = used if len(used) == len(seen) else np.ones(len(seen), bool)
    stations, views = zip(*compress(seen, kept), strict=True)
    typed = np.array([item.base_T_flange for item in stations])
    centre = problem.board.points().mean(axis=0)
    others = rivals(problem.mount, problem.pendant, typed, np.array(views), centre)
    return not any(_fits_as(problem, stations, poses) for poses in others)


def _fits(problem: Problem, result: Result) -> bool:
    """Tell whether the robot noise of ``result`` is what such a robot and pendant may show."""
    if not result.solved or result.noise is None:
        return False
    many = sum(station.used for station in result.stations) >= MANY
    prior = noise_prior(problem.robot, problem.pendant)
    _, rotation, position = np.hypot(prior.median, (0.0, *prior.floor))
    times = FITS_MANY if many else FITS
    noise = result.noise
    return bool(noise.rotation <= times * rotation and noise.position <= times * position)


def _fits_as(problem: Problem, stations: Sequence[Observation], poses: Array) -> bool:
    """Tell whether the stations fit with these poses (n, 4, 4) instead of their own."""
    read = tuple(
        replace(item, base_T_flange=pose, joints=None)
        for item, pose in zip(stations, poses, strict=True)
    )
    trial = replace(problem, observations=read, robot=None)
    return _fits(problem, estimated(trial))


def _outlook(
    cell: Cell,
    problem: Problem,
    result: Result,
    seen: Sequence[tuple[Observation, Array]],
    standing: Observation,
) -> Outlook:
    """Return the outlook from the stations that the result uses, and from where the robot stands.

    Where that pose is doubted, the flange stands where its image puts it.
    """
    used = {item.id for item in result.stations if item.used}
    others = [item for item, _ in seen if item.id in used - {standing.id}]
    good = [(item.base_T_flange, item.joints) for item in others]
    view = next((view for item, view in seen if item.id == standing.id), None)
    if view is None or standing.id in used:
        good.append((standing.base_T_flange, standing.joints))
    else:
        there = implied_flange(problem.mount, result.geometric, view, result.board)
        good.append((there, None))
    typed = np.array([pose for pose, _ in good])
    arm = arm_check(cell.robot, typed, [joints for _, joints in good])
    look = outlook(problem, result, typed[-1], seen[0][1], arm)
    doubt = look.doubt_mm
    flange, bodies = look.bodies.take(slice(1)), look.bodies.doubted(doubt)
    if not look.one_axis:
        floor = below(floor_mm(cell, bodies, typed))
        return replace(
            look, bodies=bodies, boxes=(*around(cell, look.bodies, typed), floor), told={}, legs={}
        )
    # How high the rest is nobody knows: not where it cannot have been. The floor is the flange's.
    boxes, lowest = around(cell, look.bodies, typed), floor_mm(cell, flange, typed)
    bodies = bodies.possible(typed, boxes, -max(doubt, DOUBT_MM))
    if doubt < DOUBT_MM:
        bodies = bodies.as_near(typed[-1], boxes)
    return replace(look, bodies=bodies, boxes=boxes, lowest_mm=lowest, told={}, legs={})


def _closed(
    cell: Cell, look: Outlook, plan: Plan, first: Observation, text: tuple[str, ...] | None
) -> Plan:
    """Return the plan with a last stop at the first station's pose, if a clear jog leads there.

    Stations at the end from which none does are left out, all but one.
    """
    fields, pose = shown(cell, look.arm, first.base_T_flange, text)
    steps, way = plan.steps, _way_back(look, plan.steps, pose)
    while way is None and len(steps) > 1:
        steps = steps[:-1]
        way = _way_back(look, steps, pose)
    if way is None:
        return replace(plan, notes=(*plan.notes, NO_WAY_BACK))
    legs, held = way
    if cell.pendant.shows_joints:
        text, _ = shown(cell, look.arm, pose, text, held)
    after = look.after(np.array([*(step.base_T_flange for step in steps), pose]))
    volume, pick = after or (None, None)
    beware = risk(look.arm, held)
    last = Step("pose", pose, text or fields, jog_text(legs), CLOSING, volume, pick, held, beware)
    lost = len(plan.steps) - len(steps)
    stations = "1 station" if lost == 1 else f"{lost} stations"
    notes = (*plan.notes, LEFT_OUT.format(stations=stations)) if lost else plan.notes
    return replace(plan, steps=(*steps, last), notes=notes)


def _way_back(look: Outlook, steps: Sequence[Step], pose: Array) -> Told | None:
    """Return the jog to ``pose`` (4, 4) after ``steps``, and the postures then; None: none."""
    here = steps[-1].base_T_flange if steps else look.present
    held = steps[-1].held if steps else look.arm.held
    return None if held is None else look.way(here, pose, held)


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
