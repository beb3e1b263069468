"""From observations to arrays: the views of all usable stations and the poses that explain them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..boards.circle_centres import centre_shift_px
from ..boards.pattern import Board, Turn, symmetries
from ..camera.lens import Lens, lens, project
from ..camera.views import LEAST_POINTS, Views, board_pose, poses_of_views
from ..cell.cell import Mount
from ..cell.stations import Observation
from ..frames import apply, inverse, proper, rotation_angle, transform
from .model import related
from .problem import Problem

Index = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Candidates:
    """Poses that explain each view: ``pose`` (n, k, 4, 4), ``valid`` (n, k).

    ``turn`` (n, k) says by which of the board's turns the points were renumbered (0: none),
    ``cost`` (n, k) what the choice costs against the best one [squared standard deviations].
    """

    pose: Array
    valid: NDArray[np.bool_]
    turn: Index
    cost: Array

    def take(self, index: Index) -> Candidates:
        """Return the stations at ``index``."""
        return Candidates(self.pose[index], self.valid[index], self.turn[index], self.cost[index])


@dataclass(frozen=True, slots=True, eq=False)
class Gathered:
    """The usable stations of a problem.

    ``index`` (n,) their places in ``problem.observations``; ``dof`` (n,) redundancy of each image;
    ``ids`` (n, m) the point ids behind ``views``; ``turns`` of the board, first none.
    """

    index: Index
    typed: Array
    views: Views
    ids: Index
    dof: Array
    candidates: Candidates
    turns: tuple[Turn, ...]
    lens: Lens
    board: Board

    def renumbered(self, turn: Index) -> Views:
        """Return the views with each station's points renumbered by its turn (n,)."""
        if not turn.any():
            return self.views
        table = np.array([t.permutation for t in self.turns])
        points = self.board.points()[table[turn[:, None], self.ids]]
        return Views(points, self.views.pixels, self.views.weight)


COST_LIMIT = 50.0  # [-] squared standard deviations; a flipped normal costs far more in the fit


def gather(problem: Problem) -> Gathered:
    """Return the stations that carry points or a reported pose, with their candidate poses.

    A reported pose stands for an image of the whole board in that pose: its points enter with the
    pixel noise, and with no redundancy of their own.
    """
    data = lens(problem.camera)
    turns = (Turn("none", np.arange(problem.board.count)), *symmetries(problem.board))
    pixels, ids = _points(problem, data)
    longest = max((len(p) for p in pixels), default=0)
    views, padded = _padded(problem.board, pixels, ids, longest)
    found = poses_of_views(views, data)
    usable = np.array([i for i, poses in enumerate(found) if poses], int)
    reported = np.array([not _has_points(s) for s in problem.observations], bool)
    typed = np.array([s.base_T_flange for s in problem.observations]).reshape(-1, 4, 4)
    dof = np.where(reported, 0.0, np.maximum(2.0 * views.counts - 6.0, 0.0))
    turned = [_board_turn(problem.board, turn) for turn in turns]
    return Gathered(
        index=usable,
        typed=typed[usable],
        views=views.take(usable),
        ids=padded[usable],
        dof=dof[usable],
        candidates=_candidates([found[i] for i in usable], dof[usable], turned),
        turns=turns,
        lens=data,
        board=problem.board,
    )


def _has_points(seen: Observation) -> bool:
    return seen.pixels is not None and len(seen.pixels) >= LEAST_POINTS


def _points(problem: Problem, data: Lens) -> tuple[list[Array], list[Index]]:
    """Return pixels and ids of each observation; the whole board where only a pose is reported."""
    points, every = problem.board.points(), np.arange(problem.board.count)
    pixels, ids = [], []
    for seen in problem.observations:
        if _has_points(seen) and seen.pixels is not None and seen.point_ids is not None:
            names = np.asarray(seen.point_ids, int)
            pixels.append(_centres(problem.board, data, names, np.asarray(seen.pixels, float)))
            ids.append(names)
        elif seen.camera_T_board is not None:
            pixels.append(project(apply(seen.camera_T_board, points), data))
            ids.append(every)
        else:
            pixels.append(np.empty((0, 2)))
            ids.append(every[:0])
    return pixels, ids


def _centres(board: Board, data: Lens, ids: Index, pixels: Array) -> Array:
    """Return where the points themselves are seen: circles show their centre of gravity instead.

    The shift between the two follows from the pose; that of the uncorrected points is off by so
    little that the shift does not change.
    """
    if not board.pattern.startswith("circles"):
        return pixels
    found = board_pose(board.points()[ids], pixels, data)
    return pixels - centre_shift_px(found[0][0], board, data)[ids] if found else pixels


def _padded(
    board: Board, pixels: list[Array], ids: list[Index], longest: int
) -> tuple[Views, Index]:
    n = len(pixels)
    padded, weight = np.zeros((n, longest), int), np.zeros((n, longest))
    places = np.zeros((n, longest, 2))
    for row, (found, names) in enumerate(zip(pixels, ids, strict=True)):
        padded[row, : len(names)] = names
        weight[row, : len(names)] = 1.0
        places[row, : len(names)] = found
    return Views(board.points()[padded], places, weight), padded


def _board_turn(board: Board, turn: Turn) -> Array:
    """Return the rigid motion (4, 4) that brings each point k onto point permutation[k]."""
    points = board.points()
    target = points[np.asarray(turn.permutation)]
    a, b = points - points.mean(axis=0), target - target.mean(axis=0)
    normal = np.outer([0, 0, 1.0], [0, 0, 1.0]) * (a**2).sum()  # the board stays on its own side
    R = proper(b.T @ a + normal)
    return transform(R, target.mean(axis=0) - R @ points.mean(axis=0))


def board_turns(board: Board) -> Array:
    """Return the motions (k, 4, 4) after which the board looks the same, first none."""
    turns = (Turn("none", np.arange(board.count)), *symmetries(board))
    return np.array([_board_turn(board, turn) for turn in turns])


def in_one_numbering(mount: Mount, board: Board, flanges: Array, views: Array) -> Array:
    """Return the views (n, 4, 4) of a board that looks the same after a turn, numbered alike.

    Each is turned as the robot has turned since the first: robot and board turn by one angle
    between two stations (Chen 1991).
    """
    turns = board_turns(board)
    if len(turns) == 1 or not len(views):
        return views
    G = related(mount, flanges)
    robot = rotation_angle((G @ inverse(G[0]))[:, :3, :3])
    ways = views[:, None] @ turns  # (n, k, 4, 4)
    seen = rotation_angle((ways @ inverse(views[0]))[..., :3, :3])
    best = np.argmin(np.abs(seen - robot[:, None]), axis=1)
    return np.asarray(ways[np.arange(len(views)), best])


def _candidates(
    found: list[list[tuple[Array, float]]], dof: Array, turned: list[Array]
) -> Candidates:
    n, k = len(found), max((len(poses) for poses in found), default=1) * len(turned)
    pose, valid = np.tile(np.eye(4), (n, k, 1, 1)), np.zeros((n, k), bool)
    turn, cost = np.zeros((n, k), int), np.zeros((n, k))
    for row, poses in enumerate(found):
        best = max(poses[0][1], 1e-9)
        choices = [(t, *p) for t in range(len(turned)) for p in poses]
        for column, (number, view, rms) in enumerate(choices):
            pose[row, column] = view @ inverse(turned[number])
            valid[row, column], turn[row, column] = True, number
            cost[row, column] = min(dof[row] * ((rms / best) ** 2 - 1.0), COST_LIMIT)
    return Candidates(pose, valid, turn, cost)
