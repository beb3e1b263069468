"""From observations to arrays, and from these to a start that needs no guess.

The views of all usable stations and the poses that explain them are gathered as arrays over
stations. The start comes from closed forms of many small subsets, judged by all stations.

Rotations from the Kronecker product of both sides (Shah 2013), which holds for motions of any
angle, 180° included. Where the turns share one axis that product leaves the turn about it open:
then the axis is aligned, and the turn about it follows from the positions. Pure shifts align the
directions of travel. Positions by ridge least squares.

Each hypothesis is judged by the sum of log(1 + squared deviation) over the stations, which bad
stations cannot buy; each station takes its best candidate (pose of a flat board, turn of a
symmetric one). The subsets come from a generator with a fixed seed: the same data give the same
start.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

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
from ..cell.cell import Mount
from ..cell.stations import Observation
from ..depth.plane import Weighed, weighed
from ..frames import apply, inverse, proper, rotation_angle, skew, transform
from .fit import Stations
from .problem import Problem, Tie, related, terms_of
from .systematic import flange_errors, systematic, typed_joints

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
    what lens and board may be off by; ``reported`` (n,) the poses that were made without both,
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
        return linearised(views, poses, self.lens, self.terms).without_terms(self.foreign)

    @property
    def foreign(self) -> NDArray[np.bool_]:
        """Which terms had no part in a view (n, q)."""
        return self.reported[:, None] | (self.spatial[:, None] & self.terms.of_lens)

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
    views, model = gathered.renumbered(turn), systematic(problem.robot)
    joints = typed_joints(tuple(problem.observations[i] for i in gathered.index))
    stations = Stations(
        mount=problem.mount,
        typed=gathered.typed,
        views=gathered.linearised(views, pose),
        dof=gathered.dof,
        systematic=flange_errors(model, gathered.typed, joints),
        systematic_sd=model.sd,
        terms_sd=gathered.terms.sd,
        constraints=ties,
    )
    return stations, views


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
    for i, ahead in zip(told, _told_ahead(problem, views, told), strict=True):
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


def _told_ahead(problem: Problem, views: Views, told: Index) -> NDArray[np.bool_]:
    """Tell which reported poses of the stations ``told`` lie wholly before the camera."""
    poses = [problem.observations[i].camera_T_board for i in told]
    there = np.array([np.eye(4) if pose is None else pose for pose in poses]).reshape(-1, 4, 4)
    return in_front(views.take(told), there)


def in_metres(problem: Problem) -> bool:
    """Tell whether poses behind the camera lie before it once their metres are made mm."""
    lost = behind(problem)
    told = [s for s in problem.observations if s.id in lost and s.camera_T_board is not None]
    larger = [replace(s, camera_T_board=_in_mm(s.camera_T_board)) for s in told]
    return bool(told) and not behind(replace(problem, observations=tuple(larger)))


def _in_mm(T: Array | None) -> Array | None:
    return None if T is None else transform(T[:3, :3], 1000.0 * T[:3, 3])


def behind(problem: Problem) -> list[int]:
    """Return the ids of stations whose reported pose does not lie wholly before the camera."""
    seen = [s for s in problem.observations if s.camera_T_board is not None and not _has_points(s)]
    poses = np.array([s.camera_T_board for s in seen]).reshape(-1, 4, 4)
    points = np.broadcast_to(problem.board.points(), (len(seen), problem.board.count, 3))
    views = Views(points, np.zeros((*points.shape[:2], 2)), np.ones(points.shape[:2]))
    return [s.id for s, ahead in zip(seen, in_front(views, poses), strict=True) if not ahead]


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
    for row, poses in enumerate(found):
        best = max(poses[0][1], 1e-9)
        choices = [(t, *p) for t in range(len(turned)) for p in poses]
        for column, (number, view, rms) in enumerate(choices):
            pose[row, column] = view @ inverse(turned[number])
            valid[row, column], turn[row, column], left[row, column] = True, number, rms
            cost[row, column] = min(dof[row] * ((rms / best) ** 2 - 1.0), COST_LIMIT)
    return Candidates(pose, valid, turn, cost, left)


RIDGE = 1e-7  # [-] per station; fixes what the positions leave open without moving what they tell


def transforms_from(G: Array, view: Array) -> tuple[Array, Array]:
    """Return camera and board (3·h, 4, 4) for subsets ``G``, ``view`` (h, n, 4, 4).

    Three candidates per subset: any motion, one axis of rotation, pure shifts.
    """
    turns = [_by_kronecker(G, view), *_by_axis(G, view)]
    found = [_placed(G, view, R) for R in turns]
    return np.concatenate([c for c, _ in found]), np.concatenate([b for _, b in found])


def _by_kronecker(G: Array, view: Array) -> Array:
    """Return the camera's rotation (h, 3, 3): the leading singular vector (Shah 2013, eq. 20)."""
    R_g, R_v = G[..., :3, :3], view[..., :3, :3]
    K = np.einsum("hnij,hnkl->hjlik", R_g, R_v).reshape(-1, 9, 9)  # vec board = K · vec camera
    leading = np.linalg.svd(K)[2][:, 0].reshape(-1, 3, 3)
    sign = np.where(np.linalg.det(leading) < 0, -1.0, 1.0)
    return proper(leading * sign[:, None, None])


def _by_axis(G: Array, view: Array) -> tuple[Array, Array]:
    """Return the camera's rotation from one shared axis, and from directions of travel."""
    axis_g, axis_v = _turn_vectors(G), _turn_vectors(view)
    aligned = _procrustes(axis_g, axis_v)
    axis = _leading(axis_g)
    about = _about_axis(G, view, aligned, axis)
    travel = _procrustes(_centred(G), _centred(view))
    return about, travel


def _turn_vectors(T: Array) -> Array:
    """Return axis · sin(angle) (h, n, 3) of each rotation against the subset's first."""
    R = T[..., :3, :3] @ np.swapaxes(T[:, :1, :3, :3], -1, -2)
    skewed = R - np.swapaxes(R, -1, -2)
    return 0.5 * np.stack([skewed[..., 2, 1], skewed[..., 0, 2], skewed[..., 1, 0]], axis=-1)


def _centred(T: Array) -> Array:
    t = T[..., :3, 3]
    return np.asarray(t - t.mean(axis=1, keepdims=True))


def _procrustes(a: Array, b: Array) -> Array:
    """Return the rotations (h, 3, 3) that bring ``b`` (h, n, 3) nearest to ``a``."""
    return proper(np.swapaxes(a, 1, 2) @ b)


def _leading(vectors: Array) -> Array:
    """Return the direction (h, 3) in which the vectors (h, n, 3) spread most."""
    moments = np.swapaxes(vectors, 1, 2) @ vectors
    return np.asarray(np.linalg.eigh(moments)[1][:, :, 2])


def _about_axis(G: Array, view: Array, R: Array, n: Array) -> Array:
    """Return R turned about ``n`` (h, 3) so that the positions agree best.

    With v = R · view position, the camera's turn enters as c·v⊥ + s·(n × v): linear in (c, s).
    """
    v = np.einsum("hij,hnj->hni", R, view[..., :3, 3])
    along = np.einsum("hi,hni->hn", n, v)[..., None] * n[:, None]
    columns = [(v - along)[..., None], np.cross(n[:, None], v)[..., None], _position_rows(G)]
    solved = _ridge(np.concatenate(columns, axis=-1), G[..., :3, 3] - along)
    angle = np.arctan2(solved[:, 1], solved[:, 0])
    N = skew(n)
    sin, cos = np.sin(angle)[:, None, None], np.cos(angle)[:, None, None]
    return np.asarray((np.eye(3) + sin * N + (1 - cos) * (N @ N)) @ R)


def _position_rows(G: Array) -> Array:
    """Return rows (h, n, 3, 6) of the two positions: camera − G_rotation · board."""
    rows = np.empty((*G.shape[:2], 3, 6))
    rows[..., :3] = np.eye(3)
    rows[..., 3:] = -G[..., :3, :3]
    return rows


def _ridge(rows: Array, value: Array) -> Array:
    """Return the least-squares unknowns (h, k) of rows (h, n, 3, k) and values (h, n, 3)."""
    h, n, _, k = rows.shape
    A, b = rows.reshape(h, 3 * n, k), value.reshape(h, 3 * n, 1)
    M = np.swapaxes(A, 1, 2) @ A
    size = np.sqrt(np.maximum(np.einsum("hii->hi", M), 1e-12))
    M = M / (size[:, :, None] * size[:, None, :]) + RIDGE * np.eye(k)
    right = (np.swapaxes(A, 1, 2) @ b)[..., 0] / size
    return np.asarray(np.linalg.solve(M, right[..., None])[..., 0] / size)


def _placed(G: Array, view: Array, R: Array) -> tuple[Array, Array]:
    """Return both transforms for the camera's rotation ``R`` (h, 3, 3)."""
    both = np.swapaxes(G[..., :3, :3], -1, -2) @ R[:, None] @ view[..., :3, :3]
    R_board = proper(both.sum(axis=1))
    value = np.einsum("hij,hnj->hni", R, view[..., :3, 3]) - G[..., :3, 3]
    solved = _ridge(_position_rows(G), -value)
    return transform(R, solved[:, :3]), transform(R_board, solved[:, 3:])


SUBSETS = 60  # subsets of 4: with two bad stations of 8 one in five is clean, 12 of 60
SUBSETS_TURNED = 400  # subsets of 3 where each station may be read in up to 4 ways: 1 in 16 fits
SUBSET_SIZE = 4
JUDGES = 40  # stations that judge a hypothesis; more change nothing
SCALE_RAD, SCALE_MM = 0.005, 1.0  # [rad], [mm] deviation of a good station from a closed form
CLEAN = 25.0  # [-] squared deviations: below, the plain closed form has found its place
AS_GOOD = 1.0  # [-] log score within which two readings of point 0 fit equally well
SEED = 20  # any number: fixes the subsets


@dataclass(frozen=True, slots=True, eq=False)
class Beginning:
    """A start: transforms (4, 4) and the chosen candidate of each station (n,).

    ``score``: sum over the stations of log(1 + squared deviation).
    """

    camera: Array
    board: Array
    choice: Index
    score: float = 0.0


def begin(mount: Mount, gathered: Gathered) -> Beginning:
    """Return the start that most stations agree with."""
    G = related(mount, gathered.typed)
    centre = gathered.board.points().mean(axis=0)
    judges = np.unique(np.linspace(0, len(G) - 1, min(JUDGES, len(G))).round().astype(int))
    some, G_some = gathered.candidates.take(judges), G[judges]
    cameras, boards = transforms_from(G[None], gathered.candidates.pose[None, :, 0])
    deviation = _deviations(cameras, boards, G_some, some, centre)
    if deviation.min(axis=2).max(axis=1).min() > CLEAN and len(judges) > 3:
        more = _hypotheses(G_some, some, len(gathered.turns))
        cameras, boards = (
            np.concatenate(pair) for pair in zip((cameras, boards), more, strict=True)
        )
        deviation = _deviations(cameras, boards, G_some, some, centre)
    best = int(np.log1p(deviation.min(axis=2)).sum(axis=1).argmin())
    return _assigned(cameras[best], boards[best], G, gathered, centre)


def _hypotheses(G: Array, candidates: Candidates, turns: int) -> tuple[Array, Array]:
    """Return the closed forms of random subsets with random candidates."""
    rng = np.random.default_rng(SEED)
    n, k = candidates.valid.shape
    size = SUBSET_SIZE if turns == 1 and n > SUBSET_SIZE else 3
    count = SUBSETS if turns == 1 and k == 1 else SUBSETS_TURNED
    members = np.argsort(rng.random((count, n)), axis=1)[:, :size]
    drawn = np.where(candidates.valid, rng.random((count, n, k)), -1.0).argmax(axis=2)
    chosen = np.take_along_axis(drawn, members, axis=1)
    return transforms_from(G[members], candidates.pose[members, chosen])


def _deviations(
    cameras: Array, boards: Array, G: Array, candidates: Candidates, centre: Array
) -> Array:
    """Return squared deviations (h, n, k) of every candidate."""
    right = (G @ boards[:, None])[:, :, None]  # (h, n, 1, 4, 4)
    left = cameras[:, None, None] @ candidates.pose  # (h, n, k, 4, 4)
    total = squared_deviation(left, right, centre) + candidates.cost
    return np.where(candidates.valid, total, np.inf)


def squared_deviation(left: Array, right: Array, centre: Array) -> Array:
    """Return how far two poses (..., 4, 4) lie apart, squared [-], seen at the board's centre."""
    off = left[..., :3, :] - right[..., :3, :]
    turn = (off[..., :3] ** 2).sum(axis=(-1, -2)) / 2
    gap = off[..., :3] @ centre + off[..., 3]
    return np.asarray(turn / SCALE_RAD**2 + (gap**2).sum(axis=-1) / SCALE_MM**2)


def begin_from_images(mount: Mount, gathered: Gathered) -> Beginning:
    """Return the start that takes every image as it is, whatever was typed."""
    choice = gathered.own_choice()
    camera, board = closed_form(mount, gathered.typed, gathered.chosen(choice)[0], gathered.board)
    return Beginning(camera, board, choice)


def closed_form(mount: Mount, typed: Array, view: Array, board: Board) -> tuple[Array, Array]:
    """Return camera and board (4, 4) of the closed form that most stations agree with."""
    G = related(mount, typed)
    cameras, boards = transforms_from(G[None], view[None])
    left, right = cameras[:, None] @ view, G @ boards[:, None]
    centre = board.points().mean(axis=0)
    best = int(np.log1p(squared_deviation(left, right, centre)).sum(axis=1).argmin())
    return cameras[best], boards[best]


def _assigned(
    camera: Array, board: Array, G: Array, gathered: Gathered, centre: Array
) -> Beginning:
    """Return the start with every station's best candidate; most stations read unturned.

    Turning all stations and the board's frame alike changes nothing, so among those readings the
    one with the fewest turned stations is taken, of those that fit as well as any.
    """
    frames = _turned_frames(board, gathered)
    deviation = _deviations(
        np.broadcast_to(camera, frames.shape), frames, G, gathered.candidates, centre
    )
    choice = deviation.argmin(axis=2)
    turned = np.take_along_axis(gathered.candidates.turn[None], choice[..., None], axis=2)
    score = np.log1p(deviation.min(axis=2)).sum(axis=1)
    alike = score < score.min() + AS_GOOD
    best = int(np.where(alike, (turned[..., 0] != 0).sum(axis=1), len(G) + 1).argmin())
    return Beginning(camera, frames[best], choice[best], float(score[best]))


def _turned_frames(board: Array, gathered: Gathered) -> Array:
    """Return the board's transform (turns, 4, 4) in each reading of point 0."""
    first = gathered.candidates.pose[0]
    columns = [int((gathered.candidates.turn[0] == t).argmax()) for t in range(len(gathered.turns))]
    steps = np.linalg.inv(first[columns[0]]) @ first[columns]
    frames: Array = board @ steps
    return frames
