"""Points taught by hand after a camera moved: left alone, unless they are fixed to its frame.

A taught point stays right when only the camera moved; shifting it would send the robot elsewhere.
Only points declared fixed to the same frame as the camera are carried over: eye-to-hand by the
movement in the base; eye-in-hand so that the camera, not the flange, stands where it stood.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..arrays import Array
from ..boards.points_file import refuse_other_header
from ..cell.cell import EYE_TO_HAND, Mount
from ..errors import FileError, PoseError
from ..frames import displacement, inverse
from ..pendant.entry import format_pose, pose_from_fields
from ..pendant.settings import Pendant
from ..sessions.yaml_text import read_bytes

CAMERA = "camera"
FIXED_TO = (CAMERA, "base", "other")
HEAD = ("name", "fixed_to")


@dataclass(frozen=True, slots=True)
class TaughtPoint:
    """One taught point: its name, what it is fixed to, and the pose as the pendant shows it."""

    name: str
    fixed_to: str
    fields: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Carried:
    """A point before and after; ``shifted``: to be driven to at reduced speed first."""

    before: TaughtPoint
    after: tuple[str, ...]
    distance_mm: float
    angle_deg: float
    shifted: bool


def read_taught(path: Path, pendant: Pendant) -> tuple[TaughtPoint, ...]:
    """Read a CSV with the columns name, fixed_to and the pendant's labels.

    Raises FileError naming the line: another header, a row with the wrong count, an unknown
    fixed_to, or a pose that cannot be read.
    """
    head = (*HEAD, *pendant.labels)
    try:
        text = read_bytes(path).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise FileError(path, "is not a text in UTF-8") from None
    rows = [row for row in csv.reader(io.StringIO(text)) if any(cell.strip() for cell in row)]
    refuse_other_header(path, rows[0] if rows else (), head)
    return tuple(
        _taught(path, number, [cell.strip() for cell in row], pendant)
        for number, row in enumerate(rows[1:], start=2)
    )


def _taught(path: Path, line: int, row: Sequence[str], pendant: Pendant) -> TaughtPoint:
    count = len(HEAD) + len(pendant.labels)
    if len(row) != count:
        raise FileError(path, f"expected {count} values, got {len(row)}", line=line)
    name, fixed_to, *fields = row
    if fixed_to not in FIXED_TO:
        known = ", ".join(FIXED_TO)
        raise FileError(path, f"fixed_to {fixed_to!r} is not known", f"One of {known}.", line=line)
    try:
        typed = pose_from_fields(fields, pendant)
    except PoseError as error:
        raise FileError(path, f"{name}: {error.problem}", error.remedy, line=line) from None
    return TaughtPoint(name, fixed_to, typed.fields)


def carried(
    points: Sequence[TaughtPoint], old: Array, new: Array, mount: Mount, pendant: Pendant
) -> tuple[Carried, ...]:
    """Return every point before and after the camera went from ``old`` to ``new`` (4, 4)."""
    return tuple(_carried(point, old, new, mount, pendant) for point in points)


def _carried(point: TaughtPoint, old: Array, new: Array, mount: Mount, pendant: Pendant) -> Carried:
    if point.fixed_to != CAMERA:
        return Carried(point, point.fields, 0.0, 0.0, False)
    pose = pose_from_fields(point.fields, pendant).base_T_flange
    after = new @ inverse(old) @ pose if mount == EYE_TO_HAND else pose @ old @ inverse(new)
    fields = format_pose(after, pendant, point.fields)
    off = displacement(pose_from_fields(fields, pendant).base_T_flange, pose)
    distance, angle = float(np.linalg.norm(off[3:])), float(np.degrees(np.linalg.norm(off[:3])))
    return Carried(point, fields, distance, angle, True)


def taught_text(found: Sequence[Carried], pendant: Pendant) -> str:
    """Return the points after the shift as CSV, in the form that `read_taught` reads."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow((*HEAD, *pendant.labels))
    for item in found:
        writer.writerow((item.before.name, item.before.fixed_to, *item.after))
    return out.getvalue()
