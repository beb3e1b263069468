"""Poses as this pendant would show them, and what its rounding costs."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from ..errors import PoseError, StationbookError
from ..frames import checked_transform
from .conventions import (
    POSITION_FIELDS,
    VECTOR,
    checked_pendant,
    from_matrix,
    is_quaternion,
)
from .joints import rounded
from .settings import ANGLE_RAD, LENGTH_MM, Pendant

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
    T, pendant = checked_transform(T, "base_T_flange"), checked_pendant(pendant)
    if pendant.shows_joints:
        raise StationbookError("this pendant shows joints, not a pose", "Use format_joints.")
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


def rounding(pendant: Pendant, reach_mm: float = ASSUMED_REACH_MM) -> tuple[float, float]:
    """Return the standard uncertainty per axis of display rounding: position [mm], angle [rad].

    A value shown to a step d lies anywhere within ±d/2, so u = (d/2)/√3 (GUM 4.3.7, rectangular
    distribution). Position: root mean square of the three fields. Axis sequences: every angle turns
    about a unit axis, so the mean variance per axis is that of the fields in any pose. Rotation
    vector: the same, exact for small vectors and up to 1.3 times too large at a half turn. Yaw: the
    one angle. Quaternion: 2u of a component, as a small turn r moves a unit quaternion by r/2 at
    right angles to itself. Joints: n turns of u give u √(n/3) about each axis, and the three main
    joints move the flange by u · ``reach_mm`` on each axis. Raises StationbookError.
    """
    pendant = checked_pendant(pendant)
    u = np.sqrt(1.0 / 12.0) * 10.0 ** -np.asarray(pendant.decimals, float)
    if pendant.shows_joints:
        joint = _rms(u) * ANGLE_RAD[pendant.joint_unit]
        return joint * reach_mm, joint * math.sqrt(len(u) / 3.0)
    position = _rms(u[:POSITION_FIELDS]) * LENGTH_MM[pendant.length_unit]
    turn = _rms(u[POSITION_FIELDS:])
    if is_quaternion(pendant.rotation):
        return position, 2.0 * turn
    return position, turn * ANGLE_RAD[pendant.angle_unit]


def _rms(u: ArrayLike) -> float:
    return float(np.sqrt(np.mean(np.square(u))))
