"""A fixed pattern of stations, for sites whose procedure demands one."""

from __future__ import annotations

from collections.abc import Callable
from itertools import product

import numpy as np

from ..arrays import Array
from ..errors import UsageError
from ..frames import rotation_exp, transform
from .sight import MOST_TILT_DEG, Sight, towards
from .types import Grid

MOST = 60  # stations of one pattern: an hour and more at the robot
UPRIGHT = np.array([0.0, 0.0, 1.0])
DIAGONALS = ((-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0))


def grid_views(
    grid: Grid, seen: Sight, middle: Array, turned: Callable[[float], Array] | None = None
) -> Array:
    """Return the pattern as camera_T_board (n, 4, 4) about the view ``middle`` (4, 4).

    ``turned`` gives the board's rotation (3, 3) in the camera for a turn [rad] of an arm that
    cannot tilt; then the pattern has no tilts. Raises UsageError for a pattern without stations,
    one too long, or tilts too steep to detect.
    """
    _check(grid)
    middle_mm = float(seen.distance_mm(middle[None])[0])
    facing = np.array([0.0, 0.0, np.arctan2(middle[1, 0], middle[0, 0])])
    views: list[Array] = []
    for height, shift, (x, y) in product(grid.heights_mm, grid.shifts_mm, DIAGONALS):
        k = len(views)
        tilt = np.radians(grid.tilts_deg[k % len(grid.tilts_deg)])
        turn = np.radians(grid.turns_deg[k % len(grid.turns_deg)])
        lean = tilt * np.array([-y, x, 0.0]) / np.sqrt(2.0)
        spot = np.array([shift * x, shift * y, middle_mm + height])
        if turned is None:
            R = towards(spot[None])[0] @ rotation_exp(lean) @ rotation_exp(facing + turn * UPRIGHT)
        else:
            R = turned(turn)
        views.append(transform(R, spot - R @ seen.centre))
    return np.array(views)


def _check(grid: Grid) -> None:
    for name in ("heights_mm", "shifts_mm", "tilts_deg", "turns_deg"):
        if not getattr(grid, name) or not np.isfinite(getattr(grid, name)).all():
            raise UsageError(f"the grid's {name} is empty", "Give at least one number.")
    steep = max(abs(tilt) for tilt in grid.tilts_deg)
    if steep > MOST_TILT_DEG:
        raise UsageError(
            f"a tilt of {steep:g}° is too steep",
            f"Up to {MOST_TILT_DEG:g}° the board is seen well.",
        )
    count = len(grid.heights_mm) * len(grid.shifts_mm) * len(DIAGONALS)
    if count > MOST:
        raise UsageError(f"the grid has {count} stations", f"At most {MOST}.")
