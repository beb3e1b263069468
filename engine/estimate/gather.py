"""From observations to arrays: the usable stations, their views, and poses that explain them."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..boards.circle_centres import centre_shift_px
from ..boards.pattern import Board, Turn, symmetries
from ..camera.lens import Lens, Terms, lens, project
from ..camera.views import (
    LEAST_POINTS,
    Gaussian,
    Views,
    board_pose,
    in_front,
    linearised,
    poses_of_views,
    typical_sd,
    weighing,
)
from ..cell.mount import Mount
from ..cell.stations import Observation
from ..depth.plane import Weighed, weighed
from ..frames import apply, inverse, proper, rotation_angle, transform
from .fit import Stations
from .problem import Problem, Tie, related, terms_of
from .systematic import Systematic, flange_errors, systematic, typed_joints

Index = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Candidates:
    """Poses that explain each view: ``pose`` (n, k, 4, 4), ``valid`` (n, k).

    ``turn`` (n, k) says by which of the board's turns the points were renumbered (0: none),
    ``cost`` (n, k) what the choice costs against the best one [squared standard deviations],
    ``rms`` (n, k) what it leaves in the image [px].
    """

    pose: Array
    valid: NDArray[np.bool_]
    turn: Index
    cost: Array
    rms: Array

    def take(self, index: Index) -> Candidates:
        """Return the stations at ``index``."""
        return Candidates(*(getattr(self, name)[index] for name in self.__slots__))


@dataclass(frozen=True, slots=True, eq=False)
class Gathered:
    """The usable stations of a problem.

    ``index`` (n,) their places in ``problem.observations``; ``dof`` (n,) redundancy of each image;
    ``ids`` (n, m) the point ids behind ``views``; ``turns`` of the board, first none; ``terms``
    what lens and board may be off by; ``reported`` (n,) the poses of which no points are known,
    ``spatial`` (n,) the points measured without lens data; ``depth`` how it joined, if any.
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
    terms: Terms
    reported: NDArray[np.bool_]
    spatial: NDArray[np.bool_]
    depth: Weighed | None = None

    def linearised(self, views: Views, poses: Array) -> Gaussian:
        """Return what the views of these stations say, linearised at ``poses`` (n, 4, 4)."""
        seen = linearised(views, poses, self.lens, self.terms).without_terms(self.foreign)
        return seen.poses_alone(self.reported)

    @property
    def foreign(self) -> NDArray[np.bool_]:
        """Which terms had no part in a view (n, q)."""
        return self.spatial[:, None] & self.terms.of_image

    def renumbered(self, turn: Index) -> Views:
        """Return the views with each station's points renumbered by its turn (n,)."""
        if not turn.any():
            return self.views
        table = np.array([t.permutation for t in self.turns])
        points = self.board.points()[table[turn[:, None], self.ids]]
        return replace(self.views, points=points)

    def own_choice(self, turn: Index | None = None) -> Index:
        """Return each image's best candidate (n,) by itself, its points turned by ``turn`` (n,)."""
        candidates = self.candidates
        asked = np.zeros(len(self.index), int) if turn is None else turn
        fits = candidates.valid & (candidates.turn == asked[:, None])
        return np.asarray(np.where(fits, candidates.cost, np.inf).argmin(axis=1))

    def own_noise(self, turn: Index) -> float:
        """Return the pixel noise [px] of the images by themselves, turned as in `own_choice`."""
        left = self.candidates.rms[np.arange(len(turn)), self.own_choice(turn)]
        squares = 2.0 * float(self.views.counts @ left**2)
        return float(np.sqrt(squares / max(float(self.dof.sum()), 1.0)))

    def own_views(self, turn: Index) -> Array:
        """Return camera_T_board (n, 4, 4) of each image by itself, turned as in `own_choice`."""
        return self.chosen(self.own_choice(turn))[0]

    def chosen(self, choice: Index) -> tuple[Array, Index]:
        """Return pose (n, 4, 4) and turn (n,) of the chosen candidates (n,)."""
        rows = np.arange(len(choice))
        return self.candidates.pose[rows, choice], self.candidates.turn[rows, choice]


def stations_of(
    problem: Problem, gathered: Gathered, choice: Index, ties: tuple[Tie, ...] = ()
) -> tuple[Stations, Views]:
    """Return the stations as numbers, each image read as its candidate ``choice`` (n,), and views.

    ``ties`` are the measured numbers that bind the transforms.
    """
    pose, turn = gathered.chosen(choice)
    views, (model, of_arm) = gathered.renumbered(turn), arm_errors(problem, gathered)
    stations = Stations(
        mount=problem.mount,
        typed=gathered.typed,
        views=gathered.linearised(views, pose),
        dof=gathered.dof,
        systematic=of_arm,
        systematic_sd=model.sd,
        of_field=model.of_field,
        terms_sd=gathered.terms.sd,
        constraints=ties,
    )
    return stations, views


def arm_errors(problem: Problem, gathered: Gathered) -> tuple[Systematic, Array]:
    """Return the arm's errors, and by how much each one moves the flange (n, 6, p) at a station."""
    model = systematic(problem.robot, problem.robot_accuracy_mm)
    joints = typed_joints(tuple(problem.observations[i] for i in gathered.index))
    return model, flange_errors(model, gathered.typed, joints)


SEEN_PX = 3.0  # px between neighbouring points of a board that can be found, common practice
LEAST_PIXEL_PX = 1e-3  # px; images without any noise are simulated ones
COST_LIMIT = 50.0  # [-] squared standard deviations; a flipped normal costs far more in the fit


def gather(problem: Problem, like: Sequence[Observation] | None = None) -> Gathered:
    """Return the stations that carry points or a reported pose, with their candidate poses.

    A reported pose stands for an image of the whole board in that pose: its points enter with the
    pixel noise, and with no redundancy of their own. Points weigh by their covariances against the
    typical one of the observations ``like``; None: of the problem's own.
    """
    data = lens(problem.camera)
    turns = (Turn("none", np.arange(problem.board.count)), *symmetries(problem.board))
    pixels, ids = _points(problem, data)
    longest = max((len(p) for p in pixels), default=0)
    views, padded = _padded(problem.board, pixels, ids, longest)
    views = _weighed(views, problem.observations, like or problem.observations)
    found = poses_of_views(views, data)
    told = np.array([i for i, s in enumerate(problem.observations) if not _has_points(s)], int)
    for i, ahead in zip(told, _told_seen(problem, views, told), strict=True):
        found[i] = found[i] if ahead else []
    usable = np.array([i for i, poses in enumerate(found) if poses], int)
    reported = np.array([not _has_points(s) for s in problem.observations], bool)
    typed = np.array([s.base_T_flange for s in problem.observations]).reshape(-1, 4, 4)
    dof = np.where(reported, 0.0, np.maximum(2.0 * views.counts - 6.0, 0.0))
    terms = terms_of(problem)
    views, depth = _with_depth(problem, views, found, usable, data, terms)
    if depth is not None:
        dof[usable] += 3.0 * depth.used
    turned = [_board_turn(problem.board, turn) for turn in turns]
    return Gathered(
        index=usable,
        typed=typed[usable],
        views=views,
        ids=padded[usable],
        dof=dof[usable],
        candidates=_candidates([found[i] for i in usable], dof[usable], turned),
        turns=turns,
        lens=data,
        board=problem.board,
        terms=terms,
        reported=reported[usable],
        spatial=np.array([problem.observations[i].spatial for i in usable], bool),
        depth=depth,
    )


def _told_seen(problem: Problem, views: Views, told: Index) -> NDArray[np.bool_]:
    """Tell which reported poses of the stations ``told`` a camera sees: before it, and near."""
    poses = [problem.observations[i].camera_T_board for i in told]
    there = np.array([np.eye(4) if pose is None else pose for pose in poses]).reshape(-1, 4, 4)
    return in_front(views.take(told), there) & (there[:, 2, 3] < _farthest_mm(problem))


def _farthest_mm(problem: Problem) -> float:
    """Return the distance from the camera up to which a board can be found."""
    return problem.camera.matrix[0][0] * problem.board.spacing_mm / SEEN_PX


def in_metres(problem: Problem) -> bool:
    """Tell whether poses behind the camera lie before it, and are seen, once metres are made mm."""
    lost = set(behind(problem))
    told = [s.farther(1000.0) for s in problem.observations if s.id in lost]
    far = _farthest_mm(problem)
    near = all(s.camera_T_board is None or s.camera_T_board[2, 3] < far for s in told)
    return bool(told) and near and not behind(replace(problem, observations=tuple(told)))


def behind(problem: Problem) -> list[int]:
    """Return the ids of stations whose reported pose does not lie wholly before the camera."""
    seen = [s for s in problem.observations if s.camera_T_board is not None and not _has_points(s)]
    poses = np.array([s.camera_T_board for s in seen]).reshape(-1, 4, 4)
    points = np.broadcast_to(problem.board.points(), (len(seen), problem.board.count, 3))
    views = Views(points, np.zeros((*points.shape[:2], 2)), np.ones(points.shape[:2]))
    return [s.id for s, ahead in zip(seen, in_front(views, poses), strict=True) if not ahead]


def poseless(problem: Problem, index: Index, lost: Collection[int]) -> list[int]:
    """Return the ids of stations that are neither among the usable at ``index`` nor ``lost``."""
    known = {*lost, *(problem.observations[i].id for i in index)}
    told = [s for s in problem.observations if _has_points(s) or s.camera_T_board is not None]
    return [s.id for s in told if s.id not in known]


def _has_points(seen: Observation) -> bool:
    return seen.pixels is not None and len(seen.pixels) >= LEAST_POINTS


def _points(problem: Problem, data: Lens) -> tuple[list[Array], list[Index]]:
    """Return pixels and ids of each observation; the whole board where only a pose is reported."""
    points, every = problem.board.points(), np.arange(problem.board.count)
    pixels, ids = [], []
    for seen in problem.observations:
        if _has_points(seen) and seen.pixels is not None and seen.point_ids is not None:
            names = np.asarray(seen.point_ids, int)
            pixels.append(point_centres(problem.board, data, names, np.asarray(seen.pixels, float)))
            ids.append(names)
        elif seen.camera_T_board is not None:
            pixels.append(project(apply(seen.camera_T_board, points), data))
            ids.append(every)
        else:
            pixels.append(np.empty((0, 2)))
            ids.append(every[:0])
    return pixels, ids


def point_centres(board: Board, data: Lens, ids: Index, pixels: Array) -> Array:
    """Return where the points themselves are seen: circles show their centre of gravity instead.

    The shift between the two follows from the pose; that of the uncorrected points is off by so
    little that the shift does not change.
    """
    if not board.has_circles:
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


def _weighed(
    views: Views, observations: Sequence[Observation], like: Sequence[Observation]
) -> Views:
    """Return views whose points weigh by their covariances, where any are known."""
    own, others = (
        [s.covariances for s in group if s.covariances is not None]
        for group in (observations, like)
    )
    if not own:
        return views
    typical = typical_sd(np.concatenate(others or own))
    whiten = np.tile(np.eye(2), (*views.weight.shape, 1, 1))
    for row, seen in enumerate(observations):
        if seen.covariances is not None and _has_points(seen):
            whiten[row, : len(seen.covariances)] = weighing(seen.covariances, typical)
    return replace(views, whiten=whiten)


def _with_depth(
    problem: Problem,
    views: Views,
    found: Sequence[Sequence[tuple[Array, float]]],
    usable: Index,
    data: Lens,
    terms: Terms,
) -> tuple[Views, Weighed | None]:
    """Return the ``usable`` views with what depth tells of them, weighed against their pixels."""
    chosen = views.take(usable)
    depths = [problem.observations[i].depths for i in usable]
    if not any(own is not None for own in depths):
        return chosen, None
    poses = np.array([found[i][0][0] for i in usable])
    squares = sum(2.0 * views.counts[i] * found[i][0][1] ** 2 for i in usable)
    px = np.sqrt(squares / max(float((2.0 * chosen.counts - 6.0).sum()), 1.0))
    return weighed(chosen, depths, poses, data, terms, max(float(px), LEAST_PIXEL_PX))


def _board_turn(board: Board, turn: Turn) -> Array:
    """Return the rigid motion (4, 4) that brings each point k onto point permutation[k]."""
    points = board.points()
    target = points[np.asarray(turn.permutation)]
    a, b = points - points.mean(axis=0), target - target.mean(axis=0)
    normal = np.outer([0, 0, 1.0], [0, 0, 1.0]) * (a**2).sum()  # the board stays on its own side
    R = proper(b.T @ a + normal)
    return transform(R, target.mean(axis=0) - R @ points.mean(axis=0))


@lru_cache(maxsize=8)
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
    turn, cost, left = np.zeros((n, k), int), np.zeros((n, k)), np.zeros((n, k))
    back = [inverse(motion) for motion in turned]
    for row, poses in enumerate(found):
        best = max(poses[0][1], 1e-9)
        choices = [(t, *p) for t in range(len(turned)) for p in poses]
        for column, (number, view, rms) in enumerate(choices):
            pose[row, column] = view @ back[number]
            valid[row, column], turn[row, column], left[row, column] = True, number, rms
            cost[row, column] = min(dof[row] * ((rms / best) ** 2 - 1.0), COST_LIMIT)
    return Candidates(pose, valid, turn, cost, left)
