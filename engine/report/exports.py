"""The transform in every form that another program reads, each with all that must be said of it."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from typing import Any
from xml.sax.saxutils import escape, quoteattr

import cv2
import numpy as np
import yaml
from scipy.spatial.transform import Rotation

from ..arrays import Array
from ..cautions import NEW_VALUES
from ..cell.cell import Cell
from ..cell.result import NOT_SHOWN, StoredResult, Uncertainty, Verdict
from ..errors import PoseError, StationbookError, UsageError
from ..findings import Level
from ..frames import apply, displacement, inverse, quaternion_xyzw, rotation_log, skew
from ..pendant.conventions import POSITION_FIELDS, is_quaternion
from ..pendant.entry import format_place, place_from_fields
from ..pendant.settings import LENGTH_MM, Pendant
from ..proof.stated import covariance_of, transform_of

LONGEST_TEXT = 200  # characters of a free text repeated in a handed-over file
CAMERA_AXES = "x to the right and y down in the image, z along the view, origin in the lens"


@dataclass(frozen=True, slots=True, eq=False)
class Delivered:
    """One transform ready to be written in any form.

    Attributes:
        to_frame, from_frame: the transform maps coordinates in from_frame into to_frame.
        matrix: (4, 4) [mm].
        covariance: (6, 6) of [rx ry rz tx ty tz] [rad, mm] on the axes of to_frame, or None.
        uncertainty: of the transform as it is written.
        verdict: accepted or not-accepted; ``caution`` says why not, None when accepted.
        proven: agreed with touch points; None where not known.
        source_sha256: of result.yaml.
        frames: whether stops with joints and pose show that tool and frame are as told.
    """

    cell: Cell
    to_frame: str
    from_frame: str
    matrix: Array
    covariance: Array | None
    uncertainty: Uncertainty
    verdict: Verdict
    caution: str | None
    proven: bool | None
    source_sha256: str
    frames: str

    @property
    def name(self) -> str:
        """Name of the transform, such as base_T_camera."""
        return f"{self.to_frame}_T_{self.from_frame}"


def _delivered(
    result: StoredResult, cell: Cell, source_sha256: str, inverted: bool, allow_not_accepted: bool
) -> Delivered:
    """Return the camera's transform in a result, or its inverse; raises as `export` does."""
    if result.mount != cell.mount:
        problem = f"the result is {result.mount}, the cell {cell.mount}"
        raise StationbookError(problem, "Solve again.")
    caution = None if result.accepted else f"NOT ACCEPTED: {_reasons(result)}"
    if caution and not allow_not_accepted:
        raise UsageError(
            f"the result is not accepted: {_reasons(result).rstrip('.')}",
            "Put that right and solve again, or hand it over marked as such with --not-accepted.",
        )
    T = transform_of(result.camera, cell.camera_key)
    if T is None:
        raise StationbookError(
            f"the result holds no complete {cell.camera_key}",
            "What the stations do not show is missing in it; see the findings, then solve again.",
        )
    to_frame, _, from_frame = cell.camera_key.partition("_T_")
    covariance, u = covariance_of(result.covariance), result.uncertainty
    if inverted:
        to_frame, from_frame = from_frame, to_frame
        if covariance is not None:
            covariance = inverse_covariance(T, covariance)
        position = None if covariance is None else float(np.sqrt(np.trace(covariance[3:, 3:])))
        T, u = inverse(T), replace(u, position_mm=position)
    return Delivered(
        cell, to_frame, from_frame, T, covariance, u, result.verdict, caution, result.proven,
        source_sha256, result.frames.how if result.frames else NOT_SHOWN,
    )  # fmt: skip


def _reasons(result: StoredResult) -> str:
    errors = [item.message or item.code for item in result.findings if item.level is Level.ERROR]
    return one_line(" ".join(errors)) or "no reason is given in the result"


def one_line(text: str) -> str:
    """Return ``text`` without line breaks and control characters, cut to `LONGEST_TEXT`."""
    plain = "".join(c if c.isprintable() else " " for c in text)
    plain = " ".join(plain.split())
    return plain if len(plain) <= LONGEST_TEXT else plain[: LONGEST_TEXT - 1] + "…"


def inverse_covariance(T: Array, covariance: Array) -> Array:
    """Return the covariance (6, 6) of ``inverse(T)`` from that of ``T``, to first order.

    With T = [R | t] and a displacement (r, d), the inverse moves by (−Rᵀ r, −Rᵀ (t × r) − Rᵀ d).
    """
    R_t = T[:3, :3].T
    J = np.block([[-R_t, np.zeros((3, 3))], [-R_t @ skew(T[:3, 3]), -R_t]])
    return np.asarray(J @ covariance @ J.T)


def scaled(values: Array, unit: str) -> Array:
    """Return lengths [mm] in ``unit``, without negative zeros."""
    return np.asarray(values, float) / LENGTH_MM[unit] + 0.0


def facts(item: Delivered, unit: str, convention: str) -> list[tuple[str, str]]:
    """Return what every file says, as (key, one line of text)."""
    pendant, cell = item.cell.pendant, item.cell
    u = item.uncertainty
    lines = [
        ("transform", item.name),
        ("direction", f"maps coordinates in {item.from_frame} into {item.to_frame}"),
        ("unit", unit),
        ("convention", convention),
        ("cell", one_line(cell.name)),
        ("mount", cell.mount),
        ("frames", f"as with active tool {one_line(str(pendant.active_tool))!r} and active frame "
         f"{one_line(str(pendant.active_frame))!r}, {item.frames}"),
        ("camera axes", CAMERA_AXES),
        ("verdict", item.verdict),
        ("caution", item.caution or "none"),
        ("proven by touch points", {True: "yes", False: "no", None: "not known"}[item.proven]),
        ("U of position (k = 2)", _expanded(u.position_mm, "mm")),
        ("U of rotation (k = 2)", _expanded(u.angle_deg, "°")),
        ("U of a pick (k = 2)", _expanded(u.pick_mm, "mm")),
        ("source", "result.yaml"),
        ("source sha256", item.source_sha256),
    ]  # fmt: skip
    return [(key, text) for key, text in lines if key != "caution" or item.caution]


def _expanded(u: float | None, unit: str) -> str:
    return "not known" if u is None else f"{2 * u:.3g} {unit}"


def _as_opencv(item: Delivered, unit: str) -> str:
    """Return nodes ``matrix`` (4×4), ``R`` (3×3), ``rvec`` (3×1, rad) and ``t`` (3×1), and texts.

    ``rvec`` and ``t`` are what ``cv2.projectPoints`` and its relatives take.
    """
    store = cv2.FileStorage("transform.yml", cv2.FILE_STORAGE_WRITE | cv2.FILE_STORAGE_MEMORY)
    convention = "matrix acts on column vectors; rvec is R as rotation vector in rad"
    for key, text in facts(item, unit, convention):
        store.write("_".join(re.findall(r"\w+", key)), text)  # a node's name holds no other signs
    T = _matrix(item, unit)
    store.write("matrix", T)
    store.write("R", np.ascontiguousarray(T[:3, :3]))
    store.write("rvec", rotation_log(T[:3, :3])[:, None] + 0.0)
    store.write("t", np.ascontiguousarray(T[:3, 3:]))
    if item.covariance is not None:
        store.write("covariance_rad_mm", item.covariance)
    return str(store.releaseAndGetString())


FORMULA_SIGNS = ("=", "+", "-", "@")  # a spreadsheet would run such a text as a formula


def export(
    result: StoredResult,
    cell: Cell,
    format: str,
    *,
    source_sha256: str,
    inverse: bool = False,
    unit: str | None = None,
    allow_not_accepted: bool = False,
) -> str:
    """Return the camera's transform of a result as the text of one file.

    ``format`` is a key of `FORMATS`. ``unit`` is mm, m or in (None: the format's own). Not
    accepted results are refused unless ``allow_not_accepted``; the file then says so.
    ``source_sha256`` is the hash of result.yaml. Raises UsageError for words that do not fit,
    StationbookError for a result without that transform or one whose numbers disagree.
    """
    if format not in FORMATS:
        raise UsageError(f"unknown export form {format!r}", f"Known: {', '.join(FORMATS)}.")
    write, own_unit = FORMATS[format]
    if own_unit is None:
        unit = unit or "mm"
        if unit not in LENGTH_MM:
            raise UsageError(f"unknown unit {unit!r}", f"Known: {', '.join(LENGTH_MM)}.")
    else:
        own = cell.pendant.length_unit if own_unit == "pendant" else own_unit
        if unit not in (None, own):
            raise UsageError(f"{format} is always in {own}, not in {unit}", "Leave the unit away.")
        unit = own
    return write(_delivered(result, cell, source_sha256, inverse, allow_not_accepted), unit)


def _plain(item: Delivered, unit: str) -> dict[str, Any]:
    """Return the transform as plain data: the form of both YAML and JSON."""
    convention = "rotation as unit quaternion x y z w and in the matrix (rows)"
    said = {key.replace(" ", "_"): text for key, text in facts(item, unit, convention)}
    for key in [key for key in said if key.startswith(("U_of", "proven"))]:
        del said[key]  # they follow as numbers
    length, T, covariance = LENGTH_MM[unit], _matrix(item, unit), item.covariance
    u = {
        key.replace("_mm", f"_{unit}"): value / length if value and key.endswith("_mm") else value
        for key, value in asdict(item.uncertainty).items()
    }
    return {
        "format": 1,
        **said,
        "caution": item.caution,
        "proven": item.proven,
        f"position_{unit}": T[:3, 3].tolist(),
        "quaternion_xyzw": (quaternion_xyzw(T[:3, :3]) + 0.0).tolist(),
        "matrix": T.tolist(),
        "standard_uncertainty": u,
        "covariance_rad_mm": None if covariance is None else (covariance + 0.0).tolist(),
    }


def _matrix(item: Delivered, unit: str) -> Array:
    """Return the matrix (4, 4) in ``unit``, without negative zeros."""
    T = item.matrix.copy()
    T[:3, 3] = scaled(T[:3, 3], unit)
    return T + 0.0


def _as_yaml(item: Delivered, unit: str) -> str:
    return yaml.safe_dump(_plain(item, unit), sort_keys=False, allow_unicode=True, width=100)


def _as_json(item: Delivered, unit: str) -> str:
    return json.dumps(_plain(item, unit), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _as_csv(item: Delivered, unit: str) -> str:
    """Rows of quantity, value, unit (RFC 4180); texts cannot run as formulas."""
    out = io.StringIO()
    table = csv.writer(out)
    table.writerow(("quantity", "value", "unit"))
    convention = "rotation as unit quaternion x y z w and as matrix elements r11 to r33"
    for key, text in facts(item, unit, convention):
        table.writerow((key, "'" + text if text.startswith(FORMULA_SIGNS) else text, ""))
    for axis, value in zip("xyz", scaled(item.matrix[:3, 3], unit), strict=True):
        table.writerow((axis, repr(float(value)), unit))
    for axis, value in zip("xyzw", quaternion_xyzw(item.matrix[:3, :3]), strict=True):
        table.writerow((f"q{axis}", repr(float(value)), ""))
    for (row, column), value in np.ndenumerate(item.matrix[:3, :3]):
        table.writerow((f"r{row + 1}{column + 1}", repr(float(value)), ""))
    return out.getvalue()


def _commented(item: Delivered, unit: str, convention: str) -> str:
    return "".join(f"# {key}: {text}\n" for key, text in facts(item, unit, convention))


def _row(values: Any) -> str:
    return " ".join(f"{float(v) + 0.0:.15g}" for v in values)


def _as_matrix(item: Delivered, unit: str) -> str:
    head = _commented(item, unit, "4 × 4 matrix, row by row; columns act on column vectors")
    return head + "".join(_row(row) + "\n" for row in _matrix(item, unit))


def _seven(item: Delivered, unit: str) -> str:
    """Return x y z qx qy qz qw."""
    return _row([*scaled(item.matrix[:3, 3], unit), *quaternion_xyzw(item.matrix[:3, :3])])


def _as_quaternion(item: Delivered, unit: str) -> str:
    head = _commented(item, unit, "one line x y z qx qy qz qw; unit quaternion, w last")
    return f"{head}{_seven(item, unit)}\n"


def _as_tf(item: Delivered, unit: str) -> str:
    said = "arguments x y z qx qy qz qw frame_id child_frame_id of a static transform"
    values = f"{_seven(item, unit)} {item.to_frame} {item.from_frame}"
    return f"{_commented(item, unit, said)}{values}\n"


def _as_urdf(item: Delivered, unit: str) -> str:
    """A robot description of two links and one fixed joint (origin xyz [m] rpy [rad])."""
    convention = "origin xyz and rpy in rad: roll, pitch, yaw about fixed x, y, z"
    # Two hyphens would end an XML comment.
    lines = [
        f"  {key}: {escape(text).replace('--', '- -')}"
        for key, text in facts(item, unit, convention)
    ]
    rpy = Rotation.from_matrix(item.matrix[:3, :3]).as_euler("xyz")
    name = quoteattr(f"{item.to_frame}_to_{item.from_frame}")
    return "\n".join([
        '<?xml version="1.0" encoding="UTF-8"?>',
        "<!--", *lines, "-->",
        f"<robot name={quoteattr(one_line(item.cell.name))}>",
        f'  <link name="{item.to_frame}"/>',
        f'  <link name="{item.from_frame}"/>',
        f'  <joint name={name} type="fixed">',
        f'    <parent link="{item.to_frame}"/>',
        f'    <child link="{item.from_frame}"/>',
        f'    <origin xyz="{_row(scaled(item.matrix[:3, 3], unit))}" rpy="{_row(rpy)}"/>',
        "  </joint>",
        "</robot>",
        "",
    ])  # fmt: skip


def _as_pendant(item: Delivered, unit: str) -> str:
    """Return the fields in the pendant's order, convention, units and digits.

    Raises UsageError where the pendant's convention cannot hold the frame.
    """
    pendant = item.cell.pendant
    fields = pendant_fields(item.matrix, pendant)
    shift, turn, pick = rounding_cost(item, fields)
    rotation = f"{pendant.rotation}, the fields in the pendant's order"
    if pendant.flange_down:
        rotation += ", flange pointing down"
    turned = "" if is_quaternion(pendant.rotation) else pendant.angle_unit
    units = [pendant.length_unit] * POSITION_FIELDS + [turned] * len(fields[POSITION_FIELDS:])
    lines = [
        f"{label:<4} {field:>12}  {unit}".rstrip()
        for label, field, unit in zip(pendant.labels, fields, units, strict=True)
    ]
    cost = (
        f"Rounding to these digits shifts the frame by {shift:.2g} mm and turns it by "
        f"{turn:.2g}°; a pick moves by up to {pick:.2g} mm in the work volume "
        f"(tolerance {item.cell.tolerance.position_mm:g} mm)."
    )
    said = [f"# {text}" for text in (cost, *NEW_VALUES)]
    head = _commented(item, unit, rotation)
    return head + "\n".join([f"# {use_as(item)}", *lines, *said, ""])


def pendant_fields(T: Array, pendant: Pendant) -> tuple[str, ...]:
    """Return the texts to type for ``T`` (4, 4) [mm].

    Raises UsageError for a pendant that shows joints, or one angle where the frame is tilted.
    """
    instead = "Export as quaternion or matrix."
    if pendant.shows_joints:
        problem = "this pendant shows joint angles, a frame cannot be typed that way"
        raise UsageError(problem, instead)
    try:
        return format_place(T, pendant)
    except PoseError as error:
        problem = f"{pendant.rotation} cannot hold this frame: it is tilted"
        raise UsageError(problem, instead) from error


def rounding_cost(item: Delivered, fields: tuple[str, ...]) -> tuple[float, float, float]:
    """Return what typing ``fields`` instead of the transform costs.

    Shift of the frame [mm], turn of the frame [deg], and the largest shift [mm] of a point over
    the eight corners of the work volume.
    """
    typed = place_from_fields(fields, item.cell.pendant)
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


FORMATS: dict[str, tuple[Callable[[Delivered, str], str], str | None]] = {
    "yaml": (_as_yaml, None),
    "json": (_as_json, None),
    "csv": (_as_csv, None),
    "matrix": (_as_matrix, None),
    "quaternion": (_as_quaternion, None),
    "pendant": (_as_pendant, "pendant"),
    "opencv": (_as_opencv, None),
    "urdf": (_as_urdf, "m"),
    "tf": (_as_tf, "m"),
}
"""Export form -> (its writer, its own length unit or None where any will do)."""
