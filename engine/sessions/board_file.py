"""The key ``board`` of a cell, and the file of measured points it may name."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import get_args

from ..boards.definition import check_board
from ..boards.pattern import Board, MountRepeatability, Pattern
from ..boards.points_file import read_board_points
from .schema import (
    Field,
    FileName,
    Flag,
    Number,
    Record,
    Text,
    Values,
    Whole,
    missing,
    placed_at,
    plain_record,
)
from .yaml_text import Node

MAX_SIDE = 1000  # points along one side; a fine board has 100

_ROUND = ("circles", "circles-staggered")
_OWNERS = {  # keys that belong to some patterns only
    "diameter_mm": _ROUND,
    "dictionary": ("charuco",),
    "marker_mm": ("charuco",),
    "legacy_layout": ("charuco",),
}
_MOUNT = plain_record(
    MountRepeatability,
    Field("position_mm", Number(least=0)),
    Field("angle_deg", Number(least=0)),
)


@cache
def board_record(inside: bool) -> Record:
    """Return the keys of ``board``; ``inside``: its points file may not leave the folder."""
    return Record(
        (
            Field("pattern", Text(get_args(Pattern))),
            Field("columns", Whole(2, MAX_SIDE)),
            Field("rows", Whole(2, MAX_SIDE)),
            Field("pitch_mm", Number(above=0)),
            Field("diameter_mm", Number(above=0), None),
            Field("dictionary", Text(), None),
            Field("marker_mm", Number(above=0), None),
            Field("legacy_layout", Flag(), False),
            Field("mount_repeatability", _MOUNT, None),
            Field("height_mm", Number(), None),
            Field("points_file", FileName(inside), None),
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
