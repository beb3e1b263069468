"""A planned station in words: its pose as the pendant shows it, and its reason."""

from __future__ import annotations

import numpy as np

from ..arrays import Array
from ..cell.cell import Cell
from ..cell.stations import station_pose, typed_station
from ..errors import StationbookError
from ..pendant.entry import format_joints, format_pose, pose_from_fields
from .arm import ArmCheck
from .sight import Sight


def shown(
    cell: Cell,
    arm: ArmCheck,
    flange: Array,
    near: tuple[str, ...] | None,
    held: Array | None = None,
) -> tuple[tuple[str, ...], Array]:
    """Return the fields for base_T_flange (4, 4), and the pose (4, 4) that the fields say.

    ``near``: the fields of the pose before, so that angles do not jump between two ways to write
    the same rotation. ``held`` (k, axes): the postures there, after a jog that is told. Raises
    StationbookError where the pendant shows joints and no posture is found.
    """
    if not cell.pendant.shows_joints:
        fields = format_pose(flange, cell.pendant, near)
        return fields, pose_from_fields(fields, cell.pendant).base_T_flange
    q = arm.posture(flange) if held is None else next(iter(held), None)
    if arm.arm is None or q is None:
        raise StationbookError("no joint values hold this pose", "Check the robot's description.")
    fields = format_joints((q * arm.arm.joints.degrees).tolist(), cell.pendant, cell.robot)
    pose = station_pose(cell, typed_station(cell.pendant, fields))
    return fields, flange if pose is None else pose


UNSURE = "a joint may meet its limit on the way: the joints typed at one stop would tell"
UNCHECKED = (
    "reach and joint limits are not checked: by the robot file no posture of the arm leads through "
    "all recorded stations"
)
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


def risk(arm: ArmCheck, held: Array) -> str:
    """Return what may happen to the arm on a way after which its postures are ``held``, or ""."""
    if arm.arm is not None and not len(arm.held):
        return UNCHECKED
    return UNSURE if arm.unsure(held) else ""


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
