"""The order of the chosen stations: information first, short jogs inside blocks of four."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import permutations

import numpy as np

from ..frames import Array, rotation_angle

BLOCK = 4  # stations whose order is free: their information comes together anyway
JOG_MM, JOG_RAD = 100.0, np.radians(20.0)  # [mm], [rad] that take about as long to jog (CP)

Clear = Callable[[Array, Array], bool]


def jog_cost(start: Array, end: Array) -> float:
    """Return what a jog between two poses (4, 4) costs, in moves of 100 mm or 20°."""
    shift = float(np.linalg.norm(end[:3, 3] - start[:3, 3])) / JOG_MM
    turn = float(rotation_angle(end[:3, :3] @ start[:3, :3].T))
    return float(shift + turn / JOG_RAD)


def ordered(present: Array, flange: Sequence[Array], clear: Clear) -> tuple[list[int], list[int]]:
    """Return (order, left): indices of poses (n, 4, 4), given by falling information.

    Each block of four is jogged on the shortest way from ``present`` on, on legs that are
    ``clear`` only; ``left`` are the stations to which no clear way was found.
    """
    order: list[int] = []
    left: list[int] = []
    waiting = list(range(len(flange)))
    here = present
    while waiting:
        block, waiting = waiting[:BLOCK], waiting[BLOCK:]
        best = _shortest(here, block, flange, clear)
        left += [index for index in block if index not in best]
        order += best
        here = flange[best[-1]] if best else here
    return order, left


def _shortest(here: Array, block: list[int], flange: Sequence[Array], clear: Clear) -> list[int]:
    """Return the block, or as much of it as can be reached, on the shortest clear way."""
    legs = {(-1, b): _leg(here, flange[b], clear) for b in block}
    legs |= {(a, b): _leg(flange[a], flange[b], clear) for a in block for b in block if a != b}
    for length in range(len(block), 0, -1):
        ways = list(permutations(block, length))
        costs = [sum(legs[pair] for pair in zip((-1, *way[:-1]), way, strict=True)) for way in ways]
        best = int(np.argmin(costs))
        if np.isfinite(costs[best]):
            return list(ways[best])
    return []


def _leg(start: Array, end: Array, clear: Clear) -> float:
    return jog_cost(start, end) if clear(start, end) else float("inf")
