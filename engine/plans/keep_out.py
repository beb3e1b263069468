"""Boxes that flange and board must not enter, at a pose and on the straight way to it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..cell.cell import KeepOut
from ..frames import apply, rotation_angle, straight

CLEAR_MM = 20.0  # mm kept from every box: a jog by hand strays from its line, common practice
FAR_MM = 1e6  # mm; farther than any arm reaches
STEP_MM, STEP_RAD = 20.0, np.radians(4.0)  # between the poses looked at; below CLEAR_MM


def below(height_mm: float) -> KeepOut:
    """Return the box below a height [mm] in the base; points at that height keep clear of it."""
    top = height_mm - CLEAR_MM
    return KeepOut("below", (-FAR_MM, -FAR_MM, -FAR_MM), (FAR_MM, FAR_MM, top))


def clear(boxes: Sequence[KeepOut], points_base: Array) -> NDArray[np.bool_]:
    """Tell for which rows of points (n, m, 3) [mm] in the base none lies in or near a box."""
    good = np.ones(len(points_base), bool)
    for box in boxes:
        low, high = np.asarray(box.min_mm) - CLEAR_MM, np.asarray(box.max_mm) + CLEAR_MM
        inside = np.asarray(((points_base > low) & (points_base < high)).all(axis=2))
        good &= ~inside.any(axis=1)
    return good


def way_clear(boxes: Sequence[KeepOut], start: Array, end: Array, on_flange: Array) -> bool:
    """Tell whether points (m, 3) on the flange keep clear on the straight way between two poses.

    ``start`` and ``end`` are base_T_flange (4, 4).
    """
    if not boxes:
        return True
    travel = np.linalg.norm(end[:3, 3] - start[:3, 3]) / STEP_MM
    turn = rotation_angle(end[:3, :3] @ start[:3, :3].T) / STEP_RAD
    lever = np.linalg.norm(on_flange, axis=1).max() * turn * STEP_RAD / STEP_MM
    steps = int(np.ceil(max(travel + lever, turn, 1.0)))
    return bool(clear(boxes, apply(straight(start, end, steps), on_flange)).all())
