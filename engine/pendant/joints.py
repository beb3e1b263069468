"""Joint values as typed and as shown: labels, units, lifts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Protocol

from ..errors import PoseError, StationbookError
from .conventions import checked_pendant
from .reading import read_fields, read_line
from .scanning import Layout
from .settings import ANGLE_RAD, LENGTH_MM, Pendant

JOINT_LETTERS = ("J", "A", "Q")  # before the joint's number, on most pendants: from memory
JOINT_DECIMALS = 2  # shown where the cell does not say: 0.01°, from memory
_SCARA_LIFT = 2  # index of J3


class _Link(Protocol):
    @property
    def type(self) -> str: ...


class Jointed(Protocol):
    """What is needed of a robot here: which of its joints are lifts."""

    @property
    def kind(self) -> str:
        """Kind of robot, as the cell names it."""

    @property
    def links(self) -> Sequence[_Link]:
        """Links of a `chain`."""


@dataclass(frozen=True, slots=True)
class TypedJoints:
    """One typed line of joint values: texts as typed, and values [deg, or mm for a lift]."""

    fields: tuple[str, ...]
    values_deg_or_mm: tuple[float, ...]


def parse_joints(
    text: str, pendant: Pendant, axes: int, robot: Jointed | None = None
) -> TypedJoints:
    """Read one line as ``axes`` joint values.

    Labels are the pendant's own with `rotation: joints`, else J1 J2 ..; A1 .. and Q1 .. are
    understood too. Lifts of ``robot`` are read in the pendant's length unit; without a robot every
    joint turns. Raises PoseError; StationbookError for settings that do not fit together.
    """
    layout = joint_layout(pendant, axes, robot)
    return _typed(read_line(text, layout), layout)


def joints_from_fields(
    fields: Sequence[str], pendant: Pendant, robot: Jointed | None = None
) -> TypedJoints:
    """Read joint values from one text per joint, as a session stores them. Raises PoseError."""
    if not fields:
        raise PoseError("no joint values are given", "Type one number for each joint.")
    layout = joint_layout(pendant, len(fields), robot)
    return _typed(read_fields(fields, layout), layout)


def format_joints(
    values_deg_or_mm: Sequence[float], pendant: Pendant, robot: Jointed | None = None
) -> tuple[str, ...]:
    """Return joint values [deg, or mm for a lift] as this pendant would show them."""
    layout = joint_layout(pendant, len(values_deg_or_mm), robot)
    return tuple(
        rounded(value / _shown_unit(unit), digits)
        for value, unit, digits in zip(values_deg_or_mm, layout.units, layout.decimals, strict=True)
    )


def rounded(value: float, decimals: int) -> str:
    """Return ``value`` with a fixed number of decimals, and never a minus before nothing but 0."""
    text = f"{value:.{decimals}f}"
    return text.removeprefix("-") if float(text) == 0.0 else text


def joint_layout(pendant: Pendant, axes: int, robot: Jointed | None) -> Layout:
    """Return the fields of a line of joint values. Raises StationbookError."""
    lifts = tuple(_is_lift(robot, k) for k in range(axes))
    return _joint_layout(checked_pendant(pendant), lifts)


@lru_cache(maxsize=64)
def _joint_layout(pendant: Pendant, lifts: tuple[bool, ...]) -> Layout:
    own, axes = pendant.shows_joints, len(lifts)
    if axes < 1 or (own and len(pendant.labels) != axes):
        raise StationbookError(
            f"{axes} joint values for a pendant that shows {len(pendant.labels)}",
            "List one label for each joint of the robot in pendant.labels.",
        )
    named = [(f"{letter}{k + 1}".casefold(), k) for letter in JOINT_LETTERS for k in range(axes)]
    labels = pendant.labels if own else tuple(f"J{k + 1}" for k in range(axes))
    taken = {label.casefold() for label in labels}
    return Layout(
        labels=labels,
        units=tuple(pendant.length_unit if lift else pendant.joint_unit for lift in lifts),
        decimals=pendant.decimals if own else (JOINT_DECIMALS,) * axes,
        aliases=tuple((name, k) for name, k in named if name not in taken),
    )


def _is_lift(robot: Jointed | None, joint: int) -> bool:
    if robot is None:
        return False
    if robot.kind == "chain":
        return joint < len(robot.links) and robot.links[joint].type == "lift"
    return robot.kind == "scara" and joint == _SCARA_LIFT


def _shown_unit(unit: str) -> float:
    """Return the shown unit in [deg] or [mm]."""
    return LENGTH_MM[unit] if unit in LENGTH_MM else math.degrees(ANGLE_RAD[unit])


def _typed(fields: tuple[str, ...], layout: Layout) -> TypedJoints:
    values = (float(f) * _shown_unit(u) for f, u in zip(fields, layout.units, strict=True))
    return TypedJoints(fields, tuple(values))
