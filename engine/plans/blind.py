"""The first moves, made without knowing where the camera is: small jogs that keep the board seen.

Every move is one shift along base axes and one turn about one of them. A move is allowed when the
board stays whole in view in every arrangement that explains what was recorded so far (`plausible`).
Of the allowed ones the move is taken that adds most to the spread of turns: with w the rotation
vectors between all stations, places and rotations are seen through G = Σ (|w|²·I − w·wᵀ) (Tsai &
Lenz 1989: errors fall with the turns and the angles between their axes), and det (G + I) is to be
large. Shifts, which show rotations only, decide between moves that turn alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..camera.views import Selection
from ..cell.cell import EYE_TO_HAND, KeepOut
from ..frames import apply, rotation_log
from .arm import ArmCheck
from .keep_out import clear, way_clear
from .plausible import Arrangements
from .sight import Sight, in_view
from .words import jogged

MOST_MM, MOST_DEG = 100.0, 20.0  # largest move before convention, unit and frame are confirmed
SHIFTS_MM = (0.0, 25.0, 50.0, 100.0)  # mm; coarse: what counts is that one of them fits
TURNS_DEG = (20.0, 13.0, 8.0, 5.0)
UNIT_RAD, UNIT_MM = np.radians(0.3), 3.0  # [rad], [mm] turn and shift that just tell something
SHIFT_SHARE = 0.05  # [-] of the gain that shifts may decide
CHUNK = 32  # moves that all arrangements are asked about at once, those of largest gain first
FIRST_LOOK = 12  # arrangements that sort out most moves before all are asked
LEAST_VIEW = 0.8  # [-] share of the arrangements that must keep the board in view at the very least


@dataclass(frozen=True, slots=True, eq=False)
class BlindMove:
    """One move: where it leads (4, 4), and whether the board stays in view for ``sure``."""

    flange: Array
    sure: bool


@dataclass(frozen=True, slots=True, eq=False)
class Moves:
    """Moves from one pose: shifts (m, 3) [mm], turns (m, 3) [rad], where they lead (m, 4, 4)."""

    shift: Array
    turn: Array
    flange: Array

    def take(self, index: Selection) -> Moves:
        """Return the moves at ``index`` (indices or a mask)."""
        return Moves(self.shift[index], self.turn[index], self.flange[index])


def blind_moves(
    visited: Array,
    count: int,
    known: Arrangements,
    seen: Sight,
    arm: ArmCheck,
    boxes: Sequence[KeepOut],
    *,
    level: bool,
) -> list[BlindMove]:
    """Return up to ``count`` moves, each one small jog from the one before.

    ``visited`` (n, 4, 4) are the recorded poses, the last one the present. Fewer where no move
    keeps the board in view.
    """
    poses, found = list(visited), list[BlindMove]()
    for _ in range(count):
        moves = _ranked(np.array(poses), known, seen, level)
        best = _surest(moves, poses[-1], known, seen, arm, boxes)
        if best is None:
            break
        poses.append(best.flange)
        found.append(best)
    return found


def _ranked(poses: Array, known: Arrangements, seen: Sight, level: bool) -> Moves:
    """Return the moves from the last of ``poses`` that a first look allows, by falling gain."""
    moves = menu(poses[-1], level)
    share = in_view(seen, known.take(FIRST_LOOK).views(moves.flange)).mean(axis=1)
    moves = moves.take(share >= max(float(share.max()), LEAST_VIEW))
    return moves.take(np.argsort(-_spread(poses, moves.flange), kind="stable"))


def _surest(
    moves: Moves,
    present: Array,
    known: Arrangements,
    seen: Sight,
    arm: ArmCheck,
    boxes: Sequence[KeepOut],
) -> BlindMove | None:
    """Return the first move that keeps the board in view in every arrangement, or in most."""
    best, most = None, LEAST_VIEW
    for start in range(0, len(moves.flange), CHUNK):
        flange = moves.flange[start : start + CHUNK]
        share = in_view(seen, known.views(flange)).mean(axis=1)
        good = share > most
        if boxes:
            good[good] = _clear_of(boxes, flange[good], present, known, seen)
        for index in np.flatnonzero(good):
            if share[index] > most and arm.stands(flange[index]):
                best, most = flange[index], float(share[index])
            if most == 1.0:
                break
        if most == 1.0:
            break
    return None if best is None else BlindMove(best, most == 1.0)


def menu(present: Array, level: bool) -> Moves:
    """Return every move considered from the flange pose ``present`` (4, 4)."""
    ways = np.array([w for w in product((-1.0, 0.0, 1.0), repeat=3) if any(w)])
    ways /= np.linalg.norm(ways, axis=1, keepdims=True)
    shifts = np.concatenate([np.round(s * ways / 5.0) * 5.0 for s in SHIFTS_MM if s > 0])
    shifts = np.vstack([np.zeros(3), shifts[np.linalg.norm(shifts, axis=1) <= MOST_MM]])
    axes = np.eye(3)[2:] if level else np.eye(3)
    turns = np.concatenate([np.radians(a) * s * axes for a in TURNS_DEG for s in (1.0, -1.0)])
    turns = np.vstack([np.zeros(3), turns])
    shift = np.repeat(shifts, len(turns), axis=0)[1:]  # the first one would stay where it is
    turn = np.tile(turns, (len(shifts), 1))[1:]
    start = np.broadcast_to(present, (len(turn), 4, 4))
    return Moves(shift, turn, jogged(start, shift, turn))


def _clear_of(
    boxes: Sequence[KeepOut], flange: Array, present: Array, known: Arrangements, seen: Sight
) -> NDArray[np.bool_]:
    """Tell which moves keep clear; arrangements that stand in a box already are impossible."""
    k = len(known.carried)
    points = np.concatenate([seen.corners, seen.centre[None]])
    if known.mount != EYE_TO_HAND:
        points = np.zeros((1, 3))  # the camera rides on the flange, the board stands still
    on_flange = np.concatenate([apply(known.carried, points), np.zeros((k, 1, 3))], axis=1)
    possible = clear(boxes, apply(np.broadcast_to(present, known.carried.shape), on_flange))
    held = on_flange[possible].reshape(-1, 3) if possible.any() else np.zeros((1, 3))
    return np.array([way_clear(boxes, present, F, held) for F in flange], bool)


def _spread(poses: Array, added: Array) -> Array:
    """Return how well ``poses`` (n, 4, 4) and each of ``added`` (m, 4, 4) spread, (m,)."""
    rotation = np.zeros((len(added), 3, 3))
    shift = np.zeros((len(added), 3, 3))
    for i, pose in enumerate(poses):
        for others in (added, *(poses[j][None] for j in range(i))):
            turns = rotation_log(others[:, :3, :3] @ pose[:3, :3].T)
            rotation += _seen_by(turns / UNIT_RAD)
            shift += _seen_by((others[:, :3, 3] - pose[:3, 3]) / UNIT_MM)
    turned, shifted = (np.linalg.slogdet(G + np.eye(3))[1] for G in (rotation, shift))
    return np.asarray(turned + SHIFT_SHARE * shifted)


def _seen_by(w: Array) -> Array:
    """Return |w|²·I − w·wᵀ (m, 3, 3) for vectors (m, 3)."""
    size = (w**2).sum(axis=1)[:, None, None]
    return np.asarray(size * np.eye(3) - w[:, :, None] * w[:, None])
