"""What can be said of one typed pose: its units, duplicates, small moves, reach."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..arrays import Array
from ..cell.cell import Cell
from ..errors import PoseError
from ..findings import Finding, finding
from ..frames import rotation_angle
from ..pendant.entry import TypedPose, pose_from_fields, rounding
from ..pendant.settings import LengthUnit, Pendant
from ..robots import reach
from ..robots.model import Robot

# A station nearer to the previous one than both of these adds almost no information: the rotation
# error of a solution grows with one over the rotation between stations (Tsai and Lenz 1989), and
# planned stations lie 30 mm or 8° apart at least. The figures: common practice, no source.
SMALL_MOVE_MM = 20.0
SMALL_MOVE_DEG = 5.0

# Two readings of the same stop differ by at most one step of the pendant's last digit in a field.
DUPLICATE_STEPS = 1.5

# No flange of an arm comes this near to the middle of its own base, where the base column stands.
# Common practice, no source; the smallest table-top arms have a column of about 60 mm radius.
INSIDE_COLUMN_MM = 60.0
# Read in metres, no typed coordinate of a reachable pose exceeds this; read in mm, a pose that
# stays below it would lie inside the base column.
LARGEST_REACH_M = 5.0
LARGEST_REACH_IN = 200.0

# A typed angle beyond one turn (with a last digit of rounding) is not in radians.
ONE_TURN_RAD = 6.30

# Distance from the planned station that deserves a note: jogging by hand ends this near.
OFF_PLAN_MM = 30.0
OFF_PLAN_DEG = 6.0

# What is less deep in a box to keep out of may stand beside it: so `plans.way` takes it, too.
INSIDE_BOX_MM = 20.0

# Out of reach this many times in a row: rather the robot file is wrong than the typing.
REACH_IN_A_ROW = 3

# Errors that a technician may overrule with a reason: the pose was read off a robot that stands
# there, so the robot file can be what is wrong.
OVERRULED_WITH_REASON = ("reach", "joint-limit")

# Board points that moved less than this [px] between two images did not move: ten times the noise
# of a good detector (0.02 to 0.1 px, common practice, no source).
IMAGE_UNCHANGED_PX = 0.5


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
    if pendant.shows_joints:
        return []
    in_base = pendant.active_frame.pose is None
    length = _length_looks_like(values[:3], pendant.length_unit, in_base)
    angle = None if pendant.rotation in _UNIT_FREE else _angle_looks_like(values[3:], pendant)
    kinds = (
        ("length_unit", range(3), length, pendant.length_unit),
        ("angle_unit", range(3, len(values)), angle, pendant.angle_unit),
    )
    found = []
    for key, where, looks_like, declared in kinds:
        if looks_like is not None:
            largest = max(where, key=lambda k: abs(values[k]))
            found.append(
                finding(
                    "unit",
                    field=pendant.labels[largest],
                    typed=fields[largest],
                    looks_like=UNIT_NAMES[looks_like],
                    expected=UNIT_NAMES[declared],
                    key=key,
                )
            )
    return found


def _length_looks_like(xyz: Sequence[float], declared: LengthUnit, in_base: bool) -> str | None:
    """Return the unit in which the position would be a reachable one, or None if it is already.

    ``in_base``: given in the base frame; near the origin of another frame the arm may well stand.
    """
    size = max(abs(value) for value in xyz)
    if declared == "mm":
        if size == 0.0 or size >= INSIDE_COLUMN_MM or not in_base:
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


_STEP_PER_U = math.sqrt(12.0)  # a display step a has the standard uncertainty a / sqrt(12) (GUM)


@dataclass(frozen=True, slots=True, eq=False)
class RecordedPose:
    """A pose recorded before: the station's id and base_T_flange (4, 4) [mm]."""

    id: int
    base_T_flange: Array


def between(pose: Array, others: Array) -> tuple[Array, Array]:
    """Return distances (n,) [mm] and rotation angles (n,) [rad] from ``pose`` to ``others``."""
    distance = np.linalg.norm(others[:, :3, 3] - pose[:3, 3], axis=1)
    angle = rotation_angle(np.swapaxes(others[:, :3, :3], 1, 2) @ pose[:3, :3])
    return distance, angle


def motion_findings(
    pose: Array, recorded: Sequence[RecordedPose], pendant: Pendant, *, closing: bool = False
) -> list[Finding]:
    """Return `duplicate` (against all recorded poses) or `small-move` (against the last one).

    The last one is the stop from which the robot came. A closing station returns to the first one
    on purpose and is exempt from both.
    """
    if not recorded or closing:
        return []
    distance, angle = between(pose, np.stack([item.base_T_flange for item in recorded]))
    u_mm, u_rad = rounding(pendant)
    same = (distance <= DUPLICATE_STEPS * _STEP_PER_U * u_mm * math.sqrt(3)) & (
        angle <= DUPLICATE_STEPS * _STEP_PER_U * u_rad * math.sqrt(3)
    )
    if same.any():
        index = int(np.flatnonzero(same)[-1])
        variant = "previous" if index == len(recorded) - 1 else None
        return [finding("duplicate", variant, other=recorded[index].id)]
    angle_deg = math.degrees(angle[-1])
    if distance[-1] < SMALL_MOVE_MM and angle_deg < SMALL_MOVE_DEG:
        return [
            finding(
                "small-move",
                distance_mm=distance[-1],
                angle_deg=angle_deg,
                other=recorded[-1].id,
                least_mm=SMALL_MOVE_MM,
                least_deg=SMALL_MOVE_DEG,
            )
        ]
    return []


def _off_plan(pose: Array, wanted: Array) -> tuple[float, float] | None:
    """Return how far [mm, deg] ``pose`` is from ``wanted`` (4, 4), None where that is near."""
    (distance,), (angle,) = between(pose, wanted[None])
    off = float(distance), math.degrees(angle)
    return None if off[0] <= OFF_PLAN_MM and off[1] <= OFF_PLAN_DEG else off


def closing_findings(pose: Array, recorded: Sequence[RecordedPose]) -> list[Finding]:
    """Return `closing-elsewhere` where a closing stop is far from the first recorded pose."""
    first = min(recorded, key=lambda item: item.id, default=None)
    off = None if first is None else _off_plan(pose, first.base_T_flange)
    if first is None or off is None:
        return []
    return [finding("closing-elsewhere", first=first.id, distance_mm=off[0], angle_deg=off[1])]


def off_plan_findings(pose: Array, planned: Array, number: int) -> list[Finding]:
    """Return the note `off-plan` where ``pose`` is far from planned station ``number``."""
    off = _off_plan(pose, planned)
    if off is None:
        return []
    return [finding("off-plan", distance_mm=off[0], angle_deg=off[1], planned=number)]


ONE_TURN_DEG = 360.5  # an angle beyond a whole turn; half a degree for a display that rounds up


def lost_point_findings(
    values: Sequence[float], fields: Sequence[str], pendant: Pendant
) -> list[Finding]:
    """Return `lost-point` for every typed angle that is more than a whole turn, in degrees."""
    if pendant.rotation in _UNIT_FREE or pendant.angle_unit != "deg":
        return []
    found = []
    for k in range(3, len(values)):
        if abs(values[k]) > ONE_TURN_DEG:
            suggested = _with_point(fields[k], pendant.decimals[k])
            label, typed = pendant.labels[k], fields[k]
            found.append(finding("lost-point", field=label, typed=typed, suggested=suggested))
    return found


def _with_point(text: str, decimals: int) -> str:
    """Return the digits of ``text`` with the point where it leaves at most half a turn.

    The pendant's own number of decimals is tried first.
    """
    sign, digits = ("-" if text.startswith("-") else ""), text.lstrip("-").replace(".", "")
    for places in (decimals, *range(1, len(digits))):
        if 0 < places < len(digits):
            tried = f"{digits[:-places]}.{digits[-places:]}"
            if abs(float(tried)) <= 180.0:
                return sign + tried
    return f"{sign}0.{digits}"


def told_findings(
    typed: TypedPose, pendant: Pendant, told: Mapping[int, TypedPose]
) -> list[Finding]:
    """Return what a typed pose betrays beside the moves that were told, by their number.

    `copied-pose` where it is one of them in every digit typed; `lost-sign`, `lost-point` and `unit`
    where it is near one only with one sign turned, one decimal point set, or read in radians.
    """
    for number, goal in told.items():
        if _copied(typed, goal):
            return [finding("copied-pose", planned=number)]
    if not told or _told(typed.base_T_flange, told) is not None:
        return []
    for k, value, suggested in _slips(typed, pendant):
        meant = _typed_as(pendant, [*typed.values[:k], value, *typed.values[k + 1 :]])
        if meant is not None and (near := _told(meant, told)) is not None:
            label, text = pendant.labels[k], typed.fields[k]
            if value == -typed.values[k]:
                return [
                    finding("lost-sign", field=label, typed=text, suggested=suggested, planned=near)
                ]
            return [
                finding(
                    "lost-point", "told", field=label, typed=text, suggested=suggested, planned=near
                )
            ]
    angles = np.asarray(typed.values[3:])
    if pendant.rotation in _UNIT_FREE or pendant.angle_unit != "deg" or not angles.any():
        return []
    turned = _typed_as(pendant, [*typed.values[:3], *np.degrees(angles)])
    if np.abs(angles).max() > ONE_TURN_RAD or turned is None or _told(turned, told) is None:
        return []
    largest = 3 + int(np.abs(angles).argmax())
    return [
        finding(
            "unit",
            field=pendant.labels[largest],
            typed=typed.fields[largest],
            looks_like=UNIT_NAMES["rad"],
            expected=UNIT_NAMES["deg"],
            key="angle_unit",
        )
    ]


def _copied(typed: TypedPose, goal: TypedPose) -> bool:
    """Tell whether each value is the told one, in full or rounded to the digits that were typed.

    Whole numbers in most fields tell nothing: a jog of whole steps may well end on them.
    """
    if goal.values == typed.values:
        return True
    places = [len(text.partition(".")[2]) for text in typed.fields]
    near = [
        abs(value - told) <= 0.5 * 10.0**-digits + 1e-9
        for value, told, digits in zip(typed.values, goal.values, places, strict=True)
    ]
    return all(near) and 2 * sum(digits > 0 for digits in places) > len(places)


def _slips(typed: TypedPose, pendant: Pendant) -> Iterator[tuple[int, float, str]]:
    """Yield what each field may have been: number, value and text; signs first, then points."""
    fields = list(enumerate(zip(typed.values, typed.fields, strict=True)))
    for k, (value, text) in fields:
        if value:
            yield k, -value, text.removeprefix("-") if text.startswith("-") else f"-{text}"
    for k, (value, text) in fields:
        told = k >= 3 and abs(value) > ONE_TURN_DEG  # by `lost_point_findings`
        if value and pendant.decimals[k] and text.lstrip("-").isdecimal() and not told:
            meant = value / 10 ** pendant.decimals[k]
            yield k, meant, f"{meant:.{pendant.decimals[k]}f}"


def _told(pose: Array, told: Mapping[int, TypedPose]) -> int | None:
    """Return the number of the told move that ``pose`` is near, or None."""
    for number, goal in told.items():
        if _off_plan(pose, goal.base_T_flange) is None:
            return number
    return None


def _typed_as(pendant: Pendant, values: Sequence[float]) -> Array | None:
    """Return the pose (4, 4) that the pendant means by these numbers, or None."""
    try:
        return pose_from_fields([f"{value:.10f}" for value in values], pendant).base_T_flange
    except PoseError:
        return None


def keep_out_findings(cell: Cell, pose: Array) -> list[Finding]:
    """Return `keep-out` for each of the cell's boxes in which the flange at ``pose`` (4, 4) is."""
    found, place = [], pose[:3, 3]
    for box in cell.keep_out:
        deep = float(np.minimum(place - np.array(box.min_mm), np.array(box.max_mm) - place).min())
        if deep > INSIDE_BOX_MM:
            found.append(finding("keep-out", box=box.name, depth_mm=deep))
    return found


REFUSALS = ("reach", "joint-limit")


def reach_findings(
    robot: Robot, pose: Array, joints: Array | None, *, overruled_in_a_row: int = 0
) -> list[Finding]:
    """Return what the robot says of base_T_flange ``pose`` (4, 4) [mm].

    ``joints`` are the typed joint values [rad, or mm for a lift], where the pendant shows them:
    they say in which configuration the arm stands. ``overruled_in_a_row`` counts the stations just
    before this one that stood out of reach or limits as well.
    """
    found = reach.reach_findings(robot, pose, near=joints)
    refused = any(item.code in REFUSALS and item.level == "error" for item in found)
    if refused and overruled_in_a_row + 1 >= REACH_IN_A_ROW:
        found.append(finding("reach", "robot-file", count=overruled_in_a_row + 1))
    return found


def asked_findings(cell: Cell) -> list[Finding]:
    """Return the note that asks for joints at the first stop, where they would show something."""
    pendant = cell.pendant
    if cell.robot is None or pendant.shows_joints:
        return []
    tool, frame = pendant.active_tool, pendant.active_frame
    return [finding("frames-told", "first", tool=tool, frame=frame)]
