"""Choosing stations for the largest gain, and the order in which to visit them.

Loss: u² of a pick at the worst corner of the work volume, the largest of tr(R C Rᵀ) with C the
covariance of camera, lens and board errors that the known information and the chosen stations
leave, R what each of them does to a pick there. Greedy choice and exchange (Fedorov 1972)
evaluate every candidate at every step, all at once; whether the arm can stand at a candidate is
asked only of those that would be taken. Repeating a stop is no mistake to the loss, but a person
would be sent to the same place twice: stations alike one chosen are left out.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise, permutations

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..frames import rotation_angle

BLOCK = 4  # stations whose order is free: their information comes together anyway
JOG_MM, JOG_RAD = 100.0, np.radians(20.0)  # [mm], [rad] that take about as long to jog (CP)

# What holds the flange at the end of a jog between two poses (4, 4), as the arm's postures
# (k, axes), from those at its start; None: there is no clear jog.
Goes = Callable[[Array, Array, Array], Array | None]


def jog_cost(start: Array, end: Array) -> float:
    """Return what a jog between two poses (4, 4) costs, in moves of 100 mm or 20°."""
    shift = float(np.linalg.norm(end[:3, 3] - start[:3, 3])) / JOG_MM
    turn = float(rotation_angle(end[:3, :3] @ start[:3, :3].T))
    return float(shift + turn / JOG_RAD)


def ordered(
    present: Array, held: Array, flange: Sequence[Array], goes: Goes
) -> tuple[list[int], list[int]]:
    """Return (order, left): indices of poses (n, 4, 4), given by falling information.

    Each block of four is visited on the shortest way from ``present`` on, where the arm's postures
    are ``held``, of those on which a jog ``goes`` from every pose to the next. What is left is
    tried again from where the others end; ``left`` are the stations to which no way was found.
    """
    order, waiting, tried, here = list[int](), list(range(len(flange))), 0, present
    while len(waiting) != tried:
        tried, left = len(waiting), list[int]()
        for start in range(0, tried, BLOCK):
            block = waiting[start : start + BLOCK]
            best, held = _shortest(here, held, block, flange, goes)
            left += [index for index in block if index not in best]
            order += best
            here = flange[best[-1]] if best else here
        waiting = left
    return order, waiting


def _shortest(
    here: Array, held: Array, block: list[int], flange: Sequence[Array], goes: Goes
) -> tuple[list[int], Array]:
    """Return the block, or as much of it as can be reached, on the shortest way, and postures."""
    pose = {-1: here} | {index: flange[index] for index in block}
    cost = {(a, b): jog_cost(pose[a], pose[b]) for a in pose for b in block if a != b}

    def after(way: tuple[int, ...]) -> Array | None:
        now: Array | None = held
        for a, b in pairwise((-1, *way)):
            now = None if now is None else goes(pose[a], pose[b], now)
        return now

    def length(way: tuple[int, ...]) -> float:
        return sum(cost[pair] for pair in pairwise((-1, *way)))

    for count in range(len(block), 0, -1):
        for way in sorted(permutations(block, count), key=length):
            there = after(way)
            if there is not None:
                return list(way), there
    return [], held


EXCHANGES = 5  # passes over all chosen stations; most end after two because nothing helps any more
WORTH = 0.998  # [-] an exchange must lower the loss by this factor to be made

Usable = Callable[[int], bool]
Alike = Callable[[int], NDArray[np.bool_]]
Enough = Callable[[list[int]], bool]


@dataclass(frozen=True, slots=True, eq=False)
class Aim:
    """What is to fall: ``known`` information (m, m) and weights RᵀR (k, w, w) of the corners.

    Of the unknowns the first w matter: the camera, and what else a pick is off by.
    """

    known: Array
    weights: Array

    def loss(self, information: Array) -> Array:
        """Return u² [mm²] at the worst corner (...) for information (..., m, m).

        Of a Cholesky factor the last rows and columns are those of what is left once the unknowns
        before are eliminated: with the order turned round, of the first w.
        """
        w = self.weights.shape[-1]
        factor = np.linalg.cholesky(information[..., ::-1, ::-1])[..., -w:, -w:]
        half = np.linalg.inv(factor)[..., ::-1, ::-1]
        C = np.swapaxes(half, -1, -2) @ half
        flat = C.reshape(*C.shape[:-2], w * w) @ self.weights.reshape(-1, w * w).T
        return np.asarray(flat.max(axis=-1))


@dataclass(frozen=True, slots=True, eq=False)
class Offered:
    """Candidates: ``information`` (n, m, m), whether one is usable, which ones are like it.

    ``losses`` keeps the loss (n,) that each leaves beside the stations already taken: of one aim,
    and the same again when others are tried because some cannot be reached.
    """

    information: Array
    usable: Usable
    alike: Alike
    losses: dict[frozenset[int], Array] = field(default_factory=dict)


def choose(
    aim: Aim,
    offered: Offered,
    count: int,
    enough: Enough = lambda chosen: False,
    begun: Sequence[int] | None = None,
) -> list[int]:
    """Return the indices of up to ``count`` candidates, beginning with those ``begun`` with.

    Stops early when those chosen so far are ``enough``. The order is that of the greedy choice,
    exchanged ones in their places; what is ``begun``, if only with none, is completed.
    """
    chosen = list(begun or ())
    total = aim.known + offered.information[chosen].sum(axis=0)
    while len(chosen) < count and not enough(chosen):
        best = _best(aim, total, offered, chosen)
        if best is None:
            break
        chosen.append(best)
        total = total + offered.information[best]
    return chosen if begun is not None or len(chosen) < 2 else exchanged(aim, offered, chosen)


def exchanged(aim: Aim, offered: Offered, chosen: Sequence[int]) -> list[int]:
    """Return those chosen, each exchanged for a better candidate as long as that helps."""
    better = list(chosen)
    for _ in range(EXCHANGES):
        if not _exchanged(aim, offered, better):
            break
    return better


def by_gain(aim: Aim, offered: Array) -> list[int]:
    """Return all indices of ``offered`` (n, m, m) in the order of a greedy choice."""
    left, order, total = list(range(len(offered))), list[int](), aim.known
    while left:
        best = left[int(aim.loss(total + offered[left]).argmin())]
        left.remove(best)
        order.append(best)
        total = total + offered[best]
    return order


def _best(
    aim: Aim, total: Array, offered: Offered, taken: list[int], below: float = np.inf
) -> int | None:
    """Return the usable candidate that leaves the least loss, below ``below``."""
    key = frozenset(taken)
    if key not in offered.losses:
        offered.losses[key] = aim.loss(total + offered.information)
    loss = offered.losses[key].copy()
    for index in taken:
        loss[offered.alike(index)] = np.inf
    for index in np.argsort(loss, kind="stable"):
        if not loss[index] < below:
            return None
        if offered.usable(int(index)):
            return int(index)
    return None


def _exchanged(aim: Aim, offered: Offered, chosen: list[int]) -> bool:
    """Try to replace every chosen station by a better one; return whether any was."""
    total = aim.known + offered.information[chosen].sum(axis=0)
    changed = False
    for place, index in enumerate(chosen):
        rest = total - offered.information[index]
        others = chosen[:place] + chosen[place + 1 :]
        better = _best(aim, rest, offered, others, WORTH * float(aim.loss(total)))
        if better is not None:
            chosen[place], changed = better, True
            total = rest + offered.information[better]
    return changed
