"""Poses and joint values as hands type them and as the pendant shows them.

Lines may carry this pendant's labels in any case and order, units, any separator, a decimal comma,
exponents, brackets and whatever characters pasting brings. What can be read in two ways is refused
and says how to write it. A unit that is not the one the cell names is refused, never converted:
either the cell is wrong, and then every unmarked number is read wrong too, or the number was worked
out in somebody's head and is not what the pendant shows.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike

from ..arrays import Array
from ..errors import PoseError, StationbookError
from ..frames import checked_transform
from .conventions import (
    POSITION_FIELDS,
    VECTOR,
    active_places,
    checked_pendant,
    flange_of,
    from_matrix,
    is_quaternion,
    place_of,
    shown_of,
)
from .reading import (
    MissingError,
    MixedError,
    PartialField,
    TooManyError,
    read_fields,
    read_line,
    read_parts,
)
from .scanning import Layout
from .settings import ANGLE_RAD, LENGTH_MM, UNITS, Active, Pendant

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
    return _typed_joints(read_line(text, layout), layout)


def joints_from_fields(
    fields: Sequence[str], pendant: Pendant, robot: Jointed | None = None
) -> TypedJoints:
    """Read joint values from one text per joint, as a session stores them. Raises PoseError."""
    if not fields:
        raise PoseError("no joint values are given", "Type one number for each joint.")
    layout = joint_layout(pendant, len(fields), robot)
    return _typed_joints(read_fields(fields, layout), layout)


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
    return UNITS[unit] if unit in LENGTH_MM else math.degrees(UNITS[unit])


def _typed_joints(fields: tuple[str, ...], layout: Layout) -> TypedJoints:
    values = (float(f) * _shown_unit(u) for f, u in zip(fields, layout.units, strict=True))
    return TypedJoints(fields, tuple(values))


ASSUMED_REACH_MM = 1000.0  # mm; lever from a main joint to the flange of a middle-sized arm: common
#                                practice, no source


def format_pose(
    T: ArrayLike, pendant: Pendant, near: Sequence[str] | Sequence[float] | None = None
) -> tuple[str, ...]:
    """Return base_T_flange (4, 4) [mm] as this pendant would show it, one text per field.

    ``near`` holds the fields of another shown pose (texts or numbers): of equal ways to write the
    rotation the closest to it is taken. Angles lie within ±180°, a half turn as +180; −0.00 is
    never shown. Raises PoseError where this pendant cannot show the pose, StationbookError for a
    matrix that is no rigid transform and for a pendant that shows joints.
    """
    checked_pendant(pendant)
    if pendant.shows_joints:
        raise StationbookError("this pendant shows joints, not a pose", "Use format_joints.")
    return format_place(shown_of(checked_transform(T, "base_T_flange"), pendant), pendant, near)


def format_place(
    T: ArrayLike, pendant: Pendant, near: Sequence[str] | Sequence[float] | None = None
) -> tuple[str, ...]:
    """Return a transform (4, 4) [mm] in this pendant's form, whatever tool and frame are active.

    So a frame's place in the base and a tool's on the flange are typed. The rest as `format_pose`.
    """
    T = checked_transform(T, "transform")
    goal = None if near is None else _numbers(near, pendant)
    turn = from_matrix(T[:3, :3], pendant, None if goal is None else goal[POSITION_FIELDS:])
    values = [*(T[:3, 3] / LENGTH_MM[pendant.length_unit]), *turn]
    if np.abs(values).max() > 1e12:
        raise PoseError("the pose is too far away to be shown", "Check the transform.")
    texts = [rounded(v, d) for v, d in zip(values, pendant.decimals, strict=True)]
    if pendant.rotation != VECTOR and not is_quaternion(pendant.rotation):
        for k in range(POSITION_FIELDS, len(texts)):
            minus = goal is not None and goal[k] < 0
            texts[k] = _half_turn(texts[k], minus, pendant, pendant.decimals[k])
    return tuple(texts)


def _numbers(near: Sequence[str] | Sequence[float], pendant: Pendant) -> list[float]:
    try:
        goal = [float(value) for value in near]
    except ValueError as error:
        raise StationbookError(f"near: {error}", "Give the fields of a shown pose.") from error
    if len(goal) != len(pendant.labels) or not np.isfinite(goal).all():
        raise StationbookError(f"near: expected {len(pendant.labels)} finite fields, got {near}")
    return goal


def _half_turn(text: str, minus: bool, pendant: Pendant, digits: int) -> str:
    """Return a half turn with the sign wanted: rounding makes −180.00 of −179.999."""
    shown = rounded(math.pi / ANGLE_RAD[pendant.angle_unit], digits)
    if text.removeprefix("-") != shown or float(shown) == 0.0:
        return text
    return f"-{shown}" if minus else shown


def place_from_fields(fields: Sequence[str], pendant: Pendant) -> Array:
    """Return the transform (4, 4) [mm] that `format_place` wrote. Raises PoseError."""
    return place_of(np.array(read_fields(fields, _layout_of_a_pose(pendant)), float), pendant)


def rounding(pendant: Pendant) -> tuple[float, float]:
    """Return the standard uncertainty per axis of display rounding: position [mm], angle [rad].

    A value shown to a step d lies anywhere within ±d/2, so u = (d/2)/√3 (GUM 4.3.7, rectangular
    distribution). Position: root mean square of the three fields. Axis sequences: every angle turns
    about a unit axis, so the mean variance per axis is that of the fields in any pose. Rotation
    vector: the same, exact for small vectors and up to 1.3 times too large at a half turn. Yaw: the
    one angle. Quaternion: 2u of a component, as a small turn r moves a unit quaternion by r/2 at
    right angles to itself. Joints: n turns of u give u √(n/3) about each axis, and the three main
    joints move the flange by u · `ASSUMED_REACH_MM` on each axis. A turn that is rounded swings the
    flange about the active tool: on each axis √(2/3) of u times their distance. Raises
    StationbookError.
    """
    pendant = checked_pendant(pendant)
    u = np.sqrt(1.0 / 12.0) * 10.0 ** -np.asarray(pendant.decimals, float)
    if pendant.shows_joints:
        joint = _rms(u) * ANGLE_RAD[pendant.joint_unit]
        return joint * ASSUMED_REACH_MM, joint * math.sqrt(len(u) / 3.0)
    position = _rms(u[:POSITION_FIELDS]) * LENGTH_MM[pendant.length_unit]
    turn = _rms(u[POSITION_FIELDS:])
    turn *= 2.0 if is_quaternion(pendant.rotation) else ANGLE_RAD[pendant.angle_unit]
    far = float(np.linalg.norm(active_places(pendant)[1][:3, 3]))
    return math.hypot(position, math.sqrt(2.0 / 3.0) * turn * far), turn


def _rms(u: ArrayLike) -> float:
    return float(np.sqrt(np.mean(np.square(u))))


CUT_OFF = 2.0  # [-]; digits cut off instead of rounded err by a whole step, not by half a one
LEAST_NORM_TOLERANCE = 1e-6  # [-]; single precision inside the controller
KEPT = 4096  # poses read from stored texts: twice the longest sessions, 2 MB
LARGEST_NORM_TOLERANCE = 0.2  # [-]; two decimals of the cell's say 0.02; fewer tell no rotation


@dataclass(frozen=True, slots=True, eq=False)
class TypedPose:
    """One typed pose.

    Attributes:
        fields: the digits as typed, one text per label, with a decimal point and without a plus;
            leading and trailing zeros are kept.
        values: the same as numbers, in the pendant's units.
        base_T_flange: (4, 4) [mm].
    """

    fields: tuple[str, ...]
    values: tuple[float, ...]
    base_T_flange: Array


def parse_pose(text: str, pendant: Pendant) -> TypedPose:
    """Read one line as a pose.

    Raises PoseError with problem, remedy and field; StationbookError for a pendant whose settings
    do not fit together, or that shows joints.
    """
    return _typed(read_line(text, _layout_of_a_pose(pendant)), pendant)


def pose_from_fields(fields: Sequence[str], pendant: Pendant) -> TypedPose:
    """Read a pose from one text per field, as a session stores it. Raises as `parse_pose` does.

    The last `KEPT` poses are kept: a session's texts are read by many.
    """
    if all(isinstance(text, str) for text in fields):
        return stored_pose(tuple(fields), pendant)
    return _typed(read_fields(fields, _layout_of_a_pose(pendant)), pendant)


@lru_cache(maxsize=KEPT)
def stored_pose(fields: tuple[str, ...], pendant: Pendant) -> TypedPose:
    """Return `pose_from_fields` of texts; the array belongs to everybody and cannot be written."""
    found = _typed(read_fields(fields, _layout_of_a_pose(pendant)), pendant)
    found.base_T_flange.flags.writeable = False
    return found


def parse_partial(text: str, pendant: Pendant) -> list[PartialField]:
    """Return every field of the pendant as far as ``text`` goes, then any numbers too many.

    For showing a line while it is typed: what may still become right is no problem yet. Works for
    joints too, with the pendant's labels. Raises nothing, whatever the text.
    """
    layout = line_layout(pendant)
    if pendant.shows_joints:
        return _partial(text, layout, lambda: read_line(text, layout))
    return _partial(text, layout, lambda: parse_pose(text, pendant))


def parse_partial_joints(
    text: str, pendant: Pendant, axes: int, robot: Jointed | None = None
) -> list[PartialField]:
    """Return every joint that is typed beside a pose, as `parse_partial` returns fields."""
    layout = joint_layout(pendant, axes, robot)
    return _partial(text, layout, lambda: read_line(text, layout))


def _partial(text: str, layout: Layout, read: Callable[[], object]) -> list[PartialField]:
    """Return the fields of ``layout``; ``read`` tells what is wrong with the whole line."""
    try:
        parts = read_parts(text, layout)
    except PoseError as error:
        first, *others = layout.labels
        return [PartialField(first, problem=error.problem), *map(PartialField, others)]
    problem = _problem_so_far(parts, read)
    if problem is not None:
        typed = [k for k, part in enumerate(parts) if part.text]
        named = [k for k, part in enumerate(parts) if part.label == problem.field]
        at = (named or typed[-1:] or [0])[0]
        parts[at] = replace(parts[at], problem=problem.problem)
    return parts


def _problem_so_far(parts: list[PartialField], read: Callable[[], object]) -> PoseError | None:
    """Return what is wrong with the line, unless it is only not finished."""
    if any(part.unfinished for part in parts):
        return None
    try:
        read()
    except PoseError as error:
        return None if isinstance(error, (MissingError, TooManyError)) else error
    return None


def line_layout(pendant: Pendant, robot: Jointed | None = None) -> Layout:
    """Return the fields of this pendant's line; ``robot`` says which joints are lifts."""
    if pendant.shows_joints:
        return joint_layout(pendant, len(pendant.labels), robot)
    return _pose_layout(pendant)


@lru_cache(maxsize=64)
def _pose_layout(pendant: Pendant) -> Layout:
    checked_pendant(pendant)
    turns = len(pendant.labels) - POSITION_FIELDS
    turn_unit = "" if is_quaternion(pendant.rotation) else pendant.angle_unit
    units = (pendant.length_unit,) * POSITION_FIELDS + (turn_unit,) * turns
    return Layout(pendant.labels, units, pendant.decimals)


def _layout_of_a_pose(pendant: Pendant) -> Layout:
    if pendant.shows_joints:
        raise StationbookError("this pendant shows joints, not a pose", "Type the joint values.")
    return line_layout(pendant)


def _typed(fields: tuple[str, ...], pendant: Pendant) -> TypedPose:
    values = tuple(float(text) for text in fields)
    if is_quaternion(pendant.rotation):
        _refuse_other_norm(values[POSITION_FIELDS:], pendant)
    return TypedPose(fields, values, flange_of(place_of(np.array(values), pendant), pendant))


def _refuse_other_norm(q: tuple[float, ...], pendant: Pendant) -> None:
    """Refuse a quaternion whose length differs from 1 by more than the shown digits explain.

    Errors e of at most half a step each change the length by at most |e| (triangle inequality).
    """
    steps = 10.0 ** -np.asarray(pendant.decimals[POSITION_FIELDS:], float)
    allowed = max(CUT_OFF * float(np.linalg.norm(steps / 2.0)), LEAST_NORM_TOLERANCE)
    norm = float(np.linalg.norm(q))
    if abs(norm - 1.0) > min(allowed, LARGEST_NORM_TOLERANCE):
        labels = " ".join(pendant.labels[POSITION_FIELDS:])
        raise PoseError(
            f"{labels} have length {norm:.6g} together, a rotation has length 1",
            "Type every digit shown and compare each with the pendant.",
            field=pendant.labels[POSITION_FIELDS],
        )


def parse_active(text: str, own: Active, pendant: Pendant) -> Active:
    """Read which tool (frame) is active: ``own``, the flange (the base), or "NAME: X Y Z ..".

    Raises PoseError, for a name alone too: it does not say where the tool or frame is.
    """
    name, _, values = (part.strip() for part in text.partition(":"))
    if name.casefold() == own.name and not values:
        return own
    if not values:
        raise PoseError(
            f"{name!r} alone does not say where it is",
            f"Select the {own.name} on the pendant, or give the values that it shows for it as "
            f"well ({' '.join(pendant.labels)}).",
        )
    return Active(name, read_line(values, _layout_of_a_pose(pendant)))


def active_from_fields(active: Active, pendant: Pendant) -> Active:
    """Return a stored tool or frame with its values as plain decimal texts. Raises PoseError."""
    if active.pose is None or pendant.shows_joints:
        return active
    return replace(active, pose=read_fields(active.pose, _layout_of_a_pose(pendant)))


def typed_numbers(text: str, labels: tuple[str, ...], units: tuple[str, ...]) -> tuple[float, ...]:
    """Return one finite number for each of ``labels``, in their order.

    Any separator, a decimal comma, labels and units are read as in a pose; ``units`` are names, or
    "" for bare numbers. Raises PoseError for what is no number, infinite, missing or ambiguous; its
    ``field`` is the label.
    """
    texts = read_line(text, Layout(labels, units, (0,) * len(labels)))
    return tuple(float(one) for one in texts)


def typed_number(text: str) -> float:
    """Return one finite number with a decimal point or comma. Raises PoseError as above."""
    try:
        (value,) = typed_numbers(text, ("value",), ("",))
    except MixedError:
        raise
    except PoseError:
        raise PoseError(f"{text!r} is no number", "Type one, such as 0.1.") from None
    return value
