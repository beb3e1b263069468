"""Board, camera and robot as keys of cell.yaml, and robot files."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

from .. import files
from ..boards.pattern import Board, Larger, MountRepeatability, check_board
from ..boards.points_file import read_board_points
from ..camera.model import (
    DISTORTION_COUNTS,
    LENS_U_WORDS,
    SOURCES,
    Camera,
    DepthCamera,
    LensU,
    PartLensU,
    guessed_camera,
)
from ..cell.session import FORMAT
from ..errors import nearest
from ..robots.model import Robot, checked
from .schema import (
    Field,
    FileName,
    Many,
    Number,
    OrNone,
    Record,
    Text,
    Values,
    Whole,
    attributes,
    check_format,
    missing,
    placed_at,
    record_of,
)
from .yaml_text import Node, read_yaml, yaml_dump

_LENGTH, _ERROR = Number(above=0), Number(least=0)

MOST_DISTORTION = 1e5  # [-] of a coefficient; the largest of narrow lenses have some thousands
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
_MOUNT = record_of(MountRepeatability, None, (), position_mm=_ERROR, angle_deg=_ERROR)

_IDS = Many(Whole(0, MOST_POINTS**2))
_LARGER = record_of(Larger, None, (), ids=_IDS, diameter_mm=_LENGTH)


@cache
def board_record(inside: bool) -> Record[Board]:
    """Return the keys of ``board``; ``inside``: its points file may not leave the folder."""
    return record_of(
        Board,
        lambda values, node: _board(values, node, inside),
        (),
        columns=Whole(2, MOST_POINTS),
        rows=Whole(2, MOST_POINTS),
        pitch_mm=_LENGTH,
        diameter_mm=_LENGTH,
        marker_mm=_LENGTH,
        scale_u=_ERROR,
        bow_u_mm=_ERROR,
        height_u_mm=_LENGTH,
        larger=_LARGER,
        missing=_IDS,
        mount_repeatability=_MOUNT,
        points_file=FileName(inside),
        measured=None,
    )


def _named(node: Node, name: str, inside: bool) -> Path:
    """Return the path of a file that is named relative to the node's own."""
    folder = node.path.parent
    return files.inside(folder, name) if inside else folder / name


def _board(values: Values, node: Node, inside: bool) -> Board:
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
    rows = read_board_points(_named(node, board.points_file, inside), board)
    return replace(board, measured=tuple((number, x, y, z) for number, x, y, z in rows))


LEAST_PIXELS = 32  # px; no board is found in a smaller image: its points lie several px apart
MOST_PIXELS = 100_000  # px; ten times the longest side of a large industrial sensor

_NAME = re.compile(r"[A-Za-z0-9_-]{1,64}", re.ASCII)
_PASSWORD = re.compile(r"^[a-z0-9+.-]+://[^/]*@", re.IGNORECASE)


class Source:
    """Where images come from: one of {folder}, {device}, {url}, {command}."""

    def read(self, node: Node) -> dict[str, str]:
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


def _lens_u(values: Values, _: Node) -> LensU | None:
    absent = tuple(key for key, value in values.items() if value is None)
    given = {key: value for key, value in values.items() if value is not None}
    if not given:
        return None
    return PartLensU(**given, absent=absent) if absent else LensU(**given)


def _lens_u_parts(u: LensU) -> Values:
    absent = u.absent if isinstance(u, PartLensU) else ()
    return {key: None if key in absent else getattr(u, key) for key in LENS_U_WORDS}


LENS_U = Record(tuple(Field(key, _ERROR, None) for key in LENS_U_WORDS), _lens_u, _lens_u_parts)
DEPTH = record_of(DepthCamera, None, (), scale_mm=_LENGTH, scale_u=_ERROR, tilt_u_deg=_ERROR)


def _camera(values: Values, node: Node) -> Camera:
    matrix = values["matrix"]
    if matrix is None:
        for key in ("distortion", "u"):
            if values[key]:
                raise node.at(key).fail("this belongs to a matrix, which is none", "Leave it out.")
        return guessed_camera(Camera(**values))
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


def _camera_parts(camera: Camera) -> Values:
    parts = attributes(camera)
    if camera.lens_from != "cell":  # nobody stated these
        parts |= {"matrix": None, "distortion": (), "u": None}
    return parts


CAMERA = replace(
    record_of(
        Camera,
        _camera,
        ("distortion",),
        image_size_px=Many(Whole(LEAST_PIXELS, MOST_PIXELS), (2,)),
        matrix=OrNone(Many(Many(Number(), (3,)), (3,))),  # none: the images give the lens
        distortion=Many(Number(most=MOST_DISTORTION), DISTORTION_COUNTS),
        source=OrNone(Source()),
        u=LENS_U,
        depth=DEPTH,
        lens_from=None,
        images_u=None,
        bits=Whole(8, 16),
    ),
    parts=_camera_parts,
)


NONE_REMEDY = "Write `robot: none` where the robot is not described; reach is then not checked."

_SIX = Many(Number(), (6,))


def _build(values: Values, node: Node) -> Robot:
    values.pop("format", None)  # of a robot file
    limits = values.pop("limits_deg")
    robot = Robot(**values, limits=limits)
    if robot.kind == "chain":
        for key in ("convention", "links"):
            if not values[key]:
                raise missing(node, key)
    elif not robot.geometry_mm:
        raise missing(node, "geometry_mm")
    return placed_at(node, lambda: checked(robot))


_OWN = record_of(
    Robot,
    None,
    (),
    directions=Many(Whole(-1, 1)),
    repeatability_mm=_ERROR,
    accuracy_mm=_ERROR,
    base_T_first_mm_deg=_SIX,
    last_T_flange_mm_deg=_SIX,
    file=None,
)
ROBOT = Record(
    tuple(replace(f, key="limits_deg") if f.key == "limits" else f for f in _OWN.fields),
    _build,
    lambda robot: attributes(robot) | {"limits_deg": robot.limits},
)
_FILE = Record((Field("format", Whole(1, FORMAT)), *ROBOT.fields), _build)


@dataclass(frozen=True, slots=True)
class RobotEntry:
    """The key ``robot``: a description, or ``{file: robots/x.yaml}``."""

    inside: bool  # the file may not leave the folder

    def read(self, node: Node) -> Robot:
        if node.is_null:
            raise node.fail("the robot is not described", NONE_REMEDY)
        entries = node.entries("a description, {file: robots/x.yaml} or none")
        if "file" not in entries:
            return ROBOT.read(node)
        name: str = Record(
            (Field("file", FileName(self.inside)),), lambda values, _: values["file"]
        ).read(node)
        return replace(read_robot(_named(node, name, self.inside)), file=name)

    def write(self, value: Any) -> Any:
        return {"file": value.file} if value.file else ROBOT.write(value)


def read_robot(path: Path) -> Robot:
    """Read a robot file; raises FileError naming file, line and key."""
    root = read_yaml(path)
    check_format(root)
    return _FILE.read(root)


def robot_text(robot: Robot) -> str:
    """Return the robot as the text of a robot file."""
    return yaml_dump({"format": FORMAT, **ROBOT.write(robot)})
