"""Reported board poses that mean something else than the board in the camera, in mm.

Another unit, or a quaternion written in another order. All stations come from one system, so all
of them are read the other way. (The camera in the board cannot be told from inverse typed poses.)
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from ..arrays import Array
from ..cell.stations import Observation
from ..estimate.problem import Problem
from ..findings import Finding, finding
from ..frames import quaternion_xyzw, rotation_of, transform
from .causes import Cause, solved_weight
from .scene import Texts

SHARE = -6.0  # log of how common each other reading is among sessions, common practice, no source
SURER = 10.0  # [-] log odds by which a reading must beat another one: 1 in 20,000
UNITS = {"cm": ("centimetres", 10.0), "in": ("inches", 25.4), "m": ("metres", 1000.0)}


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """One other reading: ``pose`` returns camera_T_board (4, 4) [mm] of the pose as reported."""

    pose: Callable[[Array], Array]
    said: Finding


def reported_causes(problem: Problem, texts: Texts) -> list[Cause]:
    """Return the reading of the reported poses that brings all stations together, if one does."""
    seen = problem.observations
    if not seen or any(one.camera_T_board is None or one.pixels is not None for one in seen):
        return []
    causes = []
    for reading in _readings():
        other = replace(problem, observations=tuple(_read(one, reading) for one in seen))
        found, weight = solved_weight(other)
        if found is not None and len(found.used) == len(seen) and found.used.all():
            causes.append(Cause(weight + SHARE, (reading.said,), other, texts, found=found))
    causes.sort(key=lambda cause: -cause.weight)
    if not causes or any(c.weight > causes[0].weight - SURER for c in causes[1:]):
        return []
    return causes[:1]


def _readings() -> list[Reading]:
    items = [
        Reading(_farther(factor), finding("unit", "reported", looks_like=name, factor=factor))
        for name, factor in UNITS.values()
    ]
    items.append(Reading(_scalar_first, finding("rotation-convention", "reported")))
    return items


def _read(one: Observation, reading: Reading) -> Observation:
    T = one.camera_T_board
    return one if T is None else replace(one, camera_T_board=reading.pose(T))


def _farther(factor: float) -> Callable[[Array], Array]:
    return lambda T: transform(T[:3, :3], factor * T[:3, 3])


def _scalar_first(T: Array) -> Array:
    """Return the pose whose quaternion was written w x y z and read x y z w."""
    return transform(rotation_of(np.roll(quaternion_xyzw(T[:3, :3]), -1)), T[:3, 3])
