"""What the pendant shows, and in which units and convention."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

LENGTH_MM = {"mm": 1.0, "m": 1000.0, "in": 25.4}  # [mm]; the inch is 25.4 mm exactly
ANGLE_RAD = {"deg": math.pi / 180.0, "rad": 1.0}  # [rad]
UNITS = LENGTH_MM | ANGLE_RAD  # [mm] or [rad]

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


JOINTS = "joints"  # as `Pendant.rotation`: the stations of the cell are typed as joint values

LengthUnit = Literal["mm", "m", "in"]
AngleUnit = Literal["deg", "rad"]


@dataclass(frozen=True, slots=True)
class Pendant:
    """How the teach pendant shows a pose.

    ``rotation`` is one of `conventions.ROTATIONS`. ``labels`` and ``decimals`` describe the shown
    fields in the order in which they are typed. ``active_tool`` and ``active_frame`` are what the
    pendant must show as active. ``flange_down`` belongs to ``rotation: yaw`` only.
    """

    length_unit: LengthUnit
    angle_unit: AngleUnit
    rotation: str
    labels: tuple[str, ...]
    decimals: tuple[int, ...]
    joint_unit: AngleUnit = "deg"
    active_tool: str = "flange"
    active_frame: str = "base"
    flange_down: bool = False

    @property
    def shows_joints(self) -> bool:
        """Whether joint values are typed for a stop, and no pose."""
        return self.rotation == JOINTS
