"""A planned station in words: its jog, its pose as the pendant shows it, and its reason."""

from __future__ import annotations

import warnings

import numpy as np
from scipy.spatial.transform import Rotation

from ..arrays import Array
from ..cell.cell import Cell
from ..cell.stations import station_pose, typed_station
from ..errors import StationbookError
from ..frames import AXES, rotation_angle, rotation_exp, transform
from ..pendant.entry import format_joints, format_pose, pose_from_fields
from .arm import ArmCheck
from .sight import Sight

LEAST_MM, LEAST_DEG = 0.5, 0.5  # below this nothing is said: the jog is rounded to 1 mm and 1°


def jogged(base_T_flange: Array, shift_mm: Array, turn: Array) -> Array:
    """Return the pose (..., 4, 4) after a shift (..., 3) [mm] and a turn (..., 3) [rad vector].

    Both along and about base axes; the flange's origin stays where it is while it turns.
    """
    R = rotation_exp(turn) @ base_T_flange[..., :3, :3]
    return transform(R, base_T_flange[..., :3, 3] + shift_mm)


def jog_text(start: Array, end: Array, frame: str = "base") -> str:
    """Return the jog from one base_T_flange (4, 4) to another, rounded to 1 mm and 1°.

    ``frame`` is the active frame's name. Turns are about the fixed axes, one after the other in
    the order given.
    """
    shift = end[:3, 3] - start[:3, 3]
    words = [
        f"{frame} {axis} {_signed(value)} mm"
        for axis, value in zip(AXES, shift, strict=True)
        if abs(value) >= LEAST_MM
    ]
    words += [
        f"turn {_signed(angle)}° about {frame} {axis}"
        for axis, angle in turns_in_order(end[:3, :3] @ start[:3, :3].T)
    ]
    return ", ".join(words) or "stay here"


def turns_in_order(R: Array) -> list[tuple[str, float]]:
    """Return turns [(axis, deg)] about fixed axes that make ``R`` (3, 3), those of 0.5° and more.

    Of the six orders the one with the least turning in all is taken.
    """
    if rotation_angle(R) < np.radians(LEAST_DEG):
        return []
    best: list[tuple[str, float]] = []
    least = np.inf
    for order in ("xyz", "xzy", "yxz", "yzx", "zxy", "zyx"):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UserWarning)  # gimbal lock: any of the ways will do
            angles = Rotation.from_matrix(R).as_euler(order, degrees=True)
        found = [
            (axis.upper(), float(angle))
            for axis, angle in zip(order, angles, strict=True)
            if abs(angle) >= LEAST_DEG
        ]
        # 5°: each change of key costs
        size = sum(abs(angle) for _, angle in found) + 5.0 * len(found)
        if size < least - 1e-6:
            best, least = found, size
    return best


def _signed(value: float) -> str:
    return f"{value:+.0f}".replace("-", "−")


def shown(
    cell: Cell, arm: ArmCheck, flange: Array, near: tuple[str, ...] | None
) -> tuple[tuple[str, ...], Array]:
    """Return the fields for base_T_flange (4, 4), and the pose (4, 4) that the fields say.

    ``near``: the fields of the pose before, so that angles do not jump between two ways to write
    the same rotation. Raises StationbookError where the pendant shows joints and no posture is
    found.
    """
    if not cell.pendant.shows_joints:
        fields = format_pose(flange, cell.pendant, near)
        return fields, pose_from_fields(fields, cell.pendant).base_T_flange
    q = arm.posture(flange)
    if arm.arm is None or q is None:
        raise StationbookError("no joint values hold this pose", "Check the robot's description.")
    fields = format_joints((q * arm.arm.joints.degrees).tolist(), cell.pendant, cell.robot)
    pose = station_pose(cell, typed_station(cell.pendant, fields))
    return fields, flange if pose is None else pose


MIDDLE = 0.2  # [-] of half the image: nearer to the middle nobody calls it a side
CLOSER = 0.12  # [-] of the usual distance: below it nobody calls it nearer or farther
SIDES = {
    (0, 0): "middle",
    (-1, 0): "left",
    (1, 0): "right",
    (0, -1): "top",
    (0, 1): "bottom",
    (-1, -1): "upper left",
    (1, -1): "upper right",
    (-1, 1): "lower left",
    (1, 1): "lower right",
}


def view_words(seen: Sight, view: Array, usual_mm: float) -> str:
    """Return "board tilted 38°, upper left of the view, nearer, 560 mm away" for a view (4, 4)."""
    x, y = (int(np.sign(v) * (abs(v) >= MIDDLE)) for v in seen.at_centre(view[None])[0])
    tilt = float(np.degrees(seen.tilt(view[None])[0]))
    distance = float(seen.distance_mm(view[None])[0])
    off = distance / usual_mm - 1.0
    depth = "" if abs(off) < CLOSER else ("nearer, " if off < 0 else "farther, ")
    return f"board tilted {tilt:.0f}°, {SIDES[x, y]} of the view, {depth}{distance:.0f} mm away"


def gain_words(before_mm: float | None, after_mm: float | None) -> str:
    """Return what a station brings, as expanded uncertainties, or "" where that is not known."""
    if after_mm is None:
        return ""
    after = f"{2 * after_mm:.2g} mm"
    if before_mm is None:
        return f"U at the work volume then about {after}"
    return f"U at the work volume {2 * before_mm:.2g} → {after}"
