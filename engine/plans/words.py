"""Why a station is worth visiting, in words."""

from __future__ import annotations

import numpy as np

from ..frames import Array
from .sight import Sight

MIDDLE = 0.2  # [-] of half the image: nearer to the middle nobody calls it a side
CLOSER = 0.12  # [-] of the usual distance: below it nobody calls it nearer or farther
SIDES = {
    (0, 0): "middle",
    (-1, 0): "left",
    (1, 0): "right",
    (0, -1): "top",
    (0, 1): "bottom",
    (-1, -1): "upper left",
    (1, -1): "upper right",
    (-1, 1): "lower left",
    (1, 1): "lower right",
}


def view_words(seen: Sight, view: Array, usual_mm: float) -> str:
    """Return "board tilted 38°, upper left of the view, nearer, 560 mm away" for a view (4, 4)."""
    x, y = (int(np.sign(v) * (abs(v) >= MIDDLE)) for v in seen.at_centre(view[None])[0])
    tilt = float(np.degrees(seen.tilt(view[None])[0]))
    distance = float(seen.distance_mm(view[None])[0])
    off = distance / usual_mm - 1.0
    depth = "" if abs(off) < CLOSER else ("nearer, " if off < 0 else "farther, ")
    return f"board tilted {tilt:.0f}°, {SIDES[x, y]} of the view, {depth}{distance:.0f} mm away"


def gain_words(before_mm: float | None, after_mm: float | None) -> str:
    """Return what a station brings, as expanded uncertainties, or "" where that is not known."""
    if after_mm is None:
        return ""
    after = f"{2 * after_mm:.2g} mm"
    if before_mm is None:
        return f"U at the work volume then about {after}"
    return f"U at the work volume {2 * before_mm:.2g} → {after}"
