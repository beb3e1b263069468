"""Touched points: proof.yaml, where the camera saw each and where the robot touched it."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np

from ..arrays import Array
from ..boards.pattern import symmetries
from ..cell.cell import Cell
from ..cell.mount import EYE_TO_HAND
from ..cell.session import FORMAT
from ..cell.stations import station_pose, typed_station
from ..cell.touched import Pointer
from ..errors import FileError, StationbookError, UsageError
from ..estimate.problem import (
    PIXEL_PX,
    RANDOM_PER_REPEATABILITY,
    REPEATABILITY_MM,
    Touched,
)
from ..estimate.systematic import systematic
from ..files import inside
from ..frames import apply
from ..sessions.results import FARTHEST_MM, POINTER
from ..sessions.schema import (
    MAX_ID,
    Field,
    FileName,
    Many,
    Number,
    Record,
    Time,
    Typed,
    Values,
    Whole,
    check_format,
    record_of,
)
from ..sessions.store import PROOF_FILE
from ..sessions.yaml_text import Node, read_yaml, yaml_dump
from .seen import SeenBoard, SeenPoint, seen_board, seen_mark

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
    joints: tuple[str, ...] | None = None  # as typed beside the pose: they show tool and frame
    pointer: Pointer | None = None  # what it was touched with; None: the one described now


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

    def with_pointer(self, pointer: Pointer) -> Touches:
        """Return a copy with another pointer described.

        A touch that fixes a number keeps the one that it was made with; all others are read anew.
        """
        kept = tuple(
            replace(touch, pointer=touch.pointer or self.pointer)
            if touch.role == "missing-number"
            else touch
            for touch in self.touches
        )
        return replace(self, pointer=pointer, touches=kept)

    def existing(self, touch_id: int) -> Touch:
        """Return the touch, or raise UsageError naming those that exist."""
        for touch in self.touches:
            if touch.id == touch_id:
                return touch
        listed = ", ".join(str(touch.id) for touch in self.touches) or "none yet"
        raise UsageError(f"there is no touch {touch_id}", f"Touches: {listed}.")

    def with_touch(self, touch: Touch) -> Touches:
        """Return a copy with one touch more, or with it in the place of the one of its id."""
        if all(item.id != touch.id for item in self.touches):
            return replace(self, touches=(*self.touches, touch))
        touches = tuple(touch if item.id == touch.id else item for item in self.touches)
        return replace(self, touches=touches)


def _touch(values: Values, node: Node) -> Touch:
    touch = Touch(**values)
    on_board = touch.view is not None and touch.point is not None
    if on_board == (touch.seen_mm is not None):
        raise node.fail(
            "a touch needs either view and point, or seen_mm",
            "Give the board point that was touched, or where the camera saw the mark.",
        )
    return touch


_ID, _TYPED = Whole(1, MAX_ID), Many(Typed())
VIEW = record_of(
    View, None, (), id=_ID, points=FileName(), image=FileName(), looked=_TYPED, taken=Time()
)
TOUCH = record_of(
    Touch,
    _touch,
    (),
    id=_ID,
    pose=_TYPED,
    view=_ID,
    point=Whole(0, MAX_ID),
    seen_mm=Many(Number(most=FARTHEST_MM), (3,)),
    looked=_TYPED,
    taken=Time(),
    joints=_TYPED,
    pointer=POINTER,
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
        Field("format", Whole(1, FORMAT), FORMAT, always=True),
        Field("pointer", POINTER, None),
        Field("views", Many(VIEW), ()),
        Field("touches", Many(TOUCH), ()),
    ),
    _touches,
)


def read_touches(folder: Path) -> Touches:
    """Return proof.yaml of a session folder, empty where there is none.

    Raises FileError naming file, line and key.
    """
    path = inside(folder, PROOF_FILE)
    if not os.path.exists(path):
        return Touches()
    root = read_yaml(path)
    check_format(root)
    return TOUCHES.read(root)


def touches_text(found: Touches) -> str:
    """Return the text of proof.yaml."""
    return yaml_dump(TOUCHES.write(found))


def no_pointer(folder: Path) -> FileError:
    """Return the complaint that the pointer is not described yet."""
    return FileError(
        folder / PROOF_FILE,
        "the pointer is not described",
        'Give its tip and u once: F3 on the screen, or --tip "0 0 150" --tip-u 0.1.',
    )


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """A point as the camera saw it and as the robot touched it.

    ``base_T_flange`` (4, 4) when touched; ``looked`` (4, 4) the flange when the camera looked
    (eye-in-hand only). ``point`` in words: touches of the same point are repeats.
    """

    touch: int
    point: str
    seen: SeenPoint
    base_T_flange: Array
    looked: Array | None


def touched_at(base_T_flange: Array, tip: Array) -> Array:
    """Return where the pointer's ``tip`` (3,) [mm, flange frame] is in the base, (3,)."""
    return np.asarray(apply(base_T_flange, tip[None])[0])


def flange_pose(cell: Cell, fields: Sequence[str], what: str, folder: Path) -> Array:
    """Return base_T_flange (4, 4) [mm] of typed texts: a pose, or joints where those are typed.

    Raises FileError naming ``what`` where they cannot be read.
    """
    try:
        pose = station_pose(cell, typed_station(cell.pendant, fields))
    except StationbookError as error:
        problem = f"{what}: {error.problem}"
        raise FileError(folder / PROOF_FILE, problem, error.remedy) from None
    if pose is None:
        raise FileError(folder / PROOF_FILE, f"{what}: the robot's joints are not described")
    return pose


def placed_touches(
    cell: Cell, found: Touches, group: Sequence[Touch], pixel_px: float, folder: Path
) -> list[list[Placed]]:
    """Return the touches of one view as numbers, once for each way the board may be turned."""
    view = found.view(group[0].view) if group else None
    board = None if view is None else seen_board(cell, folder, view.points)
    seen = [_seen(cell, board, touch, pixel_px, folder) for touch in group]
    ways = max((len(places) for places in seen), default=1)
    return [
        [
            _placed(cell, found, touch, places[min(way, len(places) - 1)], folder)
            for touch, places in zip(group, seen, strict=True)
        ]
        for way in range(ways)
    ]


def _placed(cell: Cell, found: Touches, touch: Touch, seen: SeenPoint, folder: Path) -> Placed:
    view = found.view(touch.view)
    point = f"view {touch.view or 0} point {touch.point or 0}"
    if touch.seen_mm is not None:
        point = " ".join(["mark", *(f"{value:.1f}" for value in touch.seen_mm)])
    looked = touch.looked if view is None else view.looked
    name = f"touch {touch.id}"
    if cell.mount != EYE_TO_HAND and looked is None:
        raise FileError(
            folder / PROOF_FILE,
            f"{name}: a camera on the flange needs the pose at its image",
            "Add `looked`, the pose typed when the image was taken.",
        )
    return Placed(
        touch=touch.id,
        point=point,
        seen=seen,
        base_T_flange=flange_pose(cell, touch.pose, name, folder),
        looked=None if looked is None else flange_pose(cell, looked, f"{name}: looked", folder),
    )


def _seen(
    cell: Cell, board: SeenBoard | None, touch: Touch, pixel_px: float, folder: Path
) -> list[SeenPoint]:
    """Return how the camera saw the touched point: once for each turn of the ``board``."""
    if touch.seen_mm is not None or board is None:
        return [seen_mark(cell, np.array(touch.seen_mm, float), pixel_px)]
    if touch.point is None or touch.point >= cell.board.count:
        raise FileError(
            folder / PROOF_FILE,
            f"touch {touch.id}: point {touch.point} does not exist",
            f"The board has points 0 to {cell.board.count - 1}.",
        )
    turns = symmetries(cell.board)
    ids = [touch.point, *(int(turn.permutation[touch.point]) for turn in turns)]
    return board.seen(ids, pixel_px)


def missing_numbers(cell: Cell, folder: Path) -> tuple[Touched, ...]:
    """Return the touches that fix what a four-axis robot cannot show, for `Problem.touched`.

    Point ids are taken as the detector numbered them, and as they are on the board turned where it
    looks the same: `estimate.numbers.settled` takes what the stations agree with. Raises FileError.
    """
    found = read_touches(folder)
    touches = found.of_role("missing-number")
    if not touches:
        return ()
    if found.pointer is None:
        raise no_pointer(folder)
    count, numbers = len(touches), []
    for touch in touches:
        pointer = touch.pointer or found.pointer
        ways = placed_touches(cell, found, [touch], PIXEL_PX, folder)
        first, *turned = (touched_number(cell, way[0], pointer, count) for way in ways)
        numbers.append(replace(first, turned=tuple(turned)))
    return tuple(numbers)


def touched_number(cell: Cell, placed: Placed, pointer: Pointer, count: int = 1) -> Touched:
    """Return one of ``count`` touches that fix a number; more of them do not make u smaller.

    For the pointer's tip and the arm where it touched (and where it looked) are off alike in each.
    """
    robot = REPEATABILITY_MM if cell.robot is None else cell.robot.repeatability
    stops = 1 if placed.looked is None else 2
    variance = pointer.u_mm**2 + placed.seen.variance / 3.0
    variance += (RANDOM_PER_REPEATABILITY * robot) ** 2
    variance += stops * systematic(cell.robot, cell.robot_accuracy_mm).accuracy_mm ** 2 / 3.0
    return Touched(
        p_camera=placed.seen.place,
        p_base=touched_at(placed.base_T_flange, np.array(pointer.tip_mm)),
        base_T_flange=placed.looked,
        u_mm=float(np.sqrt(count * variance)),
        by_terms=placed.seen.true_rows,
    )
