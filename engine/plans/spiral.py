"""A fixed pattern of stations, for sites whose procedure demands one: a spiral into the depth."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from ..arrays import Array
from ..errors import UsageError
from ..frames import rotation_exp, transform
from .sight import MOST_TILT_DEG, Sight, towards
from .types import Spiral

GOLDEN_RAD = np.pi * (3.0 - np.sqrt(5.0))  # about 137.5° a stop: fills a disc evenly (Vogel 1979)
SIDES = np.array([-1.0, 0.0, 1.0])  # the turns about the line of sight, one after the other


def spiral_views(
    spiral: Spiral,
    count: int,
    seen: Sight,
    middle: Array,
    turned: Callable[[float], Array] | None = None,
) -> Array:
    """Return ``count`` stops of the pattern as camera_T_board (n, 4, 4) about ``middle`` (4, 4).

    ``turned`` gives the board's rotation (3, 3) in the camera for a turn [rad] of an arm that
    cannot tilt; then the pattern has no tilts. Raises UsageError for a negative size or a tilt too
    steep to detect.
    """
    _check(spiral)
    share = np.arange(count) / max(count - 1, 1)
    way = GOLDEN_RAD * np.arange(count)
    out = np.column_stack([np.cos(way), np.sin(way)])
    spot = np.empty((count, 3))
    spot[:, :2] = spiral.radius_mm * np.sqrt(share)[:, None] * out
    spot[:, 2] = seen.distance_mm(middle[None])[0] + spiral.depth_mm * (share - 0.5)
    turn = np.radians(spiral.turn_deg) * SIDES[np.arange(count) % len(SIDES)]
    if turned is None:
        lean = np.radians(spiral.tilt_deg) * np.column_stack([-out[:, 1], out[:, 0], 0.0 * way])
        facing = np.arctan2(middle[1, 0], middle[0, 0]) + turn
        about = rotation_exp(np.outer(facing, (0.0, 0.0, 1.0)))
        R = towards(spot) @ rotation_exp(lean) @ about
    else:
        R = np.array([turned(angle) for angle in turn])
    return transform(R, spot - R @ seen.centre)


def _check(spiral: Spiral) -> None:
    for name in ("radius", "depth", "tilt"):
        value = getattr(spiral, f"{name}_{'deg' if name == 'tilt' else 'mm'}")
        if not np.isfinite(value) or value < 0.0:
            raise UsageError(f"a {name} of {value:g}", "Give 0 or more.")
    if not np.isfinite(spiral.turn_deg):
        raise UsageError(f"a turn of {spiral.turn_deg:g}°", "Give a number of degrees.")
    if spiral.tilt_deg > MOST_TILT_DEG:
        raise UsageError(
            f"a tilt of {spiral.tilt_deg:g}° is too steep",
            f"Up to {MOST_TILT_DEG:g}° the board is seen well.",
        )
