"""How far camera and robot disagree about touched points, each of them and all in common.

The camera says where a point is (p_camera, carried into the base by the delivered transform), the
robot says where its pointer's tip touched it. Their difference is what a pick would be off there.
Its uncertainty has parts: what the result claims (its covariance and the robot's systematic error,
shared by all touches), where the point was seen (what lens and board are off, as far as the result
knows them: also shared), what is new at every touch (the image, the robot's noise at the stops),
and the pointer. U = 2u (GUM).

Positioning accuracy and repeatability are in the forms of ISO 9283:1998 (text not at hand):
accuracy is the distance of the barycentre of repeated touches from where they should be,
repeatability RP = mean + 3 S of their distances from the barycentre.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..arrays import Array
from ..boards.pattern import symmetries
from ..cell.cell import Cell
from ..cell.mount import EYE_TO_HAND, Mount
from ..cell.rule import Tolerance, chance_beyond, conforms
from ..cell.touched import Pointer, RepeatedPoint
from ..estimate.noticed import LEAST_TOUCHES
from ..frames import AXES, apply, point_rows
from ..tails import chi2_isf, chi2_sf, t_isf
from .seen import seen_board
from .stated import Stated
from .touch import (
    Placed,
    Touch,
    Touches,
    flange_pose,
    placed_touches,
    touched_at,
)

TINY = 1e-12  # [-] instead of dividing by 0: touches that are off by nothing
SIGNIFICANCE = 0.01  # [-] chance of a false word about all touches, or all stations, together


@dataclass(frozen=True, slots=True, eq=False)
class Spread:
    """Covariances (3, 3) [mm²] of one error, base axes.

    ``pick``: what the result claims of a pick, itself and the robot; ``seen``: where the point was
    seen, from what lens and board are off; ``cross`` of the two, which the same stations tell. All
    touches share these. ``own`` is new at each touch, ``pointer`` is that of its tip.
    """

    pick: Array
    seen: Array
    cross: Array
    own: Array
    pointer: Array

    @property
    def shared(self) -> Array:
        """What all touches share, but for the pointer."""
        return self.pick + self.cross + self.cross.T + self.seen

    @property
    def noise(self) -> Array:
        """The touch as a measurement of how far a pick is off."""
        return self.seen + self.own + self.pointer

    @property
    def expanded_mm(self) -> float:
        """U of everything together [mm]."""
        return _expanded(self.whole)

    @property
    def claimed_mm(self) -> float:
        """U that a perfect pointer would leave [mm]."""
        return _expanded(self.shared + self.own)

    @property
    def seen_mm(self) -> float:
        """U of where the point was seen, from what lens and board are off [mm]."""
        return _expanded(self.seen)

    @property
    def whole(self) -> Array:
        """Covariance of the error that the touch shows."""
        return self.shared + self.own + self.pointer

    @property
    def measured_mm(self) -> float:
        """U of the touch as a measurement of how far a pick is off [mm]."""
        return _expanded(self.noise)


def _expanded(covariance: Array) -> float:
    return 2.0 * float(np.sqrt(np.trace(covariance)))


@dataclass(frozen=True, slots=True, eq=False)
class PointError:
    """One touch compared: ``error`` (3,) [mm], camera minus robot, base axes, and its spread.

    ``p_base`` (3,) where it was touched, ``p_camera`` (3,) where it was seen, camera frame.
    """

    touch: int
    point: str
    p_base: Array
    p_camera: Array
    error: Array
    spread: Spread

    @property
    def size_mm(self) -> float:
        """Length of the error [mm]."""
        return float(np.linalg.norm(self.error))

    @property
    def expanded_mm(self) -> float:
        """U of the error [mm]."""
        return self.spread.expanded_mm

    @property
    def agrees(self) -> bool:
        """Whether the error lies within its expanded uncertainty."""
        return self.size_mm <= self.expanded_mm

    @property
    def chance(self) -> float:
        """The chance [-] of an error as large as this one where all is well.

        Its square goes like chi-squared with so many degrees of freedom as its directions share in
        it: from one to three (Satterthwaite 1946).
        """
        C = self.spread.whole
        size, squares = max(float(np.trace(C)), TINY), max(float((C * C).sum()), TINY**2)
        return chi2_sf(self.size_mm**2 * size / squares, size**2 / squares)

    def conforms(self, tolerance: Tolerance) -> bool:
        """Whether the pick is within the tolerance there, by its rule."""
        measured, limit = self.spread.measured_mm, tolerance.position_mm
        return conforms(self.size_mm, measured, limit, tolerance.rule)

    def chance_beyond(self, limit_mm: float) -> float:
        """Return the chance [-] that the pick is beyond the limit there."""
        return chance_beyond(self.size_mm, self.spread.measured_mm / 2.0, limit_mm)

    def chance_within(self, limit_mm: float) -> float:
        """Return the chance [-] that the pick is within the limit there.

        What is measured is longer than the error itself: the squares of both kinds of error add up.
        Where the touch agrees with what the result claims, that claim is known beforehand, and a
        weak pointer adds little to it (JCGM 106, 7).
        """
        if self.agrees:
            spread = self.spread
            told = spread.pick + spread.cross
            gain = told @ np.linalg.inv(spread.whole)
            left = spread.pick - gain @ told.T
            mean, u = float(np.linalg.norm(gain @ self.error)), float(np.sqrt(np.trace(left)))
            return 1.0 - chance_beyond(mean, u, limit_mm)
        u = self.spread.measured_mm / 2.0
        size = float(np.sqrt(max(self.size_mm**2 - u**2, 0.0)))
        return 1.0 - chance_beyond(size, u, limit_mm)


def point_error(placed: Placed, result: Stated, mount: Mount, pointer: Pointer) -> PointError:
    """Return how far camera and robot disagree about one touched point.

    It was seen where a part there would be located, by what the result knows of lens and board.
    """
    tip = np.array(pointer.tip_mm)
    p_camera = placed.seen.located(result.off)
    p_base = touched_at(placed.base_T_flange, tip)
    looked = np.eye(4) if mount == EYE_TO_HAND or placed.looked is None else placed.looked
    base_T_camera = looked @ result.camera
    error = apply(base_T_camera, p_camera[None])[0] - p_base
    return PointError(
        touch=placed.touch,
        point=placed.point,
        p_base=p_base,
        p_camera=p_camera,
        error=error,
        spread=_spread(placed, p_camera, result, mount, pointer, looked[:3, :3]),
    )


def _spread(
    placed: Placed,
    p_camera: Array,
    result: Stated,
    mount: Mount,
    pointer: Pointer,
    turned: Array,
) -> Spread:
    """Return the covariances of one error; ``turned`` (3, 3) from the transform's axes to base."""
    rows = turned @ point_rows(result.camera, p_camera[None])[0]
    moves = turned @ result.camera[:3, :3] @ placed.seen.located_rows
    with_camera, with_each_other = np.split(result.wider**2 * moves @ result.off_covariance, [6], 1)
    pick = result.wider**2 * rows @ result.covariance @ rows.T
    own = placed.seen.variance / 3.0 * np.eye(3)
    own = own + _stop(result, placed.base_T_flange[:3, :3] @ np.array(pointer.tip_mm))
    if mount != EYE_TO_HAND:
        own = own + _stop(result, turned @ apply(result.camera, p_camera[None])[0])
    return Spread(
        pick=pick + result.systematic_mm**2 / 3.0 * np.eye(3),
        seen=with_each_other @ moves.T,
        cross=rows @ with_camera.T,
        own=own,
        pointer=pointer_covariance(pointer, placed.base_T_flange[:3, :3]),
    )


def pointer_covariance(pointer: Pointer, turned: Array) -> Array:
    """Return the covariance (3, 3) [mm²] of a touched point, base axes; ``turned``: the flange."""
    if pointer.covariance_mm2 is None:
        return pointer.u_mm**2 * np.eye(3)
    return np.asarray(turned @ np.array(pointer.covariance_mm2, float) @ turned.T)


def _stop(result: Stated, lever: Array) -> Array:
    """Return what one stop's robot noise gives a point ``lever`` (3,) [mm] away, (3, 3) [mm²]."""
    turns = float(lever @ lever) * np.eye(3) - np.outer(lever, lever)
    return result.robot_mm**2 * np.eye(3) + result.robot_rad**2 * turns


def repeated(errors: Sequence[PointError]) -> tuple[RepeatedPoint, ...]:
    """Return accuracy and repeatability of every point that was touched twice or more."""
    found = []
    for point in dict.fromkeys(item.point for item in errors):
        group = np.array([item.error for item in errors if item.point == point])
        if len(group) < 2:
            continue
        centre = group.mean(axis=0)
        off = np.linalg.norm(group - centre, axis=1)
        spread = float(off.mean() + 3.0 * off.std(ddof=1))
        found.append(RepeatedPoint(point, len(group), float(np.linalg.norm(centre)), spread))
    return tuple(found)


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
            [point_error(placed, result, cell.mount, pointer) for placed in alternative]
            for alternative in placed_touches(cell, found, group, result.pixel_px, folder)
        ]
        errors += min(choices, key=lambda items: sum(item.size_mm**2 for item in items))
    return tuple(sorted(errors, key=lambda item: item.touch))


def point_beside(
    cell: Cell, found: Touches, touch: Touch, error: PointError, result: Stated, folder: Path
) -> int | None:
    """Return another point of the board that lies, within U, where this touch was; None without.

    None too for a board that looks the same turned: its points have no number of their own.
    """
    view = found.view(touch.view)
    if view is None or symmetries(cell.board):
        return None
    looked = np.eye(4)
    if cell.mount != EYE_TO_HAND and view.looked is not None:
        looked = flange_pose(cell, view.looked, f"view {view.id}: looked", folder)
    seen = seen_board(cell, folder, view.points).seen(range(cell.board.count), result.pixel_px)
    places = np.array([one.located(result.off) for one in seen])
    off = apply(looked @ result.camera, places) - error.p_base
    distances = np.linalg.norm(off, axis=1)
    nearest = int(distances.argmin())
    within = float(distances[nearest]) <= error.expanded_mm
    return nearest if within and nearest != touch.point else None


@dataclass(frozen=True, slots=True, eq=False)
class Bias:
    """What all touches have in common: the mean error (3,) [mm], camera minus robot, base axes.

    ``count`` different points. ``t`` (3,) the mean over what the scatter of the points explains,
    None for too few of them; ``expanded_mm`` U of the mean in its own direction. ``refutes``: it is
    larger than all parts of the uncertainty together explain; ``hidden``: only the pointer's part
    explains it.
    """

    mean: Array
    count: int
    t: Array | None
    expanded_mm: float
    refutes: bool
    hidden: bool

    @property
    def shared(self) -> bool:
        """Whether the points are off alike, more than their scatter explains."""
        if self.t is None:
            return False
        return bool(np.abs(self.t).max() > t_isf(SIGNIFICANCE / 6.0, self.count - 1))

    def words(self) -> str:
        """Return "0.34 mm, base Z −0.34 mm": the size, and the parts that are there."""
        size = float(np.linalg.norm(self.mean))
        parts = [
            f"base {axis} {v:+.2f} mm".replace("-", "−")
            for axis, v in zip(AXES, self.mean, strict=True)
            if abs(v) >= 0.3 * size
        ]
        return ", ".join([f"{size:.2f} mm", *parts])


def bias(errors: Sequence[PointError]) -> Bias | None:
    """Return what all touches have in common; None without any. Repeats count as one point.

    The mean is tested against the covariance of all its parts (chi-squared), and along each axis
    against the scatter of the points (Student's t), all at `SIGNIFICANCE`.
    """
    names = list(dict.fromkeys(item.point for item in errors))
    if not names:
        return None
    groups = [[item for item in errors if item.point == name] for name in names]
    each = np.array([np.mean([item.error for item in group], axis=0) for group in groups])
    mean, count = each.mean(axis=0), len(each)
    spreads = [group[0].spread for group in groups]
    claimed = np.mean([s.shared for s in spreads], axis=0)
    claimed = claimed + np.sum([s.own for s in spreads], axis=0) / count**2
    whole = claimed + spreads[0].pointer  # its tip is off the same way at every touch
    limit = chi2_isf(SIGNIFICANCE, 3)
    squares = [float(mean @ np.linalg.solve(C, mean)) for C in (whole, claimed)]
    beyond = [square > limit for square in squares]
    expanded = 2.0 * float(np.linalg.norm(mean) / np.sqrt(max(squares[0], TINY)))
    t = None
    if count >= LEAST_TOUCHES:
        scatter = np.maximum(each.std(axis=0, ddof=1), 1e-6)  # mm; no touches agree better
        t = mean / scatter * np.sqrt(count)
    return Bias(mean, count, t, expanded, beyond[0], beyond[1] and not beyond[0])
