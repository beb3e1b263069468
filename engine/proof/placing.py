"""From proof.yaml to numbers: where the camera saw each touched point, and where the flange was."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from ..boards.points_file import read_points
from ..boards.symmetry import symmetries
from ..errors import FileError, StationbookError
from ..estimate.noise import PIXEL_PX, RANDOM_PER_REPEATABILITY, REPEATABILITY_MM
from ..estimate.problem import Touched
from ..frames import Array
from ..pendant.conventions import JOINTS
from ..sessions.cell import EYE_TO_HAND, Cell
from ..sessions.places import PROOF_FILE
from ..sessions.poses import station_pose
from ..sessions.session import Station
from .stated import Stated
from .touch import Placed, PointError, point_error, seen_place, seen_point, touched_at
from .touch_file import Pointer, Touch, Touches, no_pointer, read_touches


def flange_pose(cell: Cell, fields: Sequence[str], what: str, folder: Path) -> Array:
    """Return base_T_flange (4, 4) [mm] of typed texts: a pose, or joints where those are typed.

    Raises FileError naming ``what`` where they cannot be read.
    """
    joints = cell.pendant.rotation == JOINTS
    texts = tuple(fields)
    station = Station(0, pose=None if joints else texts, joints=texts if joints else None)
    try:
        pose = station_pose(cell, station)
    except StationbookError as error:
        problem = f"{what}: {error.problem}"
        raise FileError(folder / PROOF_FILE, problem, error.remedy) from None
    if pose is None:
        raise FileError(folder / PROOF_FILE, f"{what}: the robot's joints are not described")
    return pose


def point_errors(
    cell: Cell, found: Touches, pointer: Pointer, result: Stated, folder: Path
) -> tuple[PointError, ...]:
    """Return the error of every touch that serves as proof, in the order touched.

    Where the board looks the same turned, each view takes the turn under which its touches agree
    best: the wrong ones are off by the size of the board. Raises FileError.
    """
    errors: list[PointError] = []
    touches = found.of_role("proof")
    for view in dict.fromkeys(touch.view for touch in touches):
        group = [touch for touch in touches if touch.view == view]
        choices = [
            [_error(cell, placed, pointer, result) for placed in alternative]
            for alternative in placed_touches(cell, found, group, result.pixel_px, folder)
        ]
        errors += min(choices, key=lambda items: sum(item.size_mm**2 for item in items))
    return tuple(sorted(errors, key=lambda item: item.touch))


def _error(cell: Cell, placed: Placed, pointer: Pointer, result: Stated) -> PointError:
    tip = np.array(pointer.tip_mm)
    return point_error(placed, result, cell.mount, tip, pointer.u_mm)


def placed_touches(
    cell: Cell, found: Touches, group: Sequence[Touch], pixel_px: float, folder: Path
) -> list[list[Placed]]:
    """Return the touches of one view as numbers, once for each way the board may be turned."""
    seen = [_seen(cell, found, touch, pixel_px, folder) for touch in group]
    ways = max((len(places) for places in seen), default=1)
    return [
        [
            _placed(cell, found, touch, *places[min(way, len(places) - 1)], folder)
            for touch, places in zip(group, seen, strict=True)
        ]
        for way in range(ways)
    ]


def _placed(
    cell: Cell, found: Touches, touch: Touch, p_camera: Array, variance: float, folder: Path
) -> Placed:
    view = found.view(touch.view)
    key: tuple[int | str, ...] = (
        ("mark", *(f"{value:.1f}" for value in touch.seen_mm))
        if touch.seen_mm is not None
        else ("view", int(touch.view or 0), "point", int(touch.point or 0))
    )
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
        key=key,
        p_camera=p_camera,
        camera_variance=variance,
        base_T_flange=flange_pose(cell, touch.pose, name, folder),
        looked=None if looked is None else flange_pose(cell, looked, f"{name}: looked", folder),
    )


def _seen(
    cell: Cell, found: Touches, touch: Touch, pixel_px: float, folder: Path
) -> list[tuple[Array, float]]:
    """Return where the camera saw the touched point (3,), with its variance: once for each turn."""
    view = found.view(touch.view)
    if touch.seen_mm is not None or view is None:
        return [(np.array(touch.seen_mm, float), 0.0)]
    if touch.point is None or touch.point >= cell.board.count:
        raise FileError(
            folder / PROOF_FILE,
            f"touch {touch.id}: point {touch.point} does not exist",
            f"The board has points 0 to {cell.board.count - 1}.",
        )
    pose, unit = seen_place(cell, *read_points(folder / view.points, cell.board))
    points = cell.board.points()
    ids = [touch.point, *(int(turn.permutation[touch.point]) for turn in symmetries(cell.board))]
    return [seen_point(pose, pixel_px**2 * unit, points[k]) for k in ids]


def missing_numbers(cell: Cell, folder: Path) -> tuple[Touched, ...]:
    """Return the touches that fix what a four-axis robot cannot show, for `Problem.touched`.

    Point ids are taken as the detector numbered them. Raises FileError.
    """
    found = read_touches(folder)
    touches = found.of_role("missing-number")
    if not touches:
        return ()
    if found.pointer is None:
        raise no_pointer(folder)
    pointer, tip = found.pointer, np.array(found.pointer.tip_mm)
    robot = REPEATABILITY_MM if cell.robot is None else cell.robot.repeatability
    numbers = []
    for touch in touches:
        (placed,) = placed_touches(cell, found, [touch], PIXEL_PX, folder)[0]
        variance = pointer.u_mm**2 + placed.camera_variance / 3.0
        variance += (RANDOM_PER_REPEATABILITY * robot) ** 2
        numbers.append(
            Touched(
                p_camera=placed.p_camera,
                p_base=touched_at(placed.base_T_flange, tip),
                base_T_flange=placed.looked,
                u_mm=float(np.sqrt(variance)),
            )
        )
    return tuple(numbers)
