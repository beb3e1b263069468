"""The transform as values to type into the robot, and what rounding them to its digits costs."""

from __future__ import annotations

import numpy as np

from ..arrays import Array
from ..cautions import NEW_VALUES
from ..errors import PoseError, UsageError
from ..frames import apply, displacement, inverse
from ..pendant.conventions import POSITION_FIELDS, is_quaternion
from ..pendant.entry import format_pose, pose_from_fields
from ..pendant.settings import Pendant
from .delivered import Delivered, facts


def as_pendant(item: Delivered, unit: str) -> str:
    """Return the fields in the pendant's order, convention, units and digits.

    Raises UsageError where the pendant's convention cannot hold the frame.
    """
    pendant = item.cell.pendant
    fields = pendant_fields(item.matrix, pendant)
    shift, turn, pick = rounding_cost(item, fields)
    rotation = f"{pendant.rotation}, the fields in the pendant's order"
    if pendant.flange_down:
        rotation += ", flange pointing down"
    lines = [f"# {key}: {text}" for key, text in facts(item, unit, rotation)]
    lines += [f"# {use_as(item)}"]
    lines += [
        f"{label:<4} {field:>12}  {_unit(pendant, index)}".rstrip()
        for index, (label, field) in enumerate(zip(pendant.labels, fields, strict=True))
    ]
    lines += [
        f"# Rounding to these digits shifts the frame by {shift:.2g} mm and turns it by "
        f"{turn:.2g}°; a pick moves by up to {pick:.2g} mm in the work volume "
        f"(tolerance {item.cell.tolerance.position_mm:g} mm)."
    ]
    return "\n".join([*lines, *(f"# {text}" for text in NEW_VALUES), ""])


def pendant_fields(T: Array, pendant: Pendant) -> tuple[str, ...]:
    """Return the texts to type for ``T`` (4, 4) [mm].

    Raises UsageError for a pendant that shows joints, or one angle where the frame is tilted.
    """
    if pendant.shows_joints:
        raise UsageError(
            "this pendant shows joint angles, a frame cannot be typed that way",
            "Export as quaternion or matrix.",
        )
    try:
        return format_pose(T, pendant)
    except PoseError as problem:
        raise UsageError(
            f"{pendant.rotation} cannot hold this frame: it is tilted",
            "Export as quaternion or matrix.",
        ) from problem


def rounding_cost(item: Delivered, fields: tuple[str, ...]) -> tuple[float, float, float]:
    """Return what typing ``fields`` instead of the transform costs.

    Shift of the frame [mm], turn of the frame [deg], and the largest shift [mm] of a point over
    the eight corners of the work volume.
    """
    typed = pose_from_fields(fields, item.cell.pendant).base_T_flange
    xi = displacement(typed, item.matrix)
    corners = item.cell.work_volume.corners()  # in work_volume.frame
    if item.cell.work_volume.frame == item.to_frame:
        corners = apply(inverse(item.matrix), corners)
    moved = apply(typed, corners) - apply(item.matrix, corners)
    pick = float(np.linalg.norm(moved, axis=1).max())
    return float(np.linalg.norm(xi[3:])), float(np.rad2deg(np.linalg.norm(xi[:3]))), pick


def use_as(item: Delivered) -> str:
    """Return what kind of frame on the robot these values are."""
    if item.to_frame == "base":
        return "To be typed as a user frame: the camera in the base."
    if item.to_frame == "flange":
        return "To be typed as a tool: the camera on the flange."
    return f"The {item.from_frame} as the camera sees it: neither a user frame nor a tool."


def _unit(pendant: Pendant, index: int) -> str:
    if index < POSITION_FIELDS:
        return pendant.length_unit
    return "" if is_quaternion(pendant.rotation) else pendant.angle_unit
