"""What the pendant shows, and in which units and convention."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

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
