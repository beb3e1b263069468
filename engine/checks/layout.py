"""The fields of a typed station as numbers, and the slips that hands make in typing them.

Kinds and their shares among slips are common practice, no source; only their order of magnitude
matters, because what the image says decides between candidates that lie apart.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..errors import StationbookError
from ..frames import transform
from ..pendant.conventions import POSITION_FIELDS, is_quaternion, to_matrix
from ..pendant.entry import line_layout, pose_from_fields
from ..pendant.settings import ANGLE_RAD, LENGTH_MM, UNITS, Pendant
from ..robots.kinematics import kinematics
from ..robots.model import Robot

SHARES = {  # share of each kind among slips in one field
    "wrong digit": 0.35,
    "swapped digits": 0.25,
    "lost digit": 0.10,
    "doubled digit": 0.08,
    "extra digit": 0.02,
    "lost sign": 0.11,  # near half a turn: the other sign of the wrap
    "shifted point": 0.06,
    "kept value": 0.03,
}
OTHER_DECIMALS = 0.02  # share of typists who leave out a trailing zero that the pendant shows
FULL_CIRCLE = 0.02  # share of pendants that show angles from 0° to 360°, from memory
PAD_NEIGHBOUR = 2.0  # times as likely as another digit: the key beside it on the number pad
_PAD = {digit: (k % 3, k // 3) for k, digit in enumerate("123456789")} | {"0": (0, -1)}


@dataclass(frozen=True, slots=True)
class Slip:
    """One text that may have been meant, the kind of slip, and the logarithm of its share."""

    text: str
    kind: str
    log_share: float


@lru_cache(maxsize=512)  # the same fields are asked for on every key
def slips(typed: str, decimals: int, wrap: float = 0.0) -> tuple[Slip, ...]:
    """Return what may have been meant by ``typed``: a number as `TypedPose.fields` holds it.

    ``decimals`` as the pendant shows them; ``wrap`` a half turn in the field's unit, 0 where it is
    no angle. A text that can come about in two ways keeps the likelier one. A value kept from the
    station before says nothing about what was meant; see `kept`.
    """
    best: dict[str, Slip] = {}
    for text, kind, share in _candidates(typed, wrap):
        clean = _normalised(text)
        if clean is None or float(clean) == float(typed):
            continue
        share *= _as_shown(clean, typed, decimals) * _within_turn(float(clean), wrap)
        if share > 0.0 and (clean not in best or math.log(share) > best[clean].log_share):
            best[clean] = Slip(clean, kind, math.log(share))
    return tuple(best.values())


def half_turn(unit: str) -> float:
    """Return a half turn in ``unit``; 0 where it is no angle."""
    return math.pi / ANGLE_RAD[unit] if unit in ANGLE_RAD else 0.0


def kept(fields: Sequence[str], previous: Sequence[str]) -> tuple[int, ...]:
    """Return the fields whose text is the one of the previous station: perhaps not read again."""
    return tuple(k for k, (a, b) in enumerate(zip(fields, previous, strict=False)) if a == b)


def _candidates(typed: str, wrap: float) -> Iterator[tuple[str, str, float]]:
    """Yield (text, kind, share) with the share of a kind spread over its members."""
    sign = "-" if typed.startswith("-") else ""
    whole, _, fraction = typed.removeprefix("-").partition(".")
    digits, point = whole + fraction, len(whole)
    for new, at, kind, share in chain(_other_digits(digits, point), _other_lengths(digits, point)):
        yield sign + _joined(new, at), kind, share
    for at in range(1, len(digits) + 1):
        if at != point:
            share = SHARES["shifted point"] / 2.0 ** abs(at - point)
            yield sign + _joined(digits, at), "shifted point", share
    other_sign = typed.removeprefix("-") if sign else f"-{typed}"
    near_wrap = bool(wrap) and abs(float(typed)) > wrap / 2
    kind = "other sign of the wrap" if near_wrap else "lost sign"
    yield other_sign, kind, SHARES["lost sign"]


def _other_digits(digits: str, point: int) -> Iterator[tuple[str, int, str, float]]:
    """Yield (digits, place of the point, kind, share): one digit wrong, or two swapped."""
    n = len(digits)
    for k, digit in enumerate(digits):
        near = {d for d in _PAD if math.dist(_PAD[d], _PAD[digit]) == 1.0}
        weight = {d: PAD_NEIGHBOUR if d in near else 1.0 for d in "0123456789" if d != digit}
        for other, w in weight.items():
            share = SHARES["wrong digit"] * w / sum(weight.values()) / n
            yield digits[:k] + other + digits[k + 1 :], point, "wrong digit", share
    for k in range(n - 1):
        if digits[k] != digits[k + 1]:
            new = digits[:k] + digits[k + 1] + digits[k] + digits[k + 2 :]
            yield new, point, "swapped digits", SHARES["swapped digits"] / (n - 1)


def _other_lengths(digits: str, point: int) -> Iterator[tuple[str, int, str, float]]:
    """Yield (digits, place of the point, kind, share): one digit lost, doubled or too many."""
    n = len(digits)
    share = SHARES["lost digit"] / (10 * (n + 1))
    for k in range(n + 1):
        for digit in "0123456789":
            new = digits[:k] + digit + digits[k:]
            if k <= point:
                yield new, point + 1, "lost digit", share
            if k >= point:
                yield new, point, "lost digit", share
    for k in range(n if n > 1 else 0):
        double = digits[k] in (digits[k - 1 : k] + digits[k + 1 : k + 2])
        kind = "doubled digit" if double else "extra digit"
        yield digits[:k] + digits[k + 1 :], point - (k < point), kind, SHARES[kind]


def _joined(digits: str, point: int) -> str:
    point = min(max(point, 0), len(digits))
    whole, fraction = digits[:point], digits[point:]
    return f"{whole or '0'}.{fraction}" if fraction else whole


def _normalised(text: str) -> str | None:
    """Return the text without superfluous leading zeros; None where it is no number."""
    sign = "-" if text.startswith("-") else ""
    whole, dot, fraction = text.removeprefix("-").partition(".")
    whole = whole.lstrip("0") or "0"
    if not (whole + fraction).isdigit():
        return None
    clean = f"{whole}{dot}{fraction}"
    return f"{sign}{clean}" if float(clean) else clean


def _as_shown(text: str, typed: str, decimals: int) -> float:
    """Return how likely the pendant shows ``text``: it always shows as many decimals."""
    count = len(text.partition(".")[2])
    if count == decimals:
        return 1.0
    if count > decimals and count > len(typed.partition(".")[2]):
        return 0.0
    return OTHER_DECIMALS


def _within_turn(value: float, half_turn: float) -> float:
    """Return how likely a pendant shows an angle: ±180° mostly, 0° to 360° on a few, never more."""
    if not half_turn or abs(value) <= half_turn:
        return 1.0
    return FULL_CIRCLE if 0.0 < value <= 2 * half_turn else 0.0


QUATERNION_NORM = 0.02  # [-] a typed quaternion whose length is off by more is refused on entry


@dataclass(frozen=True, slots=True)
class Layout:
    """How the fields of one pendant become poses.

    ``labels``, ``units`` ("mm", "m", "in", "deg", "rad" or "" for a quaternion) and ``decimals``
    have one entry per field; ``robot`` is needed where joints are typed.
    """

    pendant: Pendant
    robot: Robot | None
    labels: tuple[str, ...]
    units: tuple[str, ...]
    decimals: tuple[int, ...]

    @property
    def count(self) -> int:
        """Number of fields."""
        return len(self.labels)

    def is_angle(self, field: int) -> bool:
        """Tell whether the field is an angle."""
        return self.units[field] in ANGLE_RAD

    def poses(self, values: Array) -> Array:
        """Return base_T_flange (m, 4, 4) [mm] of field values (m, k) in pendant units."""
        values = np.atleast_2d(np.asarray(values, float))
        if self.pendant.shows_joints:
            if self.robot is None:
                raise StationbookError("joints are typed but the cell describes no robot")
            return kinematics(self.robot).forward(values * [UNITS[u] for u in self.units])
        position = values[:, :POSITION_FIELDS] * LENGTH_MM[self.pendant.length_unit]
        return transform(to_matrix(values[:, POSITION_FIELDS:], self.pendant), position)

    def valid(self, values: Array) -> NDArray[np.bool_]:
        """Tell which values (m, k) entry would take: all but quaternions of another length."""
        values = np.atleast_2d(values)
        if not is_quaternion(self.pendant.rotation):
            return np.ones(len(values), bool)
        norm = np.linalg.norm(values[:, POSITION_FIELDS:], axis=1)
        return np.asarray(np.abs(norm - 1.0) < QUATERNION_NORM)


def layout(pendant: Pendant, robot: Robot | None) -> Layout:
    """Return the layout of a pendant's fields."""
    shown = line_layout(pendant, robot)
    return Layout(pendant, robot, shown.labels, shown.units, shown.decimals)


def normal_fields(fields: Sequence[str], pendant: Pendant) -> tuple[str, ...]:
    """Return the fields of a stored station as plain decimal texts. Raises PoseError."""
    if pendant.shows_joints:
        return tuple(fields)
    return pose_from_fields(fields, pendant).fields


def numbers(fields: Sequence[str]) -> Array:
    """Return the fields as numbers (k,)."""
    return np.array([float(text) for text in fields])
