"""What touching points says about a result: error of each point, and where it was seen.

The camera says where a point is (p_camera, carried into the base by the delivered transform), the
robot says where its pointer's tip touched it. Their difference is what a pick would be off there.
Its uncertainty joins the result's own covariance, the image, the pointer, the robot's noise at the
stops and its systematic error; U = 2u (GUM). Positioning accuracy and repeatability are in the
forms of ISO 9283:1998 (from memory): accuracy is the distance of the barycentre of repeated touches
from where they should be, repeatability RP = mean + 3 S of their distances from the barycentre.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..boards.pattern import symmetries
from ..boards.points_file import read_points
from ..camera.lens import lens
from ..camera.views import Views, board_pose, linearised
from ..cell.cell import EYE_TO_HAND, Cell, Mount
from ..cell.stations import station_pose, typed_station
from ..errors import FileError, StationbookError
from ..estimate.model import PIXEL_PX, RANDOM_PER_REPEATABILITY, REPEATABILITY_MM, point_rows
from ..estimate.problem import Touched
from ..frames import apply
from ..sessions.result_parts import Pointer
from ..sessions.store import PROOF_FILE
from .stated import Stated
from .touch_file import Touch, Touches, no_pointer, read_touches


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """A point as the camera saw it and as the robot touched it.

    ``p_camera`` (3,) [mm] with the variance ``camera_variance`` [mm²] (trace of its covariance);
    ``base_T_flange`` (4, 4) when touched; ``looked`` (4, 4) the flange when the camera looked
    (eye-in-hand only). ``key`` names the point: touches with the same key are repeats.
    """

    touch: int
    key: tuple[int | str, ...]
    p_camera: Array
    camera_variance: float
    base_T_flange: Array
    looked: Array | None


@dataclass(frozen=True, slots=True, eq=False)
class PointError:
    """One touch compared: ``error`` (3,) [mm], camera minus robot, base axes, and U of its length.

    ``p_base`` (3,) where it was touched, ``p_camera`` (3,) where it was seen; ``agrees``: the
    error lies within U.
    """

    touch: int
    key: tuple[int | str, ...]
    p_base: Array
    p_camera: Array
    error: Array
    expanded_mm: float

    @property
    def size_mm(self) -> float:
        """Length of the error [mm]."""
        return float(np.linalg.norm(self.error))

    @property
    def agrees(self) -> bool:
        """Whether the error lies within its expanded uncertainty."""
        return self.size_mm <= self.expanded_mm


@dataclass(frozen=True, slots=True)
class Repeated:
    """Repeated touches of one point in the forms of ISO 9283: count, accuracy and RP [mm]."""

    key: tuple[int | str, ...]
    count: int
    accuracy_mm: float
    repeatability_mm: float


def touched_at(base_T_flange: Array, tip: Array) -> Array:
    """Return where the pointer's ``tip`` (3,) [mm, flange frame] is in the base, (3,)."""
    return np.asarray(apply(base_T_flange, tip[None])[0])


def seen_place(cell: Cell, ids: NDArray[np.int64], pixels: Array) -> tuple[Array, Array]:
    """Return camera_T_board (4, 4) of one view and its covariance (6, 6) for pixels of unit noise.

    Of the two poses of a flat board the one that fits better is taken. Raises StationbookError.
    """
    data, points = lens(cell.camera), cell.board.points()[ids]
    found = board_pose(points, pixels, data)
    if not found:
        raise StationbookError("the image gives no pose of the board", "Take it less steep.")
    pose = found[0][0]
    views = Views(points[None], np.asarray(pixels, float)[None], np.ones((1, len(points))))
    return pose, np.linalg.inv(linearised(views, pose[None], data).information[0])


def seen_point(camera_T_board: Array, covariance: Array, point: Array) -> tuple[Array, float]:
    """Return a board point (3,) [mm] in the camera frame, and its variance [mm²] (the trace)."""
    rows = point_rows(camera_T_board, point[None])[0]
    return apply(camera_T_board, point[None])[0], float(np.trace(rows @ covariance @ rows.T))


def point_error(
    placed: Placed, result: Stated, mount: Mount, tip: Array, tip_u_mm: float
) -> PointError:
    """Return how far camera and robot disagree about one touched point."""
    p_base = touched_at(placed.base_T_flange, tip)
    looked = np.eye(4) if mount == EYE_TO_HAND or placed.looked is None else placed.looked
    base_T_camera = looked @ result.camera
    error = apply(base_T_camera, placed.p_camera[None])[0] - p_base
    return PointError(
        touch=placed.touch,
        key=placed.key,
        p_base=p_base,
        p_camera=placed.p_camera,
        error=error,
        expanded_mm=2.0 * float(np.sqrt(_variance(placed, result, mount, tip, tip_u_mm))),
    )


def _variance(placed: Placed, result: Stated, mount: Mount, tip: Array, tip_u_mm: float) -> float:
    """Return the variance [mm²] of one error: the trace of its covariance."""
    rows = point_rows(result.camera, placed.p_camera[None])[0]
    total = float(np.trace(rows @ result.covariance @ rows.T)) + placed.camera_variance
    total += 3.0 * tip_u_mm**2 + result.systematic_mm**2 + _stop(result, tip)
    if mount != EYE_TO_HAND:
        total += _stop(result, apply(result.camera, placed.p_camera[None])[0])
    return total


def _stop(result: Stated, lever: Array) -> float:
    """Return the variance [mm²] that one stop's robot noise gives a point ``lever`` away (3,)."""
    return 3.0 * result.robot_mm**2 + 2.0 * result.robot_rad**2 * float(lever @ lever)


def repeated(errors: Sequence[PointError]) -> tuple[Repeated, ...]:
    """Return accuracy and repeatability of every point that was touched twice or more."""
    found = []
    for key in dict.fromkeys(item.key for item in errors):
        group = np.array([item.error for item in errors if item.key == key])
        if len(group) < 2:
            continue
        centre = group.mean(axis=0)
        off = np.linalg.norm(group - centre, axis=1)
        spread = float(off.mean() + 3.0 * off.std(ddof=1))
        found.append(Repeated(key, len(group), float(np.linalg.norm(centre)), spread))
    return tuple(found)


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
