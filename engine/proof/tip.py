"""What touching tells of the tool itself, and of frames: a pointer's tip, three points of a frame.

Tip: one fixed point is touched in several orientations. With flange poses [R_i | p_i] and the tip t
in the flange, R_i t + p_i = c + e_i; t and c by least squares (the closed form of pivot
calibration; from memory), covariance from the residuals, never smaller than the robot's own
repeatability explains. Few residuals tell their spread badly: u is stated wider, by Student's t
(GUM annex G). A touch is off where the others do not explain it (deleted residual, F with
3 and 3n − 9 degrees of freedom, Bonferroni over the touches; Baarda's idea, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..arrays import Array
from ..errors import StationbookError, UsageError
from ..frames import displacement, transform
from ..tails import f_sf, t_isf

LEAST_ORIENTATIONS = 4  # a fifth touch tells which one is off better; common practice
SIGNIFICANCE = 0.01  # [-] chance of naming a touch where none is off
# [-] least singular value of the design over the square root of the touches: 0.1 is reached by
# turning 15° to both sides about two axes; below it t and c trade against each other
LEAST_SPREAD = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Tip:
    """A pointer's (or gripper's) tip, found by touching one point.

    Attributes:
        tip_mm: (3,) in the flange frame.
        covariance: (3, 3) [mm²] of it, flange axes; stated wider where few touches tell the noise.
        fixed_mm: (3,) the point that was touched, base frame.
        touch_mm: standard uncertainty of one touch on each axis: bringing the tip there, and the
            arm; as wide as the covariance.
        off_mm: (n,) how far each touch is from the point.
        off: place of the touch that is off, from 0, or None; it is left out where enough are left.
        left_out: whether it was.
    """

    tip_mm: Array
    covariance: Array
    fixed_mm: Array
    touch_mm: float
    off_mm: Array
    off: int | None = None
    left_out: bool = False

    @property
    def pointer_covariance(self) -> Array:
        """Covariance (3, 3) [mm²] of a point touched with it: the tip's, and that of a touch."""
        return np.asarray(self.covariance + self.touch_mm**2 * np.eye(3))


def find_tip(flanges: Array, least_mm: float) -> Tip:
    """Return the tip for touches of one point with the flange at ``flanges`` (n, 4, 4) [mm].

    ``least_mm``: standard deviation of a stop on each axis that the robot itself explains. Raises
    UsageError for fewer than LEAST_ORIENTATIONS touches, StationbookError for orientations that
    are too much alike.
    """
    count = len(flanges)
    if count < LEAST_ORIENTATIONS:
        raise UsageError(
            f"{count} touches of the point are too few",
            f"Touch the same point in at least {LEAST_ORIENTATIONS} orientations, tilted by 30° "
            "and more about different axes.",
        )
    tip = _fitted(flanges, least_mm)
    off = _off(flanges)
    if off is None or count - 1 < LEAST_ORIENTATIONS:
        return Tip(*tip, _distances(flanges, tip), off)
    kept = np.delete(flanges, off, axis=0)
    again = _fitted(kept, least_mm)
    return Tip(*again, _distances(flanges, again), off, True)


_Fit = tuple[Array, Array, Array, float]


def _design(flanges: Array) -> tuple[Array, Array]:
    count = len(flanges)
    design = np.zeros((count, 3, 6))
    design[:, :, :3], design[:, :, 3:] = flanges[:, :3, :3], -np.eye(3)
    return design.reshape(-1, 6), -flanges[:, :3, 3].reshape(-1)


def _fitted(flanges: Array, least_mm: float) -> _Fit:
    design, wanted = _design(flanges)
    spread = np.linalg.svd(design, compute_uv=False)[-1] / np.sqrt(len(flanges))
    if spread < LEAST_SPREAD:
        raise StationbookError(
            "the orientations are too much alike to tell the tip",
            "Tilt the flange by 30° and more, about two different axes, and touch the point again.",
        )
    values = np.linalg.lstsq(design, wanted, rcond=None)[0]
    misfit = float(((design @ values - wanted) ** 2).sum())
    freedom = 3 * len(flanges) - 6
    wider = t_isf(0.025, freedom) / 2.0  # so that 2u holds 95 %
    touch = max(wider * float(np.sqrt(misfit / freedom)), least_mm)
    covariance = touch**2 * np.linalg.inv(design.T @ design)[:3, :3]
    t, c = np.asarray(values[:3], float), np.asarray(values[3:], float)
    return t, np.asarray(covariance, float), c, touch


def _distances(flanges: Array, fit: _Fit) -> Array:
    at = flanges[:, :3, :3] @ fit[0] + flanges[:, :3, 3]
    return np.asarray(np.linalg.norm(at - fit[2], axis=1))


def _off(flanges: Array) -> int | None:
    """Return the touch that the others do not explain, or None."""
    design, wanted = _design(flanges)
    count = len(flanges)
    freedom = 3 * count - 9
    inverse = np.linalg.inv(design.T @ design)
    residual = wanted - design @ (inverse @ (design.T @ wanted))
    total, chances = float(residual @ residual), []
    for k in range(count):
        rows = slice(3 * k, 3 * k + 3)
        left = np.eye(3) - design[rows] @ inverse @ design[rows].T
        own = float(residual[rows] @ np.linalg.solve(left, residual[rows]))
        rest = max(total - own, 1e-12)
        chances.append(f_sf(own / 3.0 / (rest / freedom), 3.0, float(freedom)))
    worst = int(np.argmin(chances))
    return worst if chances[worst] * count < SIGNIFICANCE else None


# ---- a frame through three points --------------------------------------------------------------

LEAST_SIDE_MM = 10.0  # mm; nearer points tell no direction: common practice, no source
LEAST_ANGLE_DEG = 10.0  # of the corner at the first point, from 0 and 180; the same


def frame_through(points: Array) -> Array:
    """Return base_T_frame (4, 4): origin at the first point, x through the second, y to the third.

    ``points`` (3, 3) [mm] as rows. Raises UsageError where they do not span a frame.
    """
    along, other = points[1] - points[0], points[2] - points[0]
    sides = np.linalg.norm([along, other], axis=1)
    if sides.min() < LEAST_SIDE_MM:
        raise UsageError(
            f"two of the points are {sides.min():.1f} mm apart",
            "Take points as far apart as the frame allows.",
        )
    cosine = float(along @ other / sides.prod())
    if abs(cosine) > np.cos(np.radians(LEAST_ANGLE_DEG)):
        raise UsageError("the three points lie on one line", "Take the third one to the side.")
    x = along / sides[0]
    z = np.cross(x, other)
    z /= np.linalg.norm(z)
    return transform(np.column_stack([x, np.cross(z, x), z]), points[0])


def frame_covariance(points: Array, covariance: Array) -> Array:
    """Return the covariance (6, 6) of the frame [rad, mm], base axes, to first order.

    ``covariance`` (9, 9) [mm²] of the three points together: errors that they share do not turn
    the frame.
    """
    frame, step = frame_through(points), 1e-4  # mm; far below any point's noise, far above rounding
    columns = []
    for k in range(9):
        moved = points.reshape(-1).copy()
        moved[k] += step
        columns.append(displacement(frame_through(moved.reshape(3, 3)), frame) / step)
    J = np.column_stack(columns)
    return np.asarray(J @ covariance @ J.T)
