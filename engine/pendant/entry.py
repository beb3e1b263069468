"""Poses as hands type them, checked and turned into transforms.

Lines may carry this pendant's labels in any case and order, units, any separator, a decimal comma,
exponents, brackets and whatever characters pasting brings. What can be read in two ways is refused
and says how to write it. A unit that is not the one the cell names is refused, never converted:
either the cell is wrong, and then every unmarked number is read wrong too, or the number was worked
out in somebody's head and is not what the pendant shows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from ..arrays import Array
from ..errors import PoseError, StationbookError
from ..frames import transform
from .commas import MixedError
from .conventions import POSITION_FIELDS, checked_pendant, is_quaternion, to_matrix
from .formatting import format_pose, rounding
from .joints import TypedJoints, format_joints, joint_layout, joints_from_fields, parse_joints
from .reading import MissingError, Part, TooManyError, read_fields, read_line, read_parts
from .scanning import Layout
from .settings import LENGTH_MM, Pendant

__all__ = [
    "PartialField",
    "TypedJoints",
    "TypedPose",
    "format_joints",
    "format_pose",
    "joints_from_fields",
    "parse_joints",
    "parse_partial",
    "parse_pose",
    "pose_from_fields",
    "rounding",
]


CUT_OFF = 2.0  # [-]; digits cut off instead of rounded err by a whole step, not by half a one
LEAST_NORM_TOLERANCE = 1e-6  # [-]; single precision inside the controller
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


@dataclass(frozen=True, slots=True)
class PartialField:
    """One field of a line that is still being typed.

    ``label`` is the pendant's, or "" for a number too many. ``text`` is "" and ``value`` None while
    nothing is typed. ``problem`` is None while nothing is wrong so far.
    """

    label: str
    text: str
    value: float | None
    problem: str | None


def parse_pose(text: str, pendant: Pendant) -> TypedPose:
    """Read one line as a pose.

    Raises PoseError with problem, remedy and field; StationbookError for a pendant whose settings
    do not fit together, or that shows joints.
    """
    return _typed(read_line(text, _layout(_of_a_pose(pendant))), pendant)


def pose_from_fields(fields: Sequence[str], pendant: Pendant) -> TypedPose:
    """Read a pose from one text per field, as a session stores it. Raises as `parse_pose` does."""
    return _typed(read_fields(fields, _layout(_of_a_pose(pendant))), pendant)


def parse_partial(text: str, pendant: Pendant) -> list[PartialField]:
    """Return every field of the pendant as far as ``text`` goes, then any numbers too many.

    For showing a line while it is typed: what may still become right is no problem yet. Works for
    joints too, with the pendant's labels. Raises nothing, whatever the text.
    """
    layout = _layout(pendant)
    try:
        parts = read_parts(text, layout)
    except PoseError as error:
        first = PartialField(layout.labels[0], "", None, error.problem)
        return [first, *(PartialField(label, "", None, None) for label in layout.labels[1:])]
    shown = [_shown(part, layout) for part in parts]
    problem = _problem_so_far(text, pendant, parts)
    if problem is None:
        return shown
    typed = [k for k, part in enumerate(parts) if part.text]
    named = [k for k, part in enumerate(shown) if part.label == problem.field]
    at = (named or typed[-1:] or [0])[0]
    shown[at] = PartialField(shown[at].label, shown[at].text, shown[at].value, problem.problem)
    return shown


def _shown(part: Part, layout: Layout) -> PartialField:
    if part.index is None:
        return PartialField("", part.text, part.value, "one number too many")
    return PartialField(layout.labels[part.index], part.text, part.value, None)


def _problem_so_far(text: str, pendant: Pendant, parts: list[Part]) -> PoseError | None:
    """Return what is wrong with the line, unless it is only not finished."""
    if any(part.unfinished for part in parts):
        return None
    try:
        if pendant.shows_joints:
            read_line(text, _layout(pendant))
        else:
            parse_pose(text, pendant)
    except PoseError as error:
        return None if isinstance(error, (MissingError, TooManyError)) else error
    return None


@lru_cache(maxsize=64)
def _layout(pendant: Pendant) -> Layout:
    """Return the fields of this pendant's line."""
    checked_pendant(pendant)
    if pendant.shows_joints:
        return joint_layout(pendant, len(pendant.labels), None)
    turns = len(pendant.labels) - POSITION_FIELDS
    turn_unit = "" if is_quaternion(pendant.rotation) else pendant.angle_unit
    units = (pendant.length_unit,) * POSITION_FIELDS + (turn_unit,) * turns
    return Layout(pendant.labels, units, pendant.decimals)


def _of_a_pose(pendant: Pendant) -> Pendant:
    if pendant.shows_joints:
        raise StationbookError("this pendant shows joints, not a pose", "Type the joint values.")
    return pendant


def _typed(fields: tuple[str, ...], pendant: Pendant) -> TypedPose:
    values = tuple(float(text) for text in fields)
    turn = values[POSITION_FIELDS:]
    if is_quaternion(pendant.rotation):
        _refuse_other_norm(turn, pendant)
    position = np.multiply(values[:POSITION_FIELDS], LENGTH_MM[pendant.length_unit])
    return TypedPose(fields, values, transform(to_matrix(turn, pendant), position))


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
