"""How a pendant writes a rotation: 24 axis sequences, vectors, quaternions and a single angle.

``fixed-abc`` turns about the fixed axes a, then b, then c; ``moving-abc`` about a, then the moved
b, then the moved c. Values stand in the order of the pendant's labels, so for values (1, 2, 3)
``fixed-xyz`` is Rz(3) Ry(2) Rx(1) and ``moving-zyx`` is Rz(1) Ry(2) Rx(3).
"""

from __future__ import annotations

import difflib
import itertools
from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from ..arrays import Array
from ..errors import PoseError, StationbookError
from ..frames import (
    inverse,
    quaternion_xyzw,
    rotation_exp,
    rotation_log,
    rotation_of,
    transform,
    turn_angles,
    turns,
)
from .settings import ANGLE_RAD, JOINTS, LENGTH_MM, UNIT_WORDS, Active, Pendant

VECTOR, QUATERNION_WXYZ, QUATERNION_XYZW = "rotation-vector", "quaternion-wxyz", "quaternion-xyzw"
YAW = "yaw"
POSITION_FIELDS = 3

GIMBAL_LOCK = 1e-7  # rad; nearer to the lock, double precision no longer tells the outer angles
HALF_TURN_TIE = 1e-6  # rad or [-]; finer than a pendant shows, so both signs are equally right
YAW_TILT_LIMIT = np.deg2rad(5.0)  # rad; noise tilts a level flange by less: common practice
_FLANGE_DOWN = np.diag([1.0, -1.0, -1.0])  # Rx(180°)


def euler_sequences() -> tuple[str, ...]:
    """Return the 12 axis sequences in which no axis follows itself: xyx, xyz, ... zyz."""
    triples = itertools.product("xyz", repeat=3)
    return tuple("".join(t) for t in triples if t[0] != t[1] and t[1] != t[2])


EULER_ROTATIONS: tuple[str, ...] = tuple(
    f"{kind}-{axes}" for kind in ("fixed", "moving") for axes in euler_sequences()
)
FULL_ROTATIONS = (*EULER_ROTATIONS, VECTOR, QUATERNION_WXYZ, QUATERNION_XYZW)
"""The names whose fields give any rotation."""
POSE_ROTATIONS = (*FULL_ROTATIONS, YAW)
ROTATIONS = (*POSE_ROTATIONS, JOINTS)
"""Every name that `Pendant.rotation` may have."""
MATRIX = "matrix"  # 4 × 4, 3 × 4, or the rows of one in a line
CONVENTIONS = (MATRIX, *FULL_ROTATIONS)
"""How other scripts write a rotation."""


def is_quaternion(rotation: str) -> bool:
    """Tell whether the rotation fields are the four numbers of a quaternion."""
    return rotation in (QUATERNION_WXYZ, QUATERNION_XYZW)


def field_count(rotation: str, axes: int = 6) -> int:
    """Return how many fields a pose has, position included; ``axes`` counts for `joints` only.

    Raises StationbookError for an unknown name.
    """
    if rotation not in ROTATIONS:
        near = difflib.get_close_matches(rotation, ROTATIONS, n=1)
        hint = f"Did you mean {near[0]}?" if near else f"Known: {', '.join(ROTATIONS)}."
        raise StationbookError(f"unknown rotation {rotation!r}", hint)
    if rotation == JOINTS:
        return axes
    return POSITION_FIELDS + {YAW: 1, QUATERNION_WXYZ: 4, QUATERNION_XYZW: 4}.get(rotation, 3)


@lru_cache(maxsize=256)
def checked_pendant(pendant: Pendant) -> Pendant:
    """Return ``pendant`` after checking that its settings fit together.

    Raises StationbookError naming the setting, the value received and what would fit.
    """
    labels, count = pendant.labels, field_count(pendant.rotation, len(pendant.labels))
    if len(labels) != count or not labels:
        raise StationbookError(
            f"pendant.labels has {len(labels)} labels, {pendant.rotation} has {count} fields",
            "List the labels in the order in which they are typed, X Y Z first.",
        )
    if len(pendant.decimals) != count or not all(0 <= d <= 12 for d in pendant.decimals):
        raise StationbookError(
            f"pendant.decimals is {list(pendant.decimals)}",
            f"Give the {count} numbers of decimals shown, each from 0 to 12.",
        )
    folded = [label.casefold() for label in labels]
    if len(set(folded)) != count or not all(_is_label(label) for label in labels):
        raise StationbookError(
            f"pendant.labels is {list(labels)}",
            "Every label begins with a letter, holds only letters and digits, is no unit, and "
            "stands once.",
        )
    units = (pendant.length_unit, pendant.angle_unit, pendant.joint_unit)
    if units[0] not in LENGTH_MM or units[1] not in ANGLE_RAD or units[2] not in ANGLE_RAD:
        raise StationbookError(
            f"the pendant's units are {', '.join(units)}", "Lengths: mm, m, in; angles: deg, rad."
        )
    return pendant


def _is_label(label: str) -> bool:
    plain = label[:1].isalpha() and label.replace("_", "").isalnum() and len(label) <= 16
    return plain and label.casefold() not in UNIT_WORDS


def to_matrix(values: ArrayLike, pendant: Pendant) -> Array:
    """Return the rotations (..., 3, 3) of the rotation fields ``values`` (..., k).

    Values stand in the order typed, in the pendant's angle unit; quaternions are normed. Raises
    StationbookError for a wrong number of values, a zero quaternion, or `joints`.
    """
    values, rotation = np.asarray(values, float), pendant.rotation
    count = field_count(rotation) - POSITION_FIELDS
    if rotation == JOINTS:
        raise StationbookError("joint angles alone are no rotation", "Use the robot's kinematics.")
    if values.ndim == 0 or values.shape[-1] != count:
        raise StationbookError(f"{rotation}: expected {count} values, got shape {values.shape}")
    R = _rotations(values.reshape(-1, count), pendant)
    return R.reshape(*values.shape[:-1], 3, 3)


def _rotations(values: Array, pendant: Pendant) -> Array:
    """Return (n, 3, 3) for (n, k) rotation fields."""
    rotation = pendant.rotation
    if is_quaternion(rotation):
        if not (np.linalg.norm(values, axis=1) > 0).all():
            raise StationbookError("the quaternion is zero", "A rotation quaternion has length 1.")
        return rotation_of(np.roll(values, -1, 1) if rotation == QUATERNION_WXYZ else values)
    angles = values * ANGLE_RAD[pendant.angle_unit]
    if rotation == VECTOR:
        return rotation_exp(angles)
    if rotation == YAW:
        R = rotation_exp(angles * (0.0, 0.0, 1.0))
        return R @ _FLANGE_DOWN if pendant.flange_down else R
    return _turned(rotation, angles)


def _turned(rotation: str, angles: Array) -> Array:
    """Return the rotations (..., 3, 3) of three angles (..., 3) [rad] about moving or fixed axes.

    Turns about fixed axes are those about moving ones in the other order.
    """
    kind, axes = rotation.split("-")
    return turns(axes, angles) if kind == "moving" else turns(axes[::-1], angles[..., ::-1])


def from_matrix(R: ArrayLike, pendant: Pendant, near: Sequence[float] | None = None) -> Array:
    """Return the rotation fields (k,) [pendant's angle unit] of one rotation (3, 3).

    Of the ways to write the same rotation (two Euler branches, either sign of a quaternion, a
    vector or its long way round, any split of the outer angles in gimbal lock) the one closest to
    the shown values ``near`` is taken; without it: the middle angle in [−90°, 90°] or [0°, 180°],
    w >= 0, the short vector, and in gimbal lock the last angle 0. Angles lie within ±180°, or
    within 0° to 360° where ``near`` itself exceeds 180°. Raises StationbookError for `joints`, and
    PoseError for `yaw` when the flange is tilted: a single angle cannot show that.
    """
    R, rotation = np.asarray(R, float), pendant.rotation
    if R.shape != (3, 3):
        raise StationbookError(f"rotation: expected shape (3, 3), got {R.shape}")
    if rotation == JOINTS:
        raise StationbookError("a rotation alone gives no joints", "Use the robot's kinematics.")
    unit = 1.0 if is_quaternion(rotation) else ANGLE_RAD[pendant.angle_unit]
    goal = None if near is None else np.asarray(near, float) * unit
    if goal is not None and goal.shape != (field_count(rotation) - POSITION_FIELDS,):
        raise StationbookError(f"near: expected the {rotation} fields, got shape {goal.shape}")
    if is_quaternion(rotation):
        return _quaternion(R, rotation, goal)
    if rotation == VECTOR:
        return _vector(R, goal) / unit
    angles = np.array([_yaw(R, pendant)]) if rotation == YAW else _euler(R, rotation, goal)
    return _wrapped(angles, goal) / unit


def _quaternion(R: Array, rotation: str, goal: Array | None) -> Array:
    q = quaternion_xyzw(R)
    if goal is None and q[3] < HALF_TURN_TIE:  # a half turn: w says nothing about the sign
        q = _first_positive(q)
    shown = np.roll(q, 1) if rotation == QUATERNION_WXYZ else q
    return -shown if goal is not None and goal @ shown < 0 else shown


def _vector(R: Array, goal: Array | None) -> Array:
    v = rotation_log(R)
    angle = float(np.linalg.norm(v))
    if angle == 0.0:
        return v
    if goal is None:
        flipped = np.pi - angle < HALF_TURN_TIE and (_first_positive(v) != v).any()
        return np.asarray(v * (1.0 - 2.0 * np.pi / angle)) if flipped else v
    ways = v * (1.0 + 2.0 * np.pi / angle * np.array([[0.0], [-1.0], [1.0]]))
    return np.asarray(ways[np.argmin(np.linalg.norm(ways - goal, axis=1))])


def _first_positive(v: Array) -> Array:
    """Return ``v`` or ``−v``: the one whose first component that is not nearly 0 is positive."""
    first = next((x for x in v[:3] if abs(x) > HALF_TURN_TIE), 1.0)
    return v if first > 0 else -v


def _yaw(R: Array, pendant: Pendant) -> float:
    M = R @ _FLANGE_DOWN if pendant.flange_down else R
    if np.arccos(np.clip(M[2, 2], -1.0, 1.0)) > YAW_TILT_LIMIT:
        way = "down" if pendant.flange_down else "up"
        raise PoseError(
            f"the flange does not point {way}: one angle cannot show this pose",
            "Check pendant.flange_down and pendant.rotation in the cell.",
            field=pendant.labels[-1],
        )
    return float(np.arctan2(M[1, 0] - M[0, 1], M[0, 0] + M[1, 1]))


def _euler(R: Array, rotation: str, goal: Array | None) -> Array:
    kind, axes = rotation.split("-")
    moving = kind == "moving"
    first = turn_angles(axes, R) if moving else turn_angles(axes[::-1], R)[::-1]
    outer_same = axes[0] == axes[2]
    from_lock = np.sin(first[1]) if outer_same else np.cos(first[1])
    if abs(from_lock) < GIMBAL_LOCK:
        return _in_lock(R, rotation, first, goal)
    if goal is None:
        return first
    middle = -first[1] if outer_same else np.pi - first[1]
    second = np.array([first[0] + np.pi, middle, first[2] + np.pi])
    return min((first, second), key=lambda angles: float(np.sum(_turn(angles - goal) ** 2)))


def _in_lock(R: Array, rotation: str, angles: Array, goal: Array | None) -> Array:
    """Return the angles in gimbal lock that keep the first angle of ``goal``, or end with 0.

    There only the sum or the difference of the outer angles counts, so the other one follows.
    """
    ways = []
    for sign in (1.0, -1.0):
        shift = -sign * angles[2] if goal is None else goal[0] - angles[0]
        ways.append(angles + shift * np.array([1.0, 0.0, sign]))
    return min(ways, key=lambda way: float(np.abs(_turned(rotation, way) - R).max()))


def _turn(angles: Array) -> Array:
    """Wrap angles [rad] into [−π, π)."""
    return np.asarray((angles + np.pi) % (2.0 * np.pi) - np.pi)


def _wrapped(angles: Array, goal: Array | None) -> Array:
    """Wrap angles [rad] as shown: within ±π and a half turn as +π, or as ``goal`` has them.

    A half turn is turned full circle, never mirrored, and so may lie beyond by `HALF_TURN_TIE`.
    """
    within = _turn(angles)
    half_turn = np.pi - np.abs(within) < HALF_TURN_TIE
    wanted = np.ones_like(within) if goal is None else np.copysign(1.0, goal)
    other = half_turn & (np.signbit(within) != np.signbit(wanted))
    shown = within + np.where(other, 2.0 * np.pi * wanted, 0.0)
    full_circle = False if goal is None else (goal > np.pi + HALF_TURN_TIE) & (shown < 0)
    return np.where(full_circle, shown + 2.0 * np.pi, shown)


@lru_cache(maxsize=64)
def active_places(pendant: Pendant) -> tuple[Array, Array]:
    """Return base_T_frame and flange_T_tool (4, 4) [mm] of the active frame and tool.

    Raises StationbookError for values that are no numbers or do not fit the convention. A pendant
    with one angle gives tools as if the flange pointed up, whatever ``flange_down`` says.
    """
    frame = _placed("active_frame", pendant.active_frame, pendant)
    tool = _placed("active_tool", pendant.active_tool, pendant)
    if pendant.flange_down:
        down = transform(_FLANGE_DOWN, np.zeros(3))
        tool = down @ tool @ down
    return frame, tool


def _placed(key: str, active: Active, pendant: Pendant) -> Array:
    if active.pose is None:
        return np.eye(4)
    if pendant.shows_joints:
        raise StationbookError(
            f"{key}: this pendant shows joints, which no tool or frame changes",
            "Leave the tool and the frame out.",
        )
    count = field_count(pendant.rotation)
    if len(active.pose) != count:
        raise StationbookError(
            f"{key}: expected {count} values, got {len(active.pose)}",
            f"Give one for each of {' '.join(pendant.labels)}, as the pendant shows them.",
        )
    values = np.array([float(text) for text in active.pose])
    return place_of(values, replace(pendant, flange_down=False))


def place_of(values: Array, pendant: Pendant) -> Array:
    """Return the transforms (..., 4, 4) [mm] of the fields ``values`` (..., k) in pendant units."""
    position = values[..., :POSITION_FIELDS] * LENGTH_MM[pendant.length_unit]
    return transform(to_matrix(values[..., POSITION_FIELDS:], pendant), position)


def flange_of(shown: Array, pendant: Pendant) -> Array:
    """Return base_T_flange (..., 4, 4) [mm] of poses as shown in the active frame and tool."""
    frame, tool = active_places(pendant)
    return np.asarray(frame @ shown @ inverse(tool))


def shown_of(base_T_flange: Array, pendant: Pendant) -> Array:
    """Return base_T_flange (..., 4, 4) [mm] as it is shown in the active frame and tool."""
    frame, tool = active_places(pendant)
    return np.asarray(inverse(frame) @ base_T_flange @ tool)


def reversed_labels(rotation: str) -> str:
    """Return the axis sequence that gives the same matrix for the same values in reverse order.

    ``fixed-abc`` with (1, 2, 3) equals ``moving-cba`` with (3, 2, 1). Raises StationbookError for
    a rotation that is not an axis sequence.
    """
    if rotation not in EULER_ROTATIONS:
        raise StationbookError(f"{rotation!r} is not an axis sequence", "Use fixed-.. or moving-..")
    kind, axes = rotation.split("-")
    return f"{'moving' if kind == 'fixed' else 'fixed'}-{axes[::-1]}"


def equivalent(rotation_a: str, rotation_b: str) -> tuple[int, ...] | None:
    """Return the order in which values of ``a`` must be typed so that ``b`` gives the same matrix.

    ``to_matrix(v, a) == to_matrix(v[order], b)`` for every v; None where no order does that. The
    order (0, 1, 2, ..) comes with the same rotation only: two different conventions never agree
    on the same numbers in the same order, except at special values.
    """
    count = field_count(rotation_a) - POSITION_FIELDS
    if rotation_a == rotation_b:
        return tuple(range(count))
    if rotation_a in EULER_ROTATIONS and reversed_labels(rotation_a) == rotation_b:
        return (2, 1, 0)
    orders = {
        (QUATERNION_WXYZ, QUATERNION_XYZW): (1, 2, 3, 0),
        (QUATERNION_XYZW, QUATERNION_WXYZ): (3, 0, 1, 2),
    }
    return orders.get((rotation_a, rotation_b))
