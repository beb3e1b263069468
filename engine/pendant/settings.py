"""What the pendant shows, and in which units and convention."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

LENGTH_MM = {"mm": 1.0, "m": 1000.0, "in": 25.4}  # [mm]; the inch is 25.4 mm exactly
ANGLE_RAD = {"deg": math.pi / 180.0, "rad": 1.0}  # [rad]
UNITS = LENGTH_MM | ANGLE_RAD  # [mm] or [rad]

_SPELLINGS = {
    "mm": ("mm",),
    "m": ("m",),
    "in": ("in", "inch", "inches", '"', "″"),
    "deg": ("°", "deg", "degree", "degrees"),
    "rad": ("rad", "radian", "radians"),
}
UNIT_WORDS = {word: unit for unit, words in _SPELLINGS.items() for word in words}
"""Written unit, in lower case -> name of the unit as a cell writes it."""


JOINTS = "joints"  # as `Pendant.rotation`: the stations of the cell are typed as joint values

LengthUnit = Literal["mm", "m", "in"]
AngleUnit = Literal["deg", "rad"]


@dataclass(frozen=True, slots=True)
class Active:
    """The tool or frame in which the pendant shows poses.

    ``pose``: its place on the flange (in the base), one text per field in the order, units and
    convention of a typed pose; None: it is the flange (the base) itself.
    """

    name: str
    pose: tuple[str, ...] | None = None

    def __str__(self) -> str:
        return self.name if self.pose is None else f"{self.name}: {' '.join(self.pose)}"


FLANGE, BASE = Active("flange"), Active("base")


@dataclass(frozen=True, slots=True)
class Pendant:
    """How the teach pendant shows a pose.

    ``rotation`` is one of `conventions.ROTATIONS`. ``labels`` and ``decimals`` describe the shown
    fields in the order in which they are typed. ``active_tool`` and ``active_frame`` are those in
    which it shows poses. ``flange_down`` belongs to ``rotation: yaw`` only.
    """

    length_unit: LengthUnit
    angle_unit: AngleUnit
    rotation: str
    labels: tuple[str, ...]
    decimals: tuple[int, ...]
    joint_unit: AngleUnit = "deg"
    active_tool: Active = FLANGE
    active_frame: Active = BASE
    flange_down: bool = False

    @property
    def shows_joints(self) -> bool:
        """Whether joint values are typed for a stop, and no pose."""
        return self.rotation == JOINTS
