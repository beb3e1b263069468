"""cell.yaml: its keys, checks across keys, and both directions."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache, partial
from pathlib import Path
from typing import Any, get_args

import numpy as np

from ..cell.cell import Cell, KeepOut, Locate, Rough, RoughPlace, WorkVolume
from ..cell.mount import EYE_TO_HAND, Mount
from ..cell.rule import Tolerance
from ..cell.session import FORMAT
from ..frames import from_position_quaternion
from ..pendant.conventions import (
    POSITION_FIELDS,
    ROTATIONS,
    YAW,
    active_places,
    checked_pendant,
    field_count,
    is_quaternion,
)
from ..pendant.entry import active_from_fields
from ..pendant.settings import BASE, FLANGE, JOINTS, Active, AngleUnit, LengthUnit, Pendant
from .cell_parts import CAMERA, NONE_REMEDY, RobotEntry, board_record
from .schema import (
    Field,
    Flag,
    Many,
    Number,
    OrNone,
    Record,
    Text,
    Typed,
    Values,
    Whole,
    attributes,
    check_format,
    missing,
    placed_at,
    record_of,
    require_count,
)
from .yaml_text import Node, read_yaml

MATRIX_ROUNDING = 0.01  # mm and [-]; more than digits cut off in a copied matrix explain
JOINT_DECIMALS = 3  # digits; common practice for joint angles in degrees, no source

_LENGTH = Number(above=0)


def _pendant(values: Values, node: Node) -> Pendant:
    rotation = values["rotation"]
    if values["angle_unit"] is None:
        if not is_quaternion(rotation) and rotation != JOINTS:
            raise missing(node, "angle_unit", "Add angle_unit: deg or angle_unit: rad.")
        values["angle_unit"] = "deg"
    for key in ("labels", "decimals"):
        if not values[key] and rotation != JOINTS:
            raise missing(node, key, "Give one for every field that the pendant shows.")
    if values["flange_down"] and rotation != YAW:
        raise node.at("flange_down").fail("flange_down belongs to rotation: yaw only")
    return Pendant(**values)


@dataclass(frozen=True, slots=True)
class ActiveEntry:
    """The active tool or frame: the word ``flange`` (``base``), or its name and values."""

    own: Active

    def read(self, node: Node) -> Active:
        if isinstance(node.value, dict):
            return _NAMED.read(node)
        name = Text().read(node)
        if name.strip().casefold() != self.own.name:
            key = (node.key or "").rpartition(".")[2]
            raise node.fail(
                f"{node.described()} alone does not say where it is",
                f"Select the {self.own.name} on the pendant and write {key}: {self.own.name}, or "
                f"give the values that the pendant shows for it: {key}: {{name: {name}, pose: "
                "[..]}, in the order of labels.",
            )
        return self.own

    def write(self, value: Any) -> Any:
        return value.name if value.pose is None else _NAMED.write(value)


_NAMED = Record(
    (Field("name", Text()), Field("pose", Many(Typed()))), lambda values, _: Active(**values)
)

PENDANT = Record(
    (
        Field("length_unit", Text(get_args(LengthUnit))),
        Field("angle_unit", Text(get_args(AngleUnit)), None),
        Field("joint_unit", Text(get_args(AngleUnit)), "deg", always=True),
        Field("rotation", Text(ROTATIONS)),
        Field("labels", Many(Text()), ()),
        Field("decimals", Many(Whole(0, 9)), ()),
        Field("active_tool", ActiveEntry(FLANGE), FLANGE, always=True),
        Field("active_frame", ActiveEntry(BASE), BASE, always=True),
        Field("flange_down", Flag(), False),
    ),
    _pendant,
)


def _placed(values: Values, node: Node) -> RoughPlace:
    matrix = values.pop("matrix")
    placed = RoughPlace(**values)
    numbers = (*placed.position_mm, *placed.quaternion_xyzw)
    T = placed_at(node, lambda: from_position_quaternion(numbers))
    if matrix is not None and abs(np.asarray(matrix) - T).max() > MATRIX_ROUNDING:
        raise node.at("matrix").fail(
            "the matrix and the quaternion say different things", "Leave the matrix out."
        )
    return placed


PLACED = Record(
    (
        Field("position_mm", Many(Number(), (3,))),
        Field("quaternion_xyzw", Many(Number(), (4,))),
        Field("matrix", Many(Many(Number(), (4,)), (4,)), None),  # as results carry it
    ),
    _placed,
)


def _keep_out(values: Values, node: Node) -> KeepOut:
    box = KeepOut(**values)
    for axis, low, high in zip("xyz", box.min_mm, box.max_mm, strict=True):
        if low >= high:
            raise node.at("max_mm").fail(
                f"{axis} runs from {low:g} to {high:g}", "Give the smaller corner as min_mm."
            )
    return box


KEEP_OUT = record_of(KeepOut, _keep_out, ())
WORK_VOLUME = record_of(WorkVolume, None, (), size_mm=Many(_LENGTH, (3,)), approach=Many(Typed()))
TOLERANCE = record_of(Tolerance, None, (), position_mm=_LENGTH, angle_deg=_LENGTH)
ROUGH = Record(
    tuple(
        Field(key, PLACED, None)
        for key in ("base_T_camera", "flange_T_board", "flange_T_camera", "base_T_board")
    ),
    lambda values, _: values,
    lambda values: values,
)


@cache
def cell_record(inside: bool) -> Record[Cell]:
    """Return the keys of a cell; ``inside``: files it names may not leave its folder."""
    return Record(
        (
            Field("format", Whole(1, FORMAT), FORMAT, always=True),
            Field("name", Text()),
            Field("mount", Text(get_args(Mount))),
            Field("robot", OrNone(RobotEntry(inside)), remedy=NONE_REMEDY),
            Field("pendant", PENDANT),
            Field("camera", CAMERA),
            Field("cameras", Many(CAMERA), ()),
            Field("board", board_record(inside)),
            Field("keep_out", Many(KEEP_OUT), (), always=True),
            Field("work_volume", WORK_VOLUME),
            Field("tolerance", TOLERANCE),
            Field("rough", ROUGH, None),
            Field("robot_accuracy_mm", Number(least=0), None),
            Field("locate", Text(get_args(Locate)), None),
            Field("recheck_every_days", _LENGTH, None),
            Field("recheck_after", Many(Text()), None),
        ),
        _cell,
        _parts,
    )


def _cell(values: Values, node: Node) -> Cell:
    del values["format"]
    rough = values.pop("rough")
    cell = Cell(**values)
    frame = "base" if cell.mount == EYE_TO_HAND else "camera"
    if cell.work_volume.frame != frame:
        where, got = node.at("work_volume").at("frame"), cell.work_volume.frame
        raise where.fail(
            f"the work volume of an {cell.mount} cell is given in the {frame} frame, got {got}"
        )
    if cell.robot is not None and cell.robot_accuracy_mm is not None:
        raise node.at("robot_accuracy_mm").fail(
            "this key belongs to a cell with robot: none", "Enter robot.accuracy_mm."
        )
    _check_cameras(cell, node)
    pendant = _complete(cell.pendant, cell, node.at("pendant"))
    _check_approach(cell, node.at("work_volume"))
    return replace(cell, pendant=pendant, rough=rough and _rough(rough, cell, node.at("rough")))


def _check_cameras(cell: Cell, node: Node) -> None:
    taken = [cell.camera.name]
    for place in node.at("cameras").items() if cell.cameras else ():
        name = place.at("name")
        if name.text() in taken:
            raise name.fail(
                f"{name.described()} names two cameras", "Every camera has its own name."
            )
        taken.append(name.text())


def _complete(pendant: Pendant, cell: Cell, node: Node) -> Pendant:
    """Return the pendant with labels for typed joints, after checking that all of it fits."""
    if pendant.shows_joints:
        if cell.robot is None:
            raise node.at("rotation").fail(
                "typed joint angles give no pose without a robot", "Describe the robot."
            )
        axes = cell.robot.axes
        pendant = replace(
            pendant,
            labels=pendant.labels or tuple(f"J{k}" for k in range(1, axes + 1)),
            decimals=pendant.decimals or (JOINT_DECIMALS,) * axes,
        )
        require_count(node, "labels", pendant.labels, axes, "one for each joint")
    pendant = placed_at(node, lambda: checked_pendant(pendant))
    tool, frame = (
        placed_at(node.at(key), partial(active_from_fields, getattr(pendant, key), pendant))
        for key in ("active_tool", "active_frame")
    )
    pendant = replace(pendant, active_tool=tool, active_frame=frame)
    placed_at(node, lambda: active_places(pendant))
    return pendant


def _check_approach(cell: Cell, node: Node) -> None:
    approach, rotation = cell.work_volume.approach, cell.pendant.rotation
    if approach is None:
        return
    if rotation == JOINTS:
        raise node.at("approach").fail("an approach cannot be given with rotation: joints")
    count = field_count(rotation) - POSITION_FIELDS
    require_count(node, "approach", approach, count, f"the rotation fields of {rotation}")


def _rough(given: Values, cell: Cell, node: Node) -> Rough:
    wanted = (cell.camera_key, cell.board_key)
    for key, placed in given.items():
        if placed is not None and key not in wanted:
            raise node.at(key).fail(f"{key} does not belong to an {cell.mount} cell")
        if placed is None and key in wanted:
            raise missing(node, key)
    return Rough(camera=given[cell.camera_key], board=given[cell.board_key])


def _parts(cell: Cell) -> Values:
    parts = attributes(cell)
    if cell.rough is not None:
        parts["rough"] = {cell.camera_key: cell.rough.camera, cell.board_key: cell.rough.board}
    return parts


def read_cell(path: Path) -> Cell:
    """Read ``cell.yaml`` with the robot and points files it names, relative to its own folder.

    Raises FileError naming file, line and key.
    """
    root = read_yaml(path)
    check_format(root)
    return cell_record(False).read(root)


def cell_document(cell: Cell) -> dict[str, Any]:
    """Return the cell as the plain data of ``cell.yaml``, keys in their usual order."""
    return cell_record(True).write(cell)
