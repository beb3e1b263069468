"""Robots in cell files: inline, in a file of their own, or none."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, get_args

from ..robots.check import checked
from ..robots.model import ChainLink, JointType, Robot, RobotKind
from .dump import yaml_dump
from .schema import (
    Field,
    FileName,
    Many,
    Number,
    Record,
    Table,
    Text,
    Values,
    Whole,
    missing,
    placed_at,
    plain_record,
)
from .session import FORMAT
from .versions import check_format
from .yaml_text import Node, read_yaml

NONE_REMEDY = "Write `robot: none` where the robot is not described; reach is then not checked."

_LINK = plain_record(
    ChainLink,
    Field("a_mm", Number()),
    Field("alpha_deg", Number()),
    Field("d_mm", Number()),
    Field("offset_deg", Number(), 0.0),
    Field("type", Text(get_args(JointType)), "turn"),
)
_SIX = Many(Number(), (6,))


def _build(values: Values, node: Node) -> Robot:
    limits = values.pop("limits_deg")
    robot = Robot(**values, limits=limits)
    if robot.kind == "chain":
        for key in ("convention", "links"):
            if not values[key]:
                raise missing(node, key)
    elif not robot.geometry_mm:
        raise missing(node, "geometry_mm")
    return placed_at(node, lambda: checked(robot))


def _parts(robot: Robot) -> Values:
    return {"limits_deg" if f == "limits" else f: getattr(robot, f) for f in Robot.__slots__}


ROBOT = Record(
    (
        Field("name", Text()),
        Field("kind", Text(get_args(RobotKind))),
        Field("geometry_mm", Table(Number()), {}),
        Field("offsets_deg", Many(Number()), ()),
        Field("directions", Many(Whole(-1, 1)), ()),
        Field("coupling", Table(Text()), None),
        Field("limits_deg", Many(Many(Number(), (2,))), ()),
        Field("repeatability_mm", Number(least=0), None),
        Field("accuracy_mm", Number(least=0), None),
        Field("convention", Text(("standard", "modified")), None),
        Field("links", Many(_LINK), ()),
        Field("base_T_first_mm_deg", _SIX, None),
        Field("last_T_flange_mm_deg", _SIX, None),
    ),
    _build,
    _parts,
)
_FILE = Record((Field("format", Whole(1, FORMAT)), *ROBOT.fields), lambda v, n: _from_file(v, n))


def _from_file(values: Values, node: Node) -> Robot:
    del values["format"]
    return _build(values, node)


@dataclass(frozen=True, slots=True)
class RobotEntry:
    """The key ``robot``: a description, ``{file: robots/x.yaml}`` or ``none``."""

    inside: bool  # the file may not leave the folder

    def read(self, node: Node) -> Robot | None:
        if node.is_null:
            raise node.fail("the robot is not described", NONE_REMEDY)
        if node.value == "none":
            return None
        entries = node.entries("a description, {file: robots/x.yaml} or none")
        if "file" not in entries:
            robot: Robot = ROBOT.read(node)
            return robot
        name: str = Record(
            (Field("file", FileName(self.inside)),), lambda values, _: values["file"]
        ).read(node)
        return replace(read_robot(node.path.parent / name), file=name)

    def write(self, value: Any) -> Any:
        if value is None:
            return "none"
        return {"file": value.file} if value.file else ROBOT.write(value)


def read_robot(path: Path) -> Robot:
    """Read a robot file; raises FileError naming file, line and key."""
    root = read_yaml(path)
    check_format(root)
    robot: Robot = _FILE.read(root)
    return robot


def robot_text(robot: Robot) -> str:
    """Return the robot as the text of a robot file."""
    return yaml_dump({"format": FORMAT, **ROBOT.write(robot)})
