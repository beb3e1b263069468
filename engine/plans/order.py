"""The order of the chosen stations: information first, short jogs inside blocks of four."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import permutations

import numpy as np

from ..frames import Array, rotation_angle

BLOCK = 4  # stations whose order is free: their information comes together anyway
JOG_MM, JOG_RAD = 100.0, np.radians(20.0)  # [mm], [rad] that take about as long to jog (CP)

Cost = Callable[[Array, Array], float]


def jog_cost(start: Array, end: Array) -> float:
    """Return what a jog between two poses (4, 4) costs, in moves of 100 mm or 20°."""
    shift = float(np.linalg.norm(end[:3, 3] - start[:3, 3])) / JOG_MM
    turn = float(rotation_angle(end[:3, :3] @ start[:3, :3].T))
    return float(shift + turn / JOG_RAD)


def ordered(present: Array, flange: Sequence[Array], cost: Cost) -> tuple[list[int], list[int]]:
    """Return (order, left): indices of poses (n, 4, 4), given by falling information.

    Each block of four is visited on the cheapest way from ``present`` on. A leg of infinite
    ``cost`` is not taken; ``left`` are the stations to which no way was found.
    """
    order: list[int] = []
    left: list[int] = []
    waiting = list(range(len(flange)))
    here = present
    while waiting:
        block, waiting = waiting[:BLOCK], waiting[BLOCK:]
        best = _shortest(here, block, flange, cost)
        left += [index for index in block if index not in best]
        order += best
        here = flange[best[-1]] if best else here
    return order, left


def _shortest(here: Array, block: list[int], flange: Sequence[Array], cost: Cost) -> list[int]:
    """Return the block, or as much of it as can be reached, on the cheapest way."""
    legs = {(-1, b): cost(here, flange[b]) for b in block}
    legs |= {(a, b): cost(flange[a], flange[b]) for a in block for b in block if a != b}
    for length in range(len(block), 0, -1):
        ways = list(permutations(block, length))
        costs = [sum(legs[pair] for pair in zip((-1, *way[:-1]), way, strict=True)) for way in ways]
        best = int(np.argmin(costs))
        if np.isfinite(costs[best]):
            return list(ways[best])
    return []
