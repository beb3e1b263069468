"""The transform in every form that another program reads, each with all that must be said of it."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from typing import Any, NamedTuple
from xml.sax.saxutils import escape, quoteattr

import cv2
import numpy as np
import yaml

from ..arrays import Array
from ..cautions import NEW_VALUES
from ..errors import PoseError, UsageError, nearest
from ..frames import apply, displacement, inverse, quaternion_xyzw, rotation_log, turn_angles
from ..pendant.conventions import (
    POSE_ROTATIONS,
    POSITION_FIELDS,
    QUATERNION_WXYZ,
    QUATERNION_XYZW,
    VECTOR,
    YAW,
    is_quaternion,
)
from ..pendant.entry import format_place, place_from_fields
from ..pendant.settings import ANGLE_RAD, LENGTH_MM, Pendant
from ..sessions.store import no_formula
from .delivered import (
    BEFORE_MOVING,
    Delivered,
    facts,
    lens_document,
    matrix_in,
    one_line,
    scaled,
    use_as,
)
from .plane import Plane, plane_at


@dataclass(frozen=True, slots=True)
class Chosen:
    """What may be chosen freely: how the form pendant shows a pose, and the height of a plane.

    ``height_mm``: z of the plane in the frame to which the transform leads; None: the middle of the
    work volume. The others as in a cell's pendant; None: as this pendant shows it.
    """

    rotation: str | None = None
    angle_unit: str | None = None
    decimals: int | None = None
    height_mm: float | None = None

    @property
    def form(self) -> bool:
        """Whether another form than the pendant's is wanted."""
        return any(v is not None for v in (self.rotation, self.angle_unit, self.decimals))

    def pendant(self, own: Pendant, unit: str | None) -> Pendant:
        """Return the pendant with what is chosen. Raises UsageError for what does not exist."""
        if not self.form:
            return own
        rotation, angle = self.rotation or own.rotation, self.angle_unit or own.angle_unit
        length = unit or own.length_unit
        if rotation not in POSE_ROTATIONS:
            raise UsageError(f"no form of rotation {rotation!r}", nearest(rotation, POSE_ROTATIONS))
        if angle not in ANGLE_RAD or length not in LENGTH_MM:
            raise UsageError(f"unknown unit {angle!r} or {length!r}", "deg or rad; mm, m or in.")
        labels = (*"XYZ", *TURN_LABELS.get(rotation, ())) or own.labels
        if rotation not in TURN_LABELS:
            labels = (*"XYZ", *(f"R{axis}{k}" for k, axis in enumerate(rotation[-3:], 1)))
        digits = self.decimals
        if digits is not None and not 0 <= digits <= 9:
            raise UsageError(f"{digits} decimals", "From 0 to 9.")
        turned = DIGITS["" if is_quaternion(rotation) else angle]
        shown = [turned if k >= POSITION_FIELDS else DIGITS[length] for k in range(len(labels))]
        return replace(
            own, rotation=rotation, angle_unit=angle, length_unit=length, labels=labels,  # type: ignore[arg-type]
            decimals=tuple(digits if digits is not None else d for d in shown),
        )  # fmt: skip


# Digits that lose nothing to anybody: 1 µm, and what moves a point 1 m away by as much.
DIGITS = {"mm": 3, "m": 6, "in": 5, "deg": 4, "rad": 6, "": 7}
TURN_LABELS = {
    VECTOR: ("RX", "RY", "RZ"),
    QUATERNION_WXYZ: ("qw", "qx", "qy", "qz"),
    QUATERNION_XYZW: ("qx", "qy", "qz", "qw"),
    YAW: ("RZ",),
}


def _as_opencv(item: Delivered, unit: str) -> str:
    """Return nodes ``matrix`` (4×4), ``R`` (3×3), ``rvec`` (3×1, rad) and ``t`` (3×1), and texts.

    ``rvec`` and ``t`` are what ``cv2.projectPoints`` and its relatives take.
    """
    store = cv2.FileStorage("transform.yml", cv2.FILE_STORAGE_WRITE | cv2.FILE_STORAGE_MEMORY)
    convention = "matrix acts on column vectors; rvec is R as rotation vector in rad"
    for key, text in facts(item, unit, convention):
        store.write("_".join(re.findall(r"\w+", key)), text)  # a node's name holds no other signs
    store.write(BEFORE_MOVING.replace(" ", "_"), " ".join(NEW_VALUES))
    T = matrix_in(item, unit)
    store.write("matrix", T)
    store.write("R", np.ascontiguousarray(T[:3, :3]))
    store.write("rvec", rotation_log(T[:3, :3])[:, None] + 0.0)
    store.write("t", np.ascontiguousarray(T[:3, 3:]))
    if item.covariance is not None:
        store.write("covariance_rad_mm", item.covariance)
    if (data := lens_document(item)) is not None:
        width, height = data["image_size_px"]
        store.write("image_width", width)
        store.write("image_height", height)
        store.write("camera_matrix", np.array(data["matrix"], float))
        store.write("distortion_coefficients", np.array([data["distortion"]], float))
        for key, value in data["u"].items():
            store.write(f"lens_u_{key}", float(value))
    return str(store.releaseAndGetString())


def write(item: Delivered, format: str, unit: str | None, chosen: Chosen | None = None) -> str:
    """Return a transform as the text of one file.

    ``format`` is a key of `FORMATS`. ``unit`` is mm, m or in (None: the format's own). Raises
    UsageError for words that do not fit.
    """
    chosen = chosen or Chosen()
    if chosen.form and format != "pendant":
        raise UsageError("a form of rotation is chosen for pendant only", "Add --as pendant.")
    if chosen.height_mm is not None and format != "plane":
        raise UsageError("a height belongs to the form plane", "Add --as plane.")
    item = replace(item, cell=replace(item.cell, pendant=chosen.pendant(item.cell.pendant, unit)))
    cell = item.cell
    if format not in FORMATS:
        raise UsageError(f"unknown export form {format!r}", f"Known: {', '.join(FORMATS)}.")
    form = FORMATS[format]
    if form.unit is None:
        unit = unit or "mm"
        if unit not in LENGTH_MM:
            raise UsageError(f"unknown unit {unit!r}", f"Known: {', '.join(LENGTH_MM)}.")
    else:
        own = cell.pendant.length_unit if form.unit == "pendant" else form.unit
        if unit not in (None, own):
            raise UsageError(f"{format} is always in {own}, not in {unit}", "Leave the unit away.")
        unit = own
    if format == "plane":
        return _as_plane(item, unit, chosen.height_mm)
    return form.writer(item, unit)


def _plain(item: Delivered, unit: str) -> dict[str, Any]:
    """Return the transform as plain data: the form of both YAML and JSON."""
    convention = "rotation as unit quaternion x y z w and in the matrix (rows)"
    said = {key.replace(" ", "_"): text for key, text in facts(item, unit, convention)}
    for key in [key for key in said if key.startswith("U_of")]:
        del said[key]  # they follow as numbers
    length, T, covariance = LENGTH_MM[unit], matrix_in(item, unit), item.covariance
    u = {
        key.replace("_mm", f"_{unit}"): value / length if value and key.endswith("_mm") else value
        for key, value in asdict(item.uncertainty).items()
    }
    return {
        "format": 1,
        **said,
        "verdict": item.verdict,
        "verdict_holds": item.holds or None,
        "caution": item.caution,
        "proven": item.proven,
        BEFORE_MOVING.replace(" ", "_"): list(NEW_VALUES),
        f"position_{unit}": T[:3, 3].tolist(),
        "quaternion_xyzw": (quaternion_xyzw(T[:3, :3]) + 0.0).tolist(),
        "matrix": T.tolist(),
        "standard_uncertainty": u,
        "covariance_rad_mm": None if covariance is None else (covariance + 0.0).tolist(),
        "lens": lens_document(item),
    }


def _as_yaml(item: Delivered, unit: str) -> str:
    return yaml.safe_dump(_plain(item, unit), sort_keys=False, allow_unicode=True, width=100)


def _as_json(item: Delivered, unit: str) -> str:
    return json.dumps(_plain(item, unit), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _as_csv(item: Delivered, unit: str) -> str:
    """Rows of quantity, value, unit (RFC 4180); texts cannot run as formulas."""
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\n")
    table.writerow(("quantity", "value", "unit"))
    convention = "rotation as unit quaternion x y z w and as matrix elements r11 to r33"
    for key, text in facts(item, unit, convention):
        table.writerow((key, no_formula(text), ""))
    for text in NEW_VALUES:
        table.writerow((BEFORE_MOVING, no_formula(text), ""))
    for axis, value in zip("xyz", scaled(item.matrix[:3, 3], unit), strict=True):
        table.writerow((axis, repr(float(value)), unit))
    for axis, value in zip("xyzw", quaternion_xyzw(item.matrix[:3, :3]), strict=True):
        table.writerow((f"q{axis}", repr(float(value)), ""))
    for (row, column), value in np.ndenumerate(item.matrix[:3, :3]):
        table.writerow((f"r{row + 1}{column + 1}", repr(float(value)), ""))
    return out.getvalue()


def _commented(item: Delivered, unit: str, convention: str) -> str:
    """Return what is said of the transform, the cautions last: right above the numbers."""
    said = [f"{key}: {text}" for key, text in facts(item, unit, convention)]
    return "".join(f"# {text}\n" for text in (*said, *NEW_VALUES))


def _row(values: Any) -> str:
    return " ".join(f"{float(v) + 0.0:.15g}" for v in values)


def _as_matrix(item: Delivered, unit: str) -> str:
    head = _commented(item, unit, "4 × 4 matrix, row by row; columns act on column vectors")
    return head + "".join(_row(row) + "\n" for row in matrix_in(item, unit))


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
    lines += [f"  {text}" for text in NEW_VALUES]
    rpy = turn_angles("zyx", item.matrix[:3, :3])[::-1]
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
    head = _commented(item, unit, rotation)
    return head + "\n".join([f"# {use_as(item)}", *lines, f"# {cost}", ""])


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


def _as_ros(item: Delivered, unit: str) -> str:
    """Return messages of ROS 2 as YAML: geometry_msgs/TransformStamped, sensor_msgs/CameraInfo [m].

    The messages and their fields are from memory. plumb_bob has 5 distortion coefficients,
    rational_polynomial 8; more of them no standard model holds.
    """
    said = _commented(item, unit, "messages TransformStamped and CameraInfo; rotation x y z w")
    x, y, z = scaled(item.matrix[:3, 3], unit).tolist()
    turn = (quaternion_xyzw(item.matrix[:3, :3]) + 0.0).tolist()
    messages: dict[str, Any] = {
        "transform_stamped": {
            "header": {"stamp": {"sec": 0, "nanosec": 0}, "frame_id": item.to_frame},
            "child_frame_id": item.from_frame,
            "transform": {
                "translation": {"x": x, "y": y, "z": z},
                "rotation": dict(zip("xyzw", turn, strict=True)),
            },
        }
    }
    if (data := lens_document(item)) is not None:
        bent = data["distortion"] + [0.0] * (5 - len(data["distortion"]))
        if len(bent) > 8:
            raise UsageError(
                f"no model of the messages holds {len(bent)} distortion coefficients",
                "Export as opencv or json.",
            )
        k = [float(value) for row in data["matrix"] for value in row]
        messages["camera_info"] = {
            "header": {"stamp": {"sec": 0, "nanosec": 0}, "frame_id": "camera"},
            "height": data["image_size_px"][1],
            "width": data["image_size_px"][0],
            "distortion_model": "plumb_bob" if len(bent) == 5 else "rational_polynomial",
            "d": [float(value) for value in bent],
            "k": k,
            "r": np.eye(3).ravel().tolist(),
            "p": [*k[0:3], 0.0, *k[3:6], 0.0, *k[6:9], 0.0],
        }
    return said + yaml.safe_dump(messages, sort_keys=False, width=100)


def plane_of(item: Delivered, height_mm: float | None) -> Plane:
    """Return what pixels mean on a plane of the frame that the camera's transform leads to.

    Raises UsageError where the transform is not the camera's in a frame, or has no covariance, and
    without lens data.
    """
    if item.from_frame != "camera":
        raise UsageError("a plane needs the camera's place in a frame", "Leave --inverse away.")
    if item.covariance is None:
        problem = "a plane needs the uncertainty of the camera's place, which is not known"
        raise UsageError(problem, "Put right what the findings name, then solve again.")
    if item.cell.camera.guessed:
        problem = "a plane needs lens data, and neither the cell nor images give any"
        raise UsageError(problem, "Enter camera.matrix, or record at least five stations.")
    volume = item.cell.work_volume
    corners = volume.corners()
    if volume.frame != item.to_frame:
        corners = apply(item.matrix, corners)
    height = float(corners[:, 2].mean()) if height_mm is None else height_mm
    return plane_at(item.matrix, item.covariance, item.cell.camera, corners, height)


def _as_plane(item: Delivered, unit: str, height_mm: float | None = None) -> str:
    """Return homographies and a table u v → x y on one plane, as CSV below comments."""
    found, length = plane_of(item, height_mm), LENGTH_MM[unit]
    frame = item.to_frame
    scale = np.diag([1.0 / length, 1.0 / length, 1.0])
    convention = f"x y on the plane z = {found.height_mm / length:g} {unit} of the {frame} frame"
    low_u, low_v, high_u, high_v = found.valid_px
    corner = float(found.u_mm.max())
    lines = [
        ("valid", f"u {low_u:.1f} to {high_u:.1f}, v {low_v:.1f} to {high_v:.1f} px: the plane "
         "within the work volume"),
        ("homography of undistorted pixels", _row((scale @ found.undistorted).ravel())),
        ("homography of pixels as they come", _row((scale @ found.raw).ravel())),
        ("error of that one", f"up to {found.raw_error_mm:.2g} mm within the valid pixels, from "
         "the lens distortion"),
        ("U of a place (k = 2)", f"up to {2 * corner:.2g} mm from the transform, lens data apart"),
        ("a part that is higher", f"by 1 mm is placed up to {found.slope.max():.2g} mm off"),
    ]  # fmt: skip
    said = "".join(f"# {key}: {text}\n" for key, text in lines)
    head = f"u_px,v_px,x_{unit},y_{unit},u_{unit},slope\n"
    values = np.column_stack(
        [found.pixels, found.places / length, found.u_mm / length, found.slope]
    )
    rows = "".join(",".join(f"{v:.9g}" for v in row) + "\n" for row in values)
    return _commented(item, unit, convention) + said + head + rows


class Form(NamedTuple):
    """An export form: its writer, what it is for, the ending of its files, and its length unit."""

    writer: Callable[[Delivered, str], str]
    words: str
    suffix: str
    unit: str | None = None  # None: any will do


FORMATS: dict[str, Form] = {  # those for people first
    "pendant": Form(_as_pendant, "values to type into the robot, as its pendant shows them", ".txt",
                    "pendant"),
    "yaml": Form(_as_yaml, "everything, for people and programs", ".yaml"),
    "json": Form(_as_json, "everything, for programs", ".json"),
    "csv": Form(_as_csv, "a table for a spreadsheet", ".csv"),
    "matrix": Form(_as_matrix, "4 × 4 matrix, row by row", ".txt"),
    "quaternion": Form(_as_quaternion, "x y z qx qy qz qw in one line", ".txt"),
    "opencv": Form(_as_opencv, "file that OpenCV reads", ".yaml"),
    "urdf": Form(_as_urdf, "robot description of two links and a fixed joint", ".urdf", "m"),
    "tf": Form(_as_tf, "arguments of a static transform", ".txt", "m"),
    "ros": Form(_as_ros, "messages TransformStamped and CameraInfo", ".yaml", "m"),
    "plane": Form(_as_plane, "pixels to places on a plane, for a 2-D cell", ".csv"),
}  # fmt: skip
