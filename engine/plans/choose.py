"""Choosing stations: one after another for the largest gain, then exchanged while that helps.

Loss: u² at the worst corner of the work volume, the largest of tr(M C Mᵀ) with C the covariance
that the known information and the chosen stations leave. Greedy choice and exchange (Fedorov 1972)
evaluate every candidate at every step, all at once; whether the arm can stand at a candidate is
asked only of those that would be taken. Repeating a stop is no mistake to the loss, but a person
would be sent to the same place twice: stations alike one chosen are left out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..frames import Array

EXCHANGES = 5  # passes over all chosen stations; most end after two because nothing helps any more
WORTH = 0.998  # [-] an exchange must lower the loss by this factor to be made

Usable = Callable[[int], bool]
Alike = Callable[[int], NDArray[np.bool_]]
Enough = Callable[[list[int]], bool]


@dataclass(frozen=True, slots=True, eq=False)
class Aim:
    """What is to fall: ``known`` information (12, 12) and weights MᵀM (k, 6, 6) of the corners."""

    known: Array
    weights: Array

    def loss(self, information: Array) -> Array:
        """Return u² [mm²] at the worst corner (...) for information (..., 12, 12)."""
        C = np.linalg.inv(information)[..., :6, :6]
        flat = C.reshape(*C.shape[:-2], 36) @ self.weights.reshape(-1, 36).T
        return np.asarray(flat.max(axis=-1))


@dataclass(frozen=True, slots=True, eq=False)
class Offered:
    """Candidates: ``information`` (n, 12, 12), whether one is usable, which ones are like it."""

    information: Array
    usable: Usable
    alike: Alike


def choose(
    aim: Aim, offered: Offered, count: int, enough: Enough = lambda chosen: False
) -> list[int]:
    """Return the indices of up to ``count`` candidates.

    Stops early when those chosen so far are ``enough``. The order is that of the greedy choice,
    exchanged ones in their places.
    """
    chosen: list[int] = []
    total = aim.known
    while len(chosen) < count and not enough(chosen):
        best = _best(aim, total, offered, chosen)
        if best is None:
            break
        chosen.append(best)
        total = total + offered.information[best]
    for _ in range(EXCHANGES if len(chosen) > 1 else 0):
        if not _exchanged(aim, offered, chosen):
            break
    return chosen


def by_gain(aim: Aim, offered: Array) -> list[int]:
    """Return all indices of ``offered`` (n, 12, 12) in the order of a greedy choice."""
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
    loss = aim.loss(total + offered.information)
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
