"""A start that needs no guess: closed forms of many small subsets, judged by all stations.

Each hypothesis is judged by the sum of log(1 + squared deviation) over the stations, which bad
stations cannot buy; each station takes its best candidate (pose of a flat board, turn of a
symmetric one). The subsets come from a generator with a fixed seed: the same data give the same
start.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..frames import Array, apply
from ..sessions.cell import Mount
from .closed_form import transforms_from
from .gather import Candidates, Gathered, Index
from .model import related

SUBSETS = 60  # subsets of 4: with two bad stations of 8 one in five is clean, 12 of 60
SUBSETS_TURNED = 400  # subsets of 3 where each station may be read in up to 4 ways: 1 in 16 fits
SUBSET_SIZE = 4
JUDGES = 40  # stations that judge a hypothesis; more change nothing
SCALE_RAD, SCALE_MM = 0.005, 1.0  # [rad], [mm] deviation of a good station from a closed form
CLEAN = 25.0  # [-] squared deviations: below, the plain closed form has found its place
SEED = 20  # any number: fixes the subsets


@dataclass(frozen=True, slots=True, eq=False)
class Beginning:
    """A start: transforms (4, 4) and the chosen candidate of each station (n,)."""

    camera: Array
    board: Array
    choice: Index


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
    """Return squared deviations (h, n, k) of every candidate, compared at the board's centre."""
    right = G @ boards[:, None]  # (h, n, 4, 4)
    left = cameras[:, None, None] @ candidates.pose  # (h, n, k, 4, 4)
    turn = ((left[..., :3, :3] - right[:, :, None, :3, :3]) ** 2).sum(axis=(-1, -2)) / 2
    gap = apply(left, centre[None])[..., 0, :] - apply(right, centre[None])[..., None, 0, :]
    far = (gap**2).sum(axis=-1)
    total = turn / SCALE_RAD**2 + far / SCALE_MM**2 + candidates.cost
    return np.where(candidates.valid, total, np.inf)


def _assigned(
    camera: Array, board: Array, G: Array, gathered: Gathered, centre: Array
) -> Beginning:
    """Return the start with every station's best candidate; most stations read unturned.

    Turning all stations and the board's frame alike changes nothing, so among those readings the
    one with the fewest turned stations is taken.
    """
    frames = _turned_frames(board, gathered)
    deviation = _deviations(
        np.broadcast_to(camera, frames.shape), frames, G, gathered.candidates, centre
    )
    choice = deviation.argmin(axis=2)
    turned = np.take_along_axis(gathered.candidates.turn[None], choice[..., None], axis=2)
    best = int((turned[..., 0] != 0).sum(axis=1).argmin())
    return Beginning(camera, frames[best], choice[best])


def _turned_frames(board: Array, gathered: Gathered) -> Array:
    """Return the board's transform (turns, 4, 4) in each reading of point 0."""
    first = gathered.candidates.pose[0]
    columns = [int((gathered.candidates.turn[0] == t).argmax()) for t in range(len(gathered.turns))]
    steps = np.linalg.inv(first[columns[0]]) @ first[columns]
    frames: Array = board @ steps
    return frames
