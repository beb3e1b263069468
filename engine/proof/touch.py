"""What touching points says about a result: error of each point, and whether it is proven.

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

import numpy as np
from numpy.typing import NDArray

from ..camera.lens import lens
from ..camera.pnp import board_pose
from ..camera.reprojection import Views, linearised
from ..errors import StationbookError
from ..estimate.model import point_rows
from ..frames import Array, apply
from ..sessions.cell import EYE_TO_HAND, Cell, Mount
from .stated import Stated


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
