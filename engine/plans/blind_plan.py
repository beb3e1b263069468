"""Plans before three stations have confirmed the pose: jogs only."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ..arrays import Array
from ..cautions import BLIND_PLAN
from ..cell.cell import EYE_TO_HAND, Cell, Rough
from ..estimate.assemble import unsolved
from ..estimate.information import station_information
from ..estimate.model import implied_flange, noise_prior, predicted_view, starting_noise
from ..estimate.pick import pick_model
from ..estimate.problem import Problem
from ..estimate.systematic import NO_ARM
from ..frames import from_position_quaternion, transform
from ..pendant.conventions import YAW, to_matrix
from .arm import ArmCheck, arm_check, is_level
from .blind import BlindMove, blind_moves
from .outlook import OPEN_MM, tied
from .plausible import Arrangements, arrangements
from .sight import Sight, candidate_views, in_view, placed_views, sight
from .types import Plan, Step
from .words import jog_text, shown

FIRST_JOGS = 4  # stations after which a plan is usually possible, the first one included
ASKED = 8  # arrangements for which the uncertainty is worked out
AGREED = 2.0  # [-] largest over smallest expected uncertainty that still is an expectation
FIRST_TILT = np.radians(12.0)  # [rad] a first station that faces the camera
FIRST_CENTRE = 0.15  # [-] of half the image, its distance from the middle
FIRST_DRAWN = 4096  # views tried for it
FILL = 0.4  # [-] share of the image's width that the board takes at the first station

TO_THE_MIDDLE = (
    "jog until the whole board is seen in the middle of the image, facing the camera, and fills "
    "about a third of it"
)
START = f"First station: {TO_THE_MIDDLE}; record it, then plan again."
NO_ROUGH = (
    "Nothing is known yet of where the camera is, so there is nothing to plan: the moves after the "
    "first station follow from its image."
)
NO_MOVE = (
    "No small move keeps the board in view wherever the camera may be: jog the board nearer to the "
    "middle of the view, or farther from the camera, and record that as the next station."
)
BOXES = (
    "Where the board sits on the flange is not known yet, so only the flange surely keeps clear of "
    "{names}: watch the board there."
)
BOXES_IN_HAND = (
    "Where the camera sits on the flange is not known yet, so only the flange surely keeps clear "
    "of {names}: watch the camera there."
)
DISAGREE = (
    "The stations so far do not fit together: check how the poses are read (convention, unit, "
    "active tool and frame) before going on."
)


def nothing_recorded(cell: Cell, problem: Problem, count: int | None) -> Plan:
    """Return the plan of a cell without stations: from its rough transforms, or only words."""
    if cell.rough is None:
        return Plan((), (NO_ROUGH, START), cautions=BLIND_PLAN)
    start = _first_pose(cell, problem, cell.rough)
    if start is None:
        note = "By the rough transforms no pose within reach shows the board in the middle."
        return Plan((), (note, START), cautions=BLIND_PLAN)
    flange, view = start
    arm = arm_check(cell.robot, flange[None], [None])
    known = arrangements(cell.mount, flange[None], view[None], rough_carried(cell))
    wanted = FIRST_JOGS if count is None else count
    plan = _jogs(cell, problem, flange[None], view[None], known, arm, wanted - 1, None)
    fields, pose = shown(cell, arm, flange, None)
    first = Step("jog", pose, fields, TO_THE_MIDDLE, "first station: all others start from it")
    return replace(plan, steps=(first, *plan.steps)[:wanted], notes=(START, *plan.notes))


def jogs(
    cell: Cell,
    problem: Problem,
    typed: Array,
    views: Array,
    arm: ArmCheck,
    count: int | None,
    near: tuple[str, ...] | None,
) -> Plan:
    """Return small jogs from the last of the recorded poses (n, 4, 4) seen as (n, 4, 4)."""
    known = arrangements(cell.mount, typed, views, rough_carried(cell))
    wanted = max(FIRST_JOGS - len(typed), 1) if count is None else count
    plan = _jogs(cell, problem, typed, views, known, arm, wanted, near)
    return plan if known.agree else replace(plan, notes=(DISAGREE, *plan.notes))


def rough_carried(cell: Cell) -> Array | None:
    """Return the rough transform (4, 4) of what rides on the flange, where the cell has one."""
    if cell.rough is None:
        return None
    camera, board = _rough(cell.rough)
    return board if cell.mount == EYE_TO_HAND else camera


def _rough(rough: Rough) -> tuple[Array, Array]:
    camera, board = (
        from_position_quaternion([*item.position_mm, *item.quaternion_xyzw])
        for item in (rough.camera, rough.board)
    )
    return camera, board


def _first_pose(cell: Cell, problem: Problem, rough: Rough) -> tuple[Array, Array] | None:
    """Return (base_T_flange, camera_T_board) of a first station in the middle of the view."""
    camera, board = _rough(rough)
    seen = _first_sight(cell)
    view = candidate_views(seen, FIRST_DRAWN)
    if is_level(cell.robot):
        level = transform(_level(cell), np.zeros(3))[None]
        R = predicted_view(cell.mount, camera, level, board)[:, :3, :3]
        view = placed_views(seen, np.repeat(R, FIRST_DRAWN, axis=0))
    near = (np.abs(seen.at_centre(view)) < FIRST_CENTRE).all(axis=1) & in_view(seen, view)
    view = view[near]
    view = view[np.argsort(np.maximum(seen.tilt(view), FIRST_TILT), kind="stable")]
    flange = implied_flange(cell.mount, camera, view, board)
    for pose, look in zip(flange, view, strict=True):
        check = arm_check(cell.robot, pose[None], [None])
        if check.arm is None or (check.ways and check.stands(pose)):
            return pose, look
    return None


def _level(cell: Cell) -> Array:
    """Return the flange's rotation (3, 3) at yaw 0 of an arm that holds it level."""
    if cell.pendant.rotation == YAW:
        return to_matrix([0.0], cell.pendant)
    down = cell.robot is not None and cell.robot.kind == "level-flange"
    return np.diag([1.0, -1.0, -1.0]) if down else np.eye(3)


def _first_sight(cell: Cell) -> Sight:
    width = np.ptp(cell.board.points()[:, 0]) + 2 * cell.board.spacing_mm
    usual = cell.camera.matrix[0][0] * width / (FILL * cell.camera.image_size_px[0])
    return sight(cell.camera, cell.board, float(usual))


def _jogs(
    cell: Cell,
    problem: Problem,
    typed: Array,
    views: Array,
    known: Arrangements,
    arm: ArmCheck,
    count: int,
    near: tuple[str, ...] | None,
) -> Plan:
    seen = sight(cell.camera, cell.board, float(views[0, 2, 3]))
    level = is_level(cell.robot)
    moves = blind_moves(typed, count, known, seen, arm, cell.keep_out, level=level)
    poses = [move.flange for move in moves]
    expected = _expected(problem, typed, poses, known)
    steps, here = list[Step](), typed[-1]
    for move, after in zip(moves, expected, strict=True):
        flange = move.flange
        fields, pose = shown(cell, arm, flange, near)
        jog = jog_text(here, flange, cell.pendant.active_frame)
        steps.append(Step("jog", pose, fields, jog, _why(here, move), after))
        here, near = flange, fields
    notes = (NO_MOVE,) if len(poses) < count else ()
    if cell.keep_out and steps:
        text = BOXES if cell.mount == EYE_TO_HAND else BOXES_IN_HAND
        notes = (*notes, text.format(names=", ".join(box.name for box in cell.keep_out)))
    return Plan(tuple(steps), notes, cautions=BLIND_PLAN)


def _why(start: Array, move: BlindMove) -> str:
    end = move.flange
    turned = bool(np.abs(end[:3, :3] - start[:3, :3]).max() > 1e-6)
    shifted = bool(np.abs(end[:3, 3] - start[:3, 3]).max() > 1e-6)
    what = " and ".join(filter(None, ["turn" * turned, "shift" * shifted]))
    if move.sure:
        return f"small {what} that keeps the board in view; look at the image before recording"
    return f"small {what}; the board may leave the view: watch the image, and stop before it does"


def _expected(
    problem: Problem, typed: Array, poses: Sequence[Array], known: Arrangements
) -> list[float | None]:
    """Return u at the work volume after each of ``poses``, where all arrangements agree on it."""
    if not poses:
        return []
    values = [_after(problem, typed, poses, known, k) for k in range(min(ASKED, len(known.fixed)))]
    table = np.array(values).reshape(-1, len(poses))
    return [
        float(np.median(u)) if u.max() < min(AGREED * u.min(), OPEN_MM) else None for u in table.T
    ]


def _after(
    problem: Problem, typed: Array, poses: Sequence[Array], known: Arrangements, index: int
) -> Array:
    camera, board = known.camera_and_board(index)
    noise = starting_noise(noise_prior(problem.robot, problem.pendant))
    trial = replace(unsolved(problem), geometric=camera, camera=camera, board=board, noise=noise)
    pick = pick_model(problem, NO_ARM, camera, typed)
    added = station_information(problem, trial, np.array([*typed, *poses]))
    total = np.cumsum(added, axis=0)[len(typed) :]
    # A thousandth of what a hand's breadth would tell keeps open directions finite.
    left = [np.asarray(np.linalg.inv(tied(H + 1e-9 * np.eye(12)))) for H in total]
    return np.array([pick.work_volume_mm(C[:6, :6]) for C in left])
