"""The keys `board`, `camera` and `robot` of a cell, and the files that they may name."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any, get_args

from ..boards.pattern import Board, Larger, MountRepeatability, Pattern, check_board
from ..boards.points_file import read_board_points
from ..camera.model import Camera
from ..cell.session import FORMAT
from ..errors import nearest
from ..robots.check import checked
from ..robots.model import ChainLink, JointType, Robot, RobotKind
from .dump import yaml_dump
from .schema import (
    Field,
    FileName,
    Flag,
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
from .versions import check_format
from .yaml_text import Node, read_yaml

MOST_POINTS = 1000  # points along one side; a fine board has 100

_ROUND = ("circles", "circles-staggered")
_OWNERS = {  # keys that belong to some patterns only
    "diameter_mm": _ROUND,
    "larger": _ROUND,
    "missing": _ROUND,
    "light": (*_ROUND, "chessboard"),
    "dictionary": ("charuco",),
    "marker_mm": ("charuco",),
    "legacy_layout": ("charuco",),
}
_MOUNT = plain_record(
    MountRepeatability,
    Field("position_mm", Number(least=0)),
    Field("angle_deg", Number(least=0)),
)

_IDS = Many(Whole(0, MOST_POINTS**2))
_LARGER = plain_record(Larger, Field("ids", _IDS), Field("diameter_mm", Number(above=0)))


@cache
def board_record(inside: bool) -> Record:
    """Return the keys of ``board``; ``inside``: its points file may not leave the folder."""
    return Record(
        (
            Field("pattern", Text(get_args(Pattern))),
            Field("columns", Whole(2, MOST_POINTS)),
            Field("rows", Whole(2, MOST_POINTS)),
            Field("pitch_mm", Number(above=0)),
            Field("diameter_mm", Number(above=0), None),
            Field("dictionary", Text(), None),
            Field("marker_mm", Number(above=0), None),
            Field("legacy_layout", Flag(), False),
            Field("mount_repeatability", _MOUNT, None),
            Field("height_mm", Number(), None),
            Field("points_file", FileName(inside), None),
            Field("larger", _LARGER, None),
            Field("missing", _IDS, ()),
            Field("light", Flag(), False),
        ),
        _board,
    )


def _board(values: Values, node: Node) -> Board:
    pattern = values["pattern"]
    for key, owners in _OWNERS.items():
        if key in node.entries() and not node.at(key).is_null and pattern not in owners:
            raise node.at(key).fail(f"{key} does not belong to a {pattern} board")
    for key in ("diameter_mm",) if pattern in _ROUND else ("dictionary", "marker_mm"):
        if pattern != "chessboard" and values[key] is None:
            raise missing(node, key, f"A {pattern} board needs {key}.")
    board = Board(**values)
    placed_at(node, lambda: check_board(board))
    if board.points_file is None:
        return board
    rows = read_board_points(node.path.parent / board.points_file, board)
    return replace(board, measured=tuple((number, x, y, z) for number, x, y, z in rows))


DISTORTION_COUNTS = (0, 4, 5, 8, 12, 14)  # the lengths that OpenCV's lens model knows
SOURCES = ("folder", "device", "url", "command")
MOST_PIXELS = 100_000  # px; ten times the longest side of a large industrial sensor

_NAME = re.compile(r"[A-Za-z0-9_-]{1,64}", re.ASCII)
_PASSWORD = re.compile(r"^[a-z0-9+.-]+://[^/]*@", re.IGNORECASE)


class Source:
    """Where images come from: one of {folder}, {device}, {url}, {command}, or none."""

    def read(self, node: Node) -> dict[str, str] | None:
        if node.value == "none":
            return None
        entries = node.entries("one of {folder: ...}, {device: ...}, {url: ...}, {command: NAME}")
        for key, item in entries.items():
            if key not in SOURCES:
                raise item.fail("this key is not known", nearest(key, SOURCES))
        if len(entries) != 1:
            raise node.fail(f"expected one source, got {len(entries)}", f"One of {SOURCES}.")
        ((key, item),) = entries.items()
        text = Text().read(item)
        if key == "url" and _PASSWORD.match(text):
            raise item.fail(
                "the address holds a user name or password",
                "Credentials belong in this machine's own settings; leave them out here.",
            )
        if key == "command" and not _NAME.fullmatch(text):
            raise item.fail(
                f"{item.described()} is not the name of a command",
                "Give the name under which this machine's own settings hold the command.",
            )
        return {key: text}

    def write(self, value: Any) -> Any:
        return dict(value)


def _camera(values: Values, node: Node) -> Camera:
    matrix = values["matrix"]
    (fx, skew, _), (zero, fy, _), last = matrix
    where = node.at("matrix")
    if fx <= 0 or fy <= 0:
        raise where.fail(f"the focal lengths are {fx:g} and {fy:g} px", "Both are above 0.")
    if (skew, zero) != (0, 0) or last != (0, 0, 1):
        raise where.fail(
            "this is not a camera matrix", "Its form is [[fx, 0, cx], [0, fy, cy], [0, 0, 1]]."
        )
    if (focus := values["focus_range_mm"]) is not None and not 0 < focus[0] < focus[1]:
        raise node.at("focus_range_mm").fail(
            f"[{focus[0]:g}, {focus[1]:g}] is no range of distances", "Nearest first, both above 0."
        )
    return Camera(**values)


CAMERA = Record(
    (
        Field("name", Text()),
        Field("image_size_px", Many(Whole(1, MOST_PIXELS), (2,))),
        Field("matrix", Many(Many(Number(), (3,)), (3,))),
        Field("distortion", Many(Number(), DISTORTION_COUNTS), (), always=True),
        Field("source", Source(), None),
        Field("focus_range_mm", Many(Number(), (2,)), None),
    ),
    _camera,
)


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
