"""Units that a pendant can show, and the words by which hands write them."""

from __future__ import annotations

import math

LENGTH_MM = {"mm": 1.0, "m": 1000.0, "in": 25.4}  # [mm]; the inch is 25.4 mm exactly
ANGLE_RAD = {"deg": math.pi / 180.0, "rad": 1.0}  # [rad]

UNIT_WORDS = {
    "mm": "mm",
    "m": "m",
    "in": "in",
    "inch": "in",
    "inches": "in",
    '"': "in",
    "″": "in",
    "°": "deg",
    "deg": "deg",
    "degree": "deg",
    "degrees": "deg",
    "rad": "rad",
    "radian": "rad",
    "radians": "rad",
}
"""Written unit, in lower case -> name of the unit as a cell writes it."""
