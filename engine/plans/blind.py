"""Plans before three stations have confirmed the pose: small jogs that keep the board seen.

Every move is one shift along base axes and one turn about one of them. A move is allowed when the
board stays whole in view in every arrangement that explains what was recorded so far (`plausible`).
Of the allowed ones the move is taken that adds most to the spread of turns: with w the rotation
vectors between all stations, places and rotations are seen through G = Σ (|w|²·I − w·wᵀ) (Tsai &
Lenz 1989: errors fall with the turns and the angles between their axes), and det (G + I) is to be
large. Shifts, which show rotations only, decide between moves that turn alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..cautions import BLIND_PLAN
from ..cell.cell import Cell, KeepOut, Rough
from ..cell.mount import EYE_TO_HAND
from ..estimate.assemble import unsolved
from ..estimate.information import station_information
from ..estimate.pick import pick_model
from ..estimate.problem import Problem, implied_flange, noise_prior, predicted_view, starting_noise
from ..estimate.systematic import NO_ARM
from ..frames import from_position_quaternion, inverse, rotation_log, transform
from ..pendant.conventions import YAW, active_places, to_matrix
from .arm import ArmCheck, arm_check, around, floor_mm
from .outlook import OPEN_MM, tied
from .plausible import Arrangements, arrangements
from .sight import Sight, candidate_views, in_view, placed_views, sight
from .types import Plan, Step
from .way import CLEAR_MM, Bodies, Legs, jog_text, jogged, riding, told_way
from .words import risk, shown

MOST_MM = 100.0  # mm; largest shift before convention, unit and frame are confirmed
SHIFTS_MM = (0.0, 25.0, 50.0, 100.0)  # mm; coarse: what counts is that one of them fits
TURNS_DEG = (20.0, 13.0, 8.0, 5.0)  # deg; none larger before they are confirmed
UNIT_RAD, UNIT_MM = np.radians(0.3), 3.0  # [rad], [mm] turn and shift that just tell something
SHIFT_SHARE = 0.05  # [-] of the gain that shifts may decide
SAMPLE = 128  # arrangements asked for what the camera would see
CHUNK = 32  # moves that all arrangements are asked about at once, those of largest gain first
FIRST_LOOK = 12  # arrangements that sort out most moves before the rest of those is asked
LEAST_VIEW = 0.8  # [-] share of the arrangements that must keep the board in view at the very least

ROUNDING_MM = 1e-6  # mm; a body that stays at its height does not sink
MOST_RECENT = 60  # stations that jogs are spread among: of many that do not fit, the last ones

FIRST_JOGS = 4  # stations after which a plan is usually possible, the first one included
ASKED = 8  # arrangements for which the uncertainty is worked out
AGREED = 2.0  # [-] largest over smallest expected uncertainty that still is an expectation
FIRST_TILT = np.radians(12.0)  # [rad] a first station that faces the camera
FIRST_CENTRE = 0.15  # [-] of half the image, its distance from the middle
FIRST_DRAWN = 4096  # views tried for it
# [-] share of the image's width that the board, rim and all, takes at the first station. Of 60 jogs
# after it 60 were found at 0.4 and 0.5, 45 at 0.55 and 21 at 0.6 (simulation).
FILL = 0.5

TO_THE_MIDDLE = (
    "jog until the whole board is seen in the middle of the image, facing the camera, and fills "
    f"about {100 * FILL:.0f} % of its width"
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
BY_HAND = (
    "By sight, well clear of {names}: turn the flange 10 to 20° about {axis} and shift it up to "
    "100 mm, the whole board in view, and record there. No jog is told: for all that is known of "
    "its place on the flange, the {rides} may be near{unknown}."
)
ROUGH_TELLS = " (the cell's rough places would tell more)"
UNSEEN_MAYBE = "the board may leave the view: watch the image, and stop before it does"
LOW = "the {rides} may come below base Z {floor:.0f} mm on the way: look what is under it"
NEAR_BOX = (
    "By the cell's keep_out the flange is in {names} at this stop, or too near to jog from it. "
    "Correct the box where it is wrong, else move the flange away by sight and record there."
)
DISAGREE = (
    "the stations so far do not fit together: check how the poses are read (convention, unit, "
    "active tool and frame) before going on"
)


class Move(NamedTuple):
    """One small jog: where it leads (4, 4), whether the board surely stays in view there.

    ``held`` (k, axes) are the arm's postures after it. ``low``: what rides on the flange may come
    below the floor on the way.
    """

    flange: Array
    legs: Legs
    held: Array
    sure: bool
    low: bool


@dataclass(frozen=True, slots=True, eq=False)
class Blind:
    """What little is known: the cell, its arm, and where camera and board may be.

    ``bodies`` are the flange's middle and what may ride on it, ``boxes`` what they keep out of. The
    flange goes no lower than the first of ``floor`` (m,) [mm, base], what may ride on it no lower
    than the others where that can be helped.
    """

    cell: Cell
    problem: Problem
    arm: ArmCheck
    known: Arrangements
    seen: Sight
    bodies: Bodies
    boxes: tuple[KeepOut, ...]
    floor: Array

    @property
    def tool(self) -> Array:
        """flange_T_tool (4, 4) of the active tool, about whose tip a jog turns."""
        return active_places(self.cell.pendant)[1]

    def moves(self, visited: Array, count: int) -> list[Move]:
        """Return up to ``count`` moves, each one small jog from the one before.

        ``visited`` (n, 4, 4) are the recorded poses, the last one the present. Fewer where no move
        keeps the board in view.
        """
        poses, found, held = list(visited), list[Move](), self.arm.held
        for _ in range(count):
            best = self._surest(self._ranked(np.array(poses)), poses[-1], held)
            if best is None:
                break
            held = best.held
            poses.append(best.flange)
            found.append(best)
        return found

    def _ranked(self, poses: Array) -> Array:
        """Return the moves from the last of ``poses`` that a first look allows, by falling gain."""
        flange = menu(poses[-1], self.cell.level, self.tool)
        share = in_view(self.seen, self.known.take(FIRST_LOOK).views(flange)).mean(axis=1)
        flange = flange[share >= max(float(share.max()), LEAST_VIEW)]
        if len(flange):
            low = (self.bodies.lowest(flange) < self.floor - ROUNDING_MM).sum(axis=1)
            flange = flange[low == low.min()]
        return np.asarray(flange[np.argsort(-_spread(poses, flange), kind="stable")])

    def _surest(self, flange: Array, present: Array, held: Array) -> Move | None:
        """Return the first move that keeps the board in view in every arrangement, or in most."""
        best, most = None, LEAST_VIEW
        for start in range(0, len(flange), CHUNK):
            some = flange[start : start + CHUNK]
            share = in_view(self.seen, self.known.views(some)).mean(axis=1)
            share[~self._keeps_clear(some)] = 0.0
            for index in np.flatnonzero(share > most):
                if share[index] <= most or not self.arm.stands(some[index]).all():
                    continue
                reach = self.bodies.reach_mm
                way = told_way(present, some[index], self._along, held, reach, self.tool)
                held_there = None if way is None else self.arm.resting(way.held)
                if way is not None and held_there is not None:
                    sure = share[index] == 1.0
                    low = self._sinks(present, way.legs)
                    best = Move(some[index], way.legs, held_there, sure, low)
                    most = float(share[index])
                if most == 1.0:
                    return best
        return best

    def _along(self, poses: Array, held: Array) -> Array | None:
        """Return the arm's postures after a leg that keeps clear in every arrangement, or None."""
        if not (self._high(poses).all() and self.bodies.all_clear(poses, self.boxes)):
            return None
        return self.arm.along(poses, held)

    def _keeps_clear(self, poses: Array) -> NDArray[np.bool_]:
        """Tell at which flange poses (n, 4, 4) all that may ride there keeps clear."""
        return self._high(poses) & self.bodies.clear(poses, self.boxes)

    def _high(self, poses: Array) -> NDArray[np.bool_]:
        """Tell at which poses (n, 4, 4) the flange itself is above the floor."""
        flange = self.bodies.take(slice(1)).lowest(poses)[:, 0]
        return np.asarray(flange >= self.floor[0] - ROUNDING_MM)

    def _sinks(self, present: Array, legs: Legs) -> bool:
        """Tell whether what may ride on the flange comes lower than the floor on a jog."""
        back = inverse(self.tool)
        for leg in legs:
            poses = leg.poses(present @ self.tool, self.bodies.reach_mm) @ back
            if (self.bodies.lowest(poses) < self.floor - ROUNDING_MM).any():
                return True
            present = poses[-1]
        return False

    def jogs(self, typed: Array, count: int, near: tuple[str, ...] | None) -> Plan:
        """Return the plan of `moves` from the last of the recorded poses (n, 4, 4)."""
        near_by = self._near_by(typed[-1:])
        if near_by:
            return Plan((), (near_by,), cautions=BLIND_PLAN)
        cell = self.cell
        moves = self.moves(typed, count)
        expected = self._expected(typed, [move.flange for move in moves])
        steps, here = list[Step](), typed[-1]
        rides = "board" if cell.mount == EYE_TO_HAND else "camera"
        for move, after in zip(moves, expected, strict=True):
            fields, pose = shown(cell, self.arm, move.flange, near, move.held)
            low = LOW.format(rides=rides, floor=self.floor[0]) if move.low else ""
            unseen, limits = UNSEEN_MAYBE * (not move.sure), risk(self.arm, move.held)
            beware = "; ".join(filter(None, (unseen, low, limits)))
            why, jog = _why(here, move.flange, move.sure), jog_text(move.legs)
            steps.append(Step("jog", pose, fields, jog, why, after, beware=beware))
            here, near = move.flange, fields
        notes = (NO_MOVE,) if len(moves) < count else ()
        return Plan(tuple(steps), notes, cautions=BLIND_PLAN)

    def _near_by(self, present: Array) -> str:
        """Say which of the cell's boxes keep jogs from ``present`` (1, 4, 4) from being told."""
        cell, flange = self.cell, self.bodies.take(slice(1))
        for bodies, text in ((flange, NEAR_BOX), (self.bodies, BY_HAND)):
            near = [box.name for box in cell.keep_out if bodies.hit(present, (box,)).any()]
            if near:
                rides = "board" if cell.mount == EYE_TO_HAND else "camera"
                axis = "base Z" if cell.level else "another base axis each time"
                unknown = ROUGH_TELLS if cell.rough is None else ""
                names = " and ".join(near)
                return text.format(names=names, rides=rides, axis=axis, unknown=unknown)
        return ""

    def _expected(self, typed: Array, poses: Sequence[Array]) -> list[float | None]:
        """Return u at the work volume after each of ``poses`` where all arrangements agree."""
        if not poses:
            return []
        table = np.array(
            [self._after(typed, poses, k) for k in range(min(ASKED, len(self.known.fixed)))]
        )
        return [
            float(np.median(u)) if u.max() < min(AGREED * u.min(), OPEN_MM) else None
            for u in table.T
        ]

    def _after(self, typed: Array, poses: Sequence[Array], index: int) -> Array:
        problem, (camera, board) = self.problem, self.known.camera_and_board(index)
        noise = starting_noise(noise_prior(problem.robot, problem.pendant))
        trial = replace(
            unsolved(problem), geometric=camera, camera=camera, board=board, noise=noise
        )
        pick = pick_model(problem, NO_ARM, camera, typed)
        added = station_information(problem, trial, np.array([*typed, *poses]))
        total = np.cumsum(added, axis=0)[len(typed) :]
        # A thousandth of what a hand's breadth would tell keeps open directions finite.
        left = [np.asarray(np.linalg.inv(tied(H + 1e-9 * np.eye(12)))) for H in total]
        return np.array([pick.work_volume_mm(C[:6, :6]) for C in left])


def menu(present: Array, level: bool, tool: Array) -> Array:
    """Return where all moves considered lead from the flange pose ``present``, (m, 4, 4).

    They turn about the tip of ``tool`` (4, 4), the active one.
    """
    ways = np.array([w for w in product((-1.0, 0.0, 1.0), repeat=3) if any(w)])
    ways /= np.linalg.norm(ways, axis=1, keepdims=True)
    shifts = np.concatenate([np.round(s * ways / 5.0) * 5.0 for s in SHIFTS_MM if s > 0])
    shifts = np.vstack([np.zeros(3), shifts[np.linalg.norm(shifts, axis=1) <= MOST_MM]])
    axes = np.eye(3)[2:] if level else np.eye(3)
    turns = np.concatenate([np.radians(a) * s * axes for a in TURNS_DEG for s in (1.0, -1.0)])
    turns = np.vstack([np.zeros(3), turns])
    shift = np.repeat(shifts, len(turns), axis=0)[1:]  # the first one would stay where it is
    turn = np.tile(turns, (len(shifts), 1))[1:]
    start = np.broadcast_to(present @ tool, (len(turn), 4, 4))
    return np.asarray(jogged(start, shift, turn) @ inverse(tool))


def _spread(poses: Array, added: Array) -> Array:
    """Return how well ``poses`` (n, 4, 4) and each of ``added`` (m, 4, 4) spread, (m,)."""
    rotation = np.zeros((len(added), 3, 3))
    shift = np.zeros((len(added), 3, 3))
    m = len(added)
    for i, pose in enumerate(poses):
        others = np.concatenate([added, poses[:i]])
        turned = _seen_by(rotation_log(others[:, :3, :3] @ pose[:3, :3].T) / UNIT_RAD)
        shifted = _seen_by((others[:, :3, 3] - pose[:3, 3]) / UNIT_MM)
        rotation += turned[:m] + turned[m:].sum(axis=0)
        shift += shifted[:m] + shifted[m:].sum(axis=0)
    of_turns, of_shifts = (np.linalg.slogdet(G + np.eye(3))[1] for G in (rotation, shift))
    return np.asarray(of_turns + SHIFT_SHARE * of_shifts)


def _seen_by(w: Array) -> Array:
    """Return |w|²·I − w·wᵀ (m, 3, 3) for vectors (m, 3)."""
    size = (w**2).sum(axis=1)[:, None, None]
    return np.asarray(size * np.eye(3) - w[:, :, None] * w[:, None])


def nothing_recorded(cell: Cell, problem: Problem, count: int | None) -> Plan:
    """Return the plan of a cell without stations: from its rough transforms, or only words."""
    if cell.rough is None:
        return Plan((), (NO_ROUGH, START), cautions=BLIND_PLAN)
    start = _first_pose(cell, cell.rough)
    if start is None:
        note = "By the rough transforms no pose within reach shows the board in the middle."
        return Plan((), (note, START), cautions=BLIND_PLAN)
    flange, view = start
    arm = arm_check(cell.robot, flange[None], [None])
    wanted = FIRST_JOGS if count is None else count
    blind = _blind(cell, problem, arm, flange[None], view[None])
    plan = blind.jogs(flange[None], wanted - 1, None)
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
    wanted = max(FIRST_JOGS - len(typed), 1) if count is None else count
    blind = _blind(cell, problem, arm, typed, views)
    plan = blind.jogs(typed[-MOST_RECENT:], wanted, near)
    if blind.known.agree:
        return plan
    if not plan.steps:
        return replace(plan, notes=(f"{DISAGREE.capitalize()}.", *plan.notes))
    first, *rest = plan.steps
    return replace(plan, steps=(first.warned(DISAGREE), *rest))


def _blind(cell: Cell, problem: Problem, arm: ArmCheck, typed: Array, views: Array) -> Blind:
    """Return what is known after the poses (n, 4, 4), without arrangements that are impossible.

    Those stand in a box already, or as near to the arm's own foot as nobody stops. Of what stands
    below the floor nobody knows whether it does.
    """
    recent = (cell.mount, typed[-MOST_RECENT:], views[-MOST_RECENT:], rough_carried(cell))
    known = arrangements(*recent)
    seen = sight(cell.camera, cell.board, float(views[0, 2, 3]))
    bodies = riding(seen, known.carried, known.mount != EYE_TO_HAND)
    boxes = around(cell, bodies, typed)
    bodies = bodies.possible(typed, cell.keep_out)
    bodies = bodies.possible(typed[-1:], boxes[len(cell.keep_out) :], CLEAR_MM)
    floor = floor_mm(cell, bodies.take(slice(1)), typed)
    lowest = np.minimum(floor, bodies.lowest(typed[-1:])[0])
    return Blind(cell, problem, arm, known.take(SAMPLE), seen, bodies, boxes, lowest)


def rough_carried(cell: Cell) -> Array | None:
    """Return the rough transform (4, 4) of what rides on the flange, where the cell has one."""
    if cell.rough is None:
        return None
    camera, board = rough_places(cell.rough)
    return board if cell.mount == EYE_TO_HAND else camera


def rough_places(rough: Rough) -> tuple[Array, Array]:
    """Return the rough transforms (4, 4) of camera and board."""
    camera, board = (
        from_position_quaternion([*item.position_mm, *item.quaternion_xyzw])
        for item in (rough.camera, rough.board)
    )
    return camera, board


def _first_pose(cell: Cell, rough: Rough) -> tuple[Array, Array] | None:
    """Return (base_T_flange, camera_T_board) of a first station in the middle of the view."""
    camera, board = rough_places(rough)
    width = np.ptp(cell.board.points()[:, 0]) + 2 * cell.board.spacing_mm
    usual = cell.camera.matrix[0][0] * width / (FILL * cell.camera.image_size_px[0])
    seen = sight(cell.camera, cell.board, float(usual))
    view = candidate_views(seen, FIRST_DRAWN)
    if cell.level:
        level = transform(_level(cell), np.zeros(3))[None]
        R = predicted_view(cell.mount, camera, level, board)[:, :3, :3]
        view = placed_views(seen, np.repeat(R, FIRST_DRAWN, axis=0))
    near = (np.abs(seen.at_centre(view)) < FIRST_CENTRE).all(axis=1) & in_view(seen, view)
    view = view[near]
    view = view[np.argsort(np.maximum(seen.tilt(view), FIRST_TILT), kind="stable")]
    flange = implied_flange(cell.mount, camera, view, board)
    for pose, look in zip(flange, view, strict=True):
        check = arm_check(cell.robot, pose[None], [None])
        if check.arm is None or (len(check.held) and check.stands(pose).all()):
            return pose, look
    return None


def _level(cell: Cell) -> Array:
    """Return the flange's rotation (3, 3) at yaw 0 of an arm that holds it level."""
    if cell.pendant.rotation == YAW:
        return to_matrix([0.0], cell.pendant)
    down = cell.robot is not None and cell.robot.kind == "level-flange"
    return np.diag([1.0, -1.0, -1.0]) if down else np.eye(3)


def _why(start: Array, end: Array, sure: bool) -> str:
    turned = bool(np.abs(end[:3, :3] - start[:3, :3]).max() > 1e-6)
    shifted = bool(np.abs(end[:3, 3] - start[:3, 3]).max() > 1e-6)
    what = " and ".join(filter(None, ["turn" * turned, "shift" * shifted]))
    if sure:
        return f"small {what} that keeps the board in view; look at the image before recording"
    return f"small {what}"
