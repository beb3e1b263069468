"""Two results against each other: the movement, a cell's history, points taught by hand.

A taught point stays right when only the camera moved; shifting it would send the robot elsewhere.
Only points declared fixed to the same frame as the camera are carried over: eye-to-hand by the
movement in the base; eye-in-hand so that the camera, not the flange, stands where it stood.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np

from ..arrays import Array
from ..boards.points_file import refuse_other_header
from ..cell.cell import Cell
from ..cell.mount import EYE_TO_HAND, Mount
from ..cell.result import StoredMovement, Verdict, not_known_by
from ..cell.touched import ByTouch
from ..errors import FileError, PoseError
from ..estimate.pick import PickModel
from ..files import read_bytes
from ..findings import Finding, finding
from ..frames import AXES, apply, displacement, inverse, point_rows, rotation_exp
from ..pendant.entry import format_pose, pose_from_fields
from ..pendant.settings import Pendant
from ..sessions.results import MOVEMENT
from ..tails import chi2_isf, chi2_sf
from .stated import Stated

UP_AND_DOWN = {("Z", 1.0): "upwards, ", ("Z", -1.0): "downwards, "}  # a base stands upright mostly
# [-] u of any direction in which six numbers may show, all covered at once in 95 % of cases: the
# square root of their chi-square quantile (Scheffé 1953, from memory)
OF_ALL = float(np.sqrt(chi2_isf(0.05, 6)))
MOSTLY = 0.8  # [-] share of the length along one axis from which people name that axis alone


@dataclass(frozen=True, slots=True, eq=False)
class Clearest:
    """Where a movement shows best: ``shift`` (3,) [mm] of one corner of the work volume.

    To first order, and along the direction in which it exceeds its uncertainty the most. That
    direction is chosen afterwards, so U (95 %) is that of all directions at once.
    """

    shift: Array
    expanded_mm: float

    @property
    def size_mm(self) -> float:
        """Length of the shift [mm]."""
        return float(np.linalg.norm(self.shift))

    def document(self) -> dict[str, Any]:
        """Return it as plain data."""
        return {
            "shift_mm": self.shift.tolist(),
            "size_mm": self.size_mm,
            "expanded_mm": self.expanded_mm,
        }


def clearest(rows: Array, xi: Array, covariance: Array) -> Clearest:
    """Return where a displacement ``xi`` (6,) of ``covariance`` (6, 6) shows best.

    ``rows`` (n, 3, 6): what it does to each corner. Of all directions n, n·shift over its u is
    largest along the inverse covariance times the shift.
    """
    shifts = rows @ xi
    covariances = rows @ covariance @ np.swapaxes(rows, 1, 2)
    along = np.linalg.solve(covariances, shifts[..., None])[..., 0]
    best = int(np.einsum("ni,ni->n", along, shifts).argmax())
    size = float(np.linalg.norm(along[best]))
    way = along[best] / size if size else along[best]
    U = OF_ALL * float(np.sqrt(way @ covariances[best] @ way))
    return Clearest(float(way @ shifts[best]) * way, U)


@dataclass(frozen=True, slots=True, eq=False)
class Movement:
    """From one place of the camera to another, with standard uncertainties.

    Attributes:
        mount: whose axes: the base's for eye-to-hand, the flange's for eye-in-hand.
        matrix: (4, 4) new base_T_camera · old camera_T_base [mm] (eye-in-hand: on the flange).
        xi: (6,) displacement [rad, mm] of the camera's transform, see `frames`.
        covariance: (6, 6) of ``xi``.
        work_volume_mm: largest shift over the corners of the work volume.
        u_work_volume_mm: its standard uncertainty, at the worst corner.
        clearest: the shift of one corner in the direction in which it shows best.
    """

    mount: Mount
    matrix: Array
    xi: Array
    covariance: Array
    work_volume_mm: float
    u_work_volume_mm: float
    clearest: Clearest

    @property
    def position_mm(self) -> float:
        """How far the camera's origin moved [mm]."""
        return float(np.linalg.norm(self.xi[3:]))

    @property
    def angle_deg(self) -> float:
        """How far the camera turned [deg]."""
        return float(np.degrees(np.linalg.norm(self.xi[:3])))

    @property
    def u_position_mm(self) -> float:
        """Standard uncertainty of the shift [mm]: the square root of the trace."""
        return float(np.sqrt(np.trace(self.covariance[3:, 3:])))

    @property
    def u_angle_deg(self) -> float:
        """Standard uncertainty of the turn [deg]."""
        return float(np.degrees(np.sqrt(np.trace(self.covariance[:3, :3]))))

    def stored(self) -> StoredMovement:
        """Return the movement as a result holds it."""
        same = {field.name: getattr(self, field.name) for field in fields(StoredMovement)}
        return StoredMovement(**same | {"matrix": tuple(map(tuple, self.matrix.tolist()))})

    def document(self) -> dict[str, Any]:
        """Return the movement as plain data."""
        document: dict[str, Any] = MOVEMENT.write(self.stored())
        return document | {"clearest": self.clearest.document()}

    def document_without_u(self) -> dict[str, Any]:
        """Return the movement as plain data where its uncertainty is not known: None."""
        document = self.document()
        unknown = [key for key in document if key.startswith("u_")]
        return document | dict.fromkeys([*unknown, "clearest"])

    def words(self) -> str:
        """Return "3.20 ± 0.30 mm, 0.41 ± 0.04°, mostly downwards, base -Z" (± U = 2u).

        A shift within its U has no direction that means anything: none is named.
        """
        size = (
            f"{self.position_mm:.2f} ± {2 * self.u_position_mm:.2f} mm, "
            f"{self.angle_deg:.3f} ± {2 * self.u_angle_deg:.3f}°"
        )
        if self.position_mm <= 2 * self.u_position_mm:
            return size
        return f"{size}, {direction(self.xi[3:], self.mount)}"

    @property
    def hidden(self) -> bool:
        """Whether shift and turn of the camera both lie within their U.

        Where the camera sits far from the parts, what it turned and what it shifted are known badly
        apart and well together.
        """
        shift, turn = 2 * self.u_position_mm, 2 * self.u_angle_deg
        return self.position_mm <= shift and self.angle_deg <= turn

    def most_clearly(self) -> str:
        """Return "0.21 ± 0.04 mm at a corner of the work volume, mostly along base +X" (± U)."""
        size, U = self.clearest.size_mm, self.clearest.expanded_mm
        way = direction(self.clearest.shift, self.mount)
        return f"{size:.2f} ± {U:.2f} mm at a corner of the work volume, {way}"

    def found(self) -> str:
        """Return the words of a movement that chance does not explain, and where that is seen."""
        return (
            f"{self.words()}; most clearly {self.most_clearly()}" if self.hidden else self.words()
        )


def moved(mount: Mount, old: Array, new: Array, covariance: Array, pick: PickModel) -> Movement:
    """Return the movement from ``old`` to ``new`` (4, 4), with ``covariance`` (6, 6) of it."""
    xi = displacement(new, old)
    most, u = float(corner_shifts(pick, xi).max()), pick.work_volume_mm(covariance)
    best = clearest(pick.moved[pick.corner], xi, covariance)
    return Movement(mount, new @ inverse(old), xi, covariance, most, u, best)


def corner_shifts(pick: PickModel, xi: Array) -> Array:
    """Return how far (8,) [mm] the corners of the work volume appear shifted by ``xi`` (6,).

    Not linearised.
    """
    lever = pick.lever[pick.corner]
    shift = lever @ rotation_exp(xi[:3]).T - lever + xi[3:]
    return np.asarray(np.linalg.norm(shift, axis=1))


def direction(shift: Array, mount: Mount) -> str:
    """Return which way a shift (3,) points, by the axis it mostly follows."""
    frame = "base" if mount == EYE_TO_HAND else "flange"
    length = float(np.linalg.norm(shift))
    k = int(np.abs(shift).argmax())
    sign = float(np.sign(shift[k]))
    if abs(shift[k]) < MOSTLY * length:
        parts = ", ".join(f"{name} {v:+.2f}" for name, v in zip(AXES, shift, strict=True))
        return f"along {frame} {parts} mm"
    way = UP_AND_DOWN.get((AXES[k], sign), "along ") if frame == "base" else "along "
    return f"mostly {way}{frame} {'+' if sign > 0 else '-'}{AXES[k]}"


IN_FRONT_MM = 500.0  # mm; a usual working distance of a camera on the flange, common practice
SIGNIFICANCE = 0.01  # [-] chance that results of one and the same camera place are said to differ


@dataclass(frozen=True, slots=True, eq=False)
class Difference:
    """From one result to another: the movement, and whether chance explains it.

    ``chance`` [-] of a difference as unlikely as this one where the camera stayed. The sessions
    count as independent: robot errors that both share make the stated uncertainty too large, never
    too small. ``unknown_by``: the code of a cause of all stations that stands in one of them; the
    uncertainty of the movement is then not known, and ``chance`` None.
    """

    movement: Movement
    chance: float | None
    findings: tuple[Finding, ...]
    unknown_by: str | None = None

    @property
    def agree(self) -> bool | None:
        """Whether the results agree within their uncertainty; None where that is not known."""
        return None if self.chance is None else self.chance >= SIGNIFICANCE

    @property
    def u_work_volume_mm(self) -> float | None:
        """Standard uncertainty of the shift at the work volume [mm]; None where not known."""
        return None if self.unknown_by else self.movement.u_work_volume_mm

    def document(self) -> dict[str, Any]:
        """Return the difference as plain data."""
        return {
            "format": 1,
            "agree": self.agree,
            "chance": self.chance,
            "difference": self.movement.document_without_u()
            if self.unknown_by
            else self.movement.document(),
            "unknown_by": self.unknown_by,
            "findings": [item.document() for item in self.findings],
        }


def difference(old: Stated, new: Stated, cell: Cell) -> Difference:
    """Return the difference from ``old`` to ``new``, at the camera and at the work volume."""
    xi = displacement(new.camera, old.camera)
    covariance = old.covariance + new.covariance
    chance = chi2_sf(float(xi @ np.linalg.solve(covariance, xi)), 6)
    unknown_by = new.unknown_by or old.unknown_by
    seen = corners_in_camera(cell, old.camera)
    most = float(np.linalg.norm(apply(new.camera, seen) - apply(old.camera, seen), axis=1).max())
    rows = point_rows(old.camera, seen)
    u = float(np.sqrt(np.einsum("nij,jk,nik->n", rows, covariance, rows).max()))
    matrix = new.camera @ inverse(old.camera)
    best = clearest(rows, xi, covariance)
    movement = Movement(cell.mount, matrix, xi, covariance, most, u, best)
    if unknown_by:
        which = "later" if new.unknown_by else "earlier"
        said = finding("results-differ", "unknown", which=which, why=not_known_by(unknown_by))
        return Difference(movement, None, (said,), unknown_by)
    if chance >= SIGNIFICANCE:
        said = finding("results-agree")
    else:
        said = finding("results-differ", movement=movement.found(), work_volume_mm=most)
    return Difference(movement, chance, (said,))


def corners_in_camera(cell: Cell, camera: Array) -> Array:
    """Return the corners (8, 3) [mm] of the work volume in the camera frame.

    A volume in the base, seen by a camera on the flange, has no fixed place in the camera: the
    corners then are those of a box of that size 500 mm in front of it.
    """
    volume = cell.work_volume
    corners = volume.corners()
    if volume.frame == "camera":
        return corners
    if cell.mount == EYE_TO_HAND:
        return apply(inverse(camera), corners)
    return np.asarray(corners - volume.center_mm + np.array([0.0, 0.0, IN_FRONT_MM]))


@dataclass(frozen=True, slots=True, eq=False)
class Entry:
    """One session: its name, when it was made (ISO 8601), and its difference from the first.

    ``holds``: on which numbers, as told, its verdict rests, in words; "" for none.
    """

    name: str
    created: str
    verdict: Verdict
    by_touch: ByTouch
    since_first: Difference | None
    holds: str

    def document(self) -> dict[str, Any]:
        """Return the entry as plain data."""
        since = self.since_first
        sizes = ("position_mm", "angle_deg", "work_volume_mm")
        return {
            **{key: getattr(self, key) for key in ("name", "created", "verdict")},
            "proven": self.by_touch == "proven",
            "verdict_holds": self.holds or None,
            "by_touch": self.by_touch,
            **{key: since and getattr(since.movement, key) for key in sizes},
            "u_work_volume_mm": since and since.u_work_volume_mm,
            "agree": since and since.agree,
            "unknown_by": since and since.unknown_by,
        }


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


MOST_TAUGHT = 5000  # rows; a robot program has some hundred points, so many take a second


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
    reader = csv.reader(text.splitlines())
    try:
        # = csv.reader(text.splitlines())
        rows = [row for row in reader if any(cell.strip() for cell in row)]
        above = next((n for n, row in enumerate(rows) if not row[0].startswith("#")), 0)
        rows = rows[above:]  # below what this program writes above the header
    except csv.Error as error:
        raise FileError(path, f"no comma-separated text ({error})", line=reader.line_num) from None
    refuse_other_header(path, rows[0] if rows else (), head)
    if len(rows) > MOST_TAUGHT:
        raise FileError(path, f"holds {len(rows)} rows, at most {MOST_TAUGHT}", "Split it.")
    return tuple(
        _taught(path, number, [cell.strip() for cell in row], pendant)
        for number, row in enumerate(rows[1:], start=above + 2)
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


def taught_text(found: Sequence[Carried], labels: Sequence[str]) -> str:
    """Return the points after the shift as CSV, in the form that `read_taught` reads."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow((*HEAD, *labels))
    for item in found:
        writer.writerow((item.before.name, item.before.fixed_to, *item.after))
    return out.getvalue()
