"""proof.yaml: the pointer, the images of the board that lies in the cell, and what was touched."""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from ..cell.session import FORMAT
from ..errors import FileError
from ..sessions.result_parts import Pointer
from ..sessions.schema import (
    MAX_ID,
    Field,
    FileName,
    Flag,
    Many,
    Number,
    Record,
    Text,
    Time,
    Typed,
    Values,
    Whole,
    check_format,
    plain_record,
)
from ..sessions.store import PROOF_FILE
from ..sessions.stored_result import POINTER
from ..sessions.yaml_text import Node, read_yaml, yaml_dump

Role = Literal["proof", "missing-number"]


@dataclass(frozen=True, slots=True)
class View:
    """One image of the board lying in the cell; ``looked`` the typed pose (eye-in-hand only)."""

    id: int
    points: str
    image: str | None = None
    looked: tuple[str, ...] | None = None
    taken: str | None = None


@dataclass(frozen=True, slots=True)
class Touch:
    """One touch: the pose as typed, and what was touched.

    Either point ``point`` of the board in view ``view``, or a mark that the camera's own program
    saw at ``seen_mm`` (camera frame; eye-in-hand: with the pose ``looked``). ``role``
    "missing-number": it fixes what a four-axis robot cannot show, and proves nothing.
    """

    id: int
    pose: tuple[str, ...]
    view: int | None = None
    point: int | None = None
    seen_mm: tuple[float, float, float] | None = None
    looked: tuple[str, ...] | None = None
    role: Role = "proof"
    use: bool = True
    operator: str | None = None
    taken: str | None = None


@dataclass(frozen=True, slots=True)
class Touches:
    """Everything in proof.yaml."""

    pointer: Pointer | None = None
    views: tuple[View, ...] = ()
    touches: tuple[Touch, ...] = ()

    def view(self, view_id: int | None) -> View | None:
        """Return the view with this id, or None."""
        return next((view for view in self.views if view.id == view_id), None)

    def of_role(self, role: Role) -> tuple[Touch, ...]:
        """Return the touches in use that serve ``role``."""
        return tuple(touch for touch in self.touches if touch.use and touch.role == role)

    def with_touch(self, touch: Touch) -> Touches:
        """Return a copy with one touch more."""
        return replace(self, touches=(*self.touches, touch))


def _touch(values: Values, node: Node) -> Touch:
    touch = Touch(**values)
    on_board = touch.view is not None and touch.point is not None
    if on_board == (touch.seen_mm is not None):
        raise node.fail(
            "a touch needs either view and point, or seen_mm",
            "Give the board point that was touched, or where the camera saw the mark.",
        )
    return touch


VIEW = plain_record(
    View,
    Field("id", Whole(1, MAX_ID)),
    Field("points", FileName()),
    Field("image", FileName(), None),
    Field("looked", Many(Typed()), None),
    Field("taken", Time(), None),
)
TOUCH = Record(
    (
        Field("id", Whole(1, MAX_ID)),
        Field("pose", Many(Typed())),
        Field("view", Whole(1, MAX_ID), None),
        Field("point", Whole(0, MAX_ID), None),
        Field("seen_mm", Many(Number(), (3,)), None),
        Field("looked", Many(Typed()), None),
        Field("role", Text(("proof", "missing-number")), "proof"),
        Field("use", Flag(), True),
        Field("operator", Text(), None),
        Field("taken", Time(), None),
    ),
    _touch,
)


def _touches(values: Values, node: Node) -> Touches:
    del values["format"]
    found = Touches(**values)
    for key, ids in (
        ("views", [view.id for view in found.views]),
        ("touches", [touch.id for touch in found.touches]),
    ):
        if len(set(ids)) != len(ids):
            raise node.at(key).fail("an id stands here twice", "Every entry has its own id.")
    for touch in found.touches:
        if touch.view is not None and found.view(touch.view) is None:
            raise node.at("touches").fail(f"touch {touch.id}: there is no view {touch.view}")
    return found


TOUCHES = Record(
    (
        Field("format", Whole(1, FORMAT)),
        Field("pointer", POINTER, None),
        Field("views", Many(VIEW), ()),
        Field("touches", Many(TOUCH), ()),
    ),
    _touches,
    lambda found: {
        "format": FORMAT,
        "pointer": found.pointer,
        "views": found.views,
        "touches": found.touches,
    },
)


def read_touches(folder: Path) -> Touches:
    """Return proof.yaml of a session folder, empty where there is none.

    Raises FileError naming file, line and key.
    """
    path = folder / PROOF_FILE
    if not os.path.exists(path):
        return Touches()
    root = read_yaml(path)
    check_format(root)
    found: Touches = TOUCHES.read(root)
    return found


def touches_text(found: Touches) -> str:
    """Return the text of proof.yaml."""
    return yaml_dump(TOUCHES.write(found))


def no_pointer(folder: Path) -> FileError:
    """Return the complaint that the pointer is not described yet."""
    return FileError(
        folder / PROOF_FILE,
        "the pointer is not described",
        'Give its tip and u once: --tip "0 0 150" --tip-u 0.1.',
    )
