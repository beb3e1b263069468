"""Values that betray that the pendant shows another unit than the cell says."""

from __future__ import annotations

import math
from collections.abc import Sequence

from ..findings import Finding, finding
from ..pendant.settings import LengthUnit, Pendant
from .thresholds import INSIDE_COLUMN_MM, LARGEST_REACH_IN, LARGEST_REACH_M, ONE_TURN_RAD

_UNIT_FREE = ("quaternion-wxyz", "quaternion-xyzw", "joints")
_QUARTER_TURN_SLACK = 0.005  # rad; a quarter turn shown with 2 decimals in radians is this near
UNIT_NAMES = {"mm": "mm", "m": "metres", "in": "inches", "deg": "degrees", "rad": "radians"}


def unit_findings(
    values: Sequence[float], fields: Sequence[str], pendant: Pendant
) -> list[Finding]:
    """Return `unit` findings for one typed pose: ``values`` in pendant units, ``fields`` as typed.

    Both have one entry per label. Only the size of the numbers is looked at, so a finding means
    that the value cannot be right, or hardly, in the declared unit.
    """
    if pendant.rotation == "joints":
        return []
    length = _length_looks_like(values[:3], pendant.length_unit)
    found = []
    if length is not None:
        largest = max(range(3), key=lambda k: abs(values[k]))
        found.append(_finding(pendant, fields, largest, length, pendant.length_unit, "length_unit"))
    angle = None if pendant.rotation in _UNIT_FREE else _angle_looks_like(values[3:], pendant)
    if angle is not None:
        largest = max(range(3, len(values)), key=lambda k: abs(values[k]))
        found.append(_finding(pendant, fields, largest, angle, pendant.angle_unit, "angle_unit"))
    return found


def _finding(
    pendant: Pendant, fields: Sequence[str], index: int, looks_like: str, declared: str, key: str
) -> Finding:
    return finding(
        "unit",
        field=pendant.labels[index],
        typed=fields[index],
        looks_like=UNIT_NAMES[looks_like],
        expected=UNIT_NAMES[declared],
        key=key,
    )


def _length_looks_like(xyz: Sequence[float], declared: LengthUnit) -> str | None:
    """Return the unit in which the position would be a reachable one, or None if it is already."""
    size = max(abs(value) for value in xyz)
    if declared == "mm":
        if size == 0.0 or size >= INSIDE_COLUMN_MM:
            return None
        return "m" if size < LARGEST_REACH_M else "in"
    if declared == "m":
        return "mm" if size > LARGEST_REACH_M * 4 else None
    return "mm" if size > LARGEST_REACH_IN else None


def _angle_looks_like(angles: Sequence[float], pendant: Pendant) -> str | None:
    size = max(abs(value) for value in angles)
    if pendant.angle_unit == "rad":
        return "deg" if size > ONE_TURN_RAD else None
    if size > math.pi + _QUARTER_TURN_SLACK:
        return None
    turned = [value for value in angles if abs(value) > 1.0]
    quarter = [math.remainder(value, math.pi / 2) for value in turned]
    betrayed = any(abs(rest) < _QUARTER_TURN_SLACK for rest in quarter)
    return "rad" if betrayed else None
