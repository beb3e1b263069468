"""A start that needs no guess: closed forms of many small subsets, judged by all stations.

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

from dataclasses import dataclass

import numpy as np

from ..arrays import Array
from ..boards.pattern import Board
from ..cell.mount import Mount
from ..frames import proper, skew, transform
from .gather import Candidates, Gathered, Index
from .problem import related

RIDGE = 1e-7  # [-] per station; fixes what the positions leave open without moving what they tell


def transforms_from(G: Array, view: Array) -> tuple[Array, Array]:
    """Return camera and board (3·h, 4, 4) for subsets ``G``, ``view`` (h, n, 4, 4).

    Three candidates per subset: any motion, one axis of rotation, pure shifts.
    """
    turns = [_by_kronecker(G, view), *_by_axis(G, view)]
    found = [_placed(G, view, R) for R in turns]
    return np.concatenate([c for c, _ in found]), np.concatenate([b for _, b in found])


def _by_kronecker(G: Array, view: Array) -> Array:
    """Return the camera's rotation (h, 3, 3): the leading singular vector (Shah 2013, eq. 20).

    As the eigenvector of KᵀK, which takes half the time.
    """
    R_g, R_v = G[..., :3, :3], view[..., :3, :3]
    K = np.einsum("hnij,hnkl->hjlik", R_g, R_v).reshape(-1, 9, 9)  # vec board = K · vec camera
    leading = np.linalg.eigh(np.swapaxes(K, 1, 2) @ K)[1][..., -1].reshape(-1, 3, 3)
    sign = np.where(np.linalg.det(leading) < 0, -1.0, 1.0)
    return proper(leading * sign[:, None, None])


def _by_axis(G: Array, view: Array) -> tuple[Array, Array]:
    """Return the camera's rotation from one shared axis, and from directions of travel."""
    axis_g, axis_v = _turn_vectors(G), _turn_vectors(view)
    aligned = _procrustes(axis_g, axis_v)
    axis = np.linalg.eigh(np.swapaxes(axis_g, 1, 2) @ axis_g)[1][:, :, 2]  # they spread most in it
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

    ``score``: sum over the stations of log(1 + squared deviation), ∞ where nobody looked.
    """

    camera: Array
    board: Array
    choice: Index
    score: float


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
    """Return squared deviations (h, n, k) of every candidate, see `squared_deviation`.

    Half the squared distance of two rotations is 3 less the trace of one by the other; of camera
    and board by flange and view that is one product of two tables (h, 81) and (n · k, 81).
    """
    pose, (h, (n, k)) = candidates.pose, (len(cameras), candidates.valid.shape)
    R_c, R_b, R_g, R_v = (T[..., :3, :3] for T in (cameras, boards, G, pose))
    given = (R_c[:, :, :, None, None] * R_b[:, None, None]).reshape(h, 81)
    seen = R_g[:, None, :, None, :, None] * R_v[:, :, None, :, None]
    turn = np.maximum(3.0 - given @ seen.reshape(n * k, 81).T, 0.0).reshape(h, n, k)
    middle = R_v @ centre + pose[..., :3, 3]
    there = np.swapaxes(R_c @ middle.reshape(-1, 3).T, 0, 1).reshape(3, h, n, k)
    there += cameras[:, :3, 3].T[:, :, None, None]
    here = (boards[:, :3, :3] @ centre + boards[:, :3, 3]) @ np.swapaxes(R_g, 1, 2)
    here = np.moveaxis(here + G[:, None, :3, 3], (2, 1, 0), (0, 1, 2))
    off = there - here[..., None]
    off *= off
    total = turn / SCALE_RAD**2 + off.sum(axis=0) / SCALE_MM**2 + candidates.cost
    return np.where(candidates.valid, total, np.inf)


def squared_deviation(left: Array, right: Array, centre: Array) -> Array:
    """Return how far two poses (..., 4, 4) lie apart, squared [-], seen at the board's centre."""
    off = left[..., :3, :] - right[..., :3, :]
    turn = (off[..., :3] ** 2).sum(axis=(-1, -2)) / 2
    gap = off[..., :3] @ centre + off[..., 3]
    return np.asarray(turn / SCALE_RAD**2 + (gap**2).sum(axis=-1) / SCALE_MM**2)


def begin_at(mount: Mount, gathered: Gathered, other: Beginning) -> Beginning:
    """Return the start with the transforms of another one, for further candidates."""
    centre = gathered.board.points().mean(axis=0)
    return _assigned(other.camera, other.board, related(mount, gathered.typed), gathered, centre)


def most_agree(mount: Mount, gathered: Gathered, start: Beginning) -> bool:
    """Tell whether more than half of the stations agree with a start."""
    left = start.camera @ gathered.chosen(start.choice)[0]
    right = related(mount, gathered.typed) @ start.board
    off = squared_deviation(left, right, gathered.board.points().mean(axis=0))
    return bool(2 * np.count_nonzero(off < CLEAN) > len(off))


def begin_from_images(mount: Mount, gathered: Gathered) -> Beginning:
    """Return the start that takes every image as it is, whatever was typed."""
    choice = gathered.own_choice()
    camera, board = closed_form(mount, gathered.typed, gathered.chosen(choice)[0], gathered.board)
    return Beginning(camera, board, choice, np.inf)


def closed_form(mount: Mount, typed: Array, view: Array, board: Board) -> tuple[Array, Array]:
    """Return camera and board (4, 4) of the closed form that most stations agree with."""
    G = related(mount, typed)
    cameras, boards = transforms_from(G[None], view[None])
    left, right = cameras[:, None] @ view, G @ boards[:, None]
    centre = board.points().mean(axis=0)
    best = int(np.log1p(squared_deviation(left, right, centre)).sum(axis=1).argmin())
    return cameras[best], boards[best]


LENGTHS, DEPTHS = np.ones((1, 3)), np.array([[1.0, 1.0, 0.0], [0.0, 0.0, 1.0]])


def closed_scale(mount: Mount, typed: Array, view: Array) -> float:
    """Return the factor on the views' lengths with which they follow the robot's travel best."""
    G = related(mount, typed)[None]
    _, factors, off = travelled(G, view[None], LENGTHS)
    best = np.log1p((off**2).sum(axis=-1) / SCALE_MM**2).sum(axis=1).argmin()
    return float(factors[best, 0])


def travelled(G: Array, view: Array, parts: Array) -> tuple[Array, Array, Array]:
    """Return how views follow the robot's travel with factors on ``parts`` (k, 3) of their places.

    Of subsets ``G``, ``view`` (h, n, 4, 4): the camera's rotation (3·h, 3, 3), the factors (3·h, k)
    and what is left (3·h, n, 3) [mm], for each of the three candidates of `transforms_from`.
    """
    turns = np.concatenate([_by_kronecker(G, view), *_by_axis(G, view)])
    G, view = np.concatenate([G] * 3), np.concatenate([view] * 3)
    seen = view[..., :3, 3, None] * parts.T  # (3h, n, 3, k)
    rows = np.concatenate([turns[:, None] @ seen, _position_rows(G)], axis=-1)
    solved = _ridge(rows, G[..., :3, 3])
    off = np.einsum("hnij,hj->hni", rows, solved) - G[..., :3, 3]
    return turns, solved[:, : len(parts)], off


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
