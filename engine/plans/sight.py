"""Whether a camera would see the whole board well, and views worth considering."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..boards.pattern import Board
from ..camera.lens import Lens, lens, project, undistort
from ..camera.model import Camera
from ..errors import UsageError
from ..frames import apply, rotation_exp, transform
from .types import Spiral

EDGE_PX = 12.0  # px; nearer to the border detectors miss the outermost squares, common practice
# [-] spacings beyond the outermost points that must be seen: rendered boards are found whole from
# 0.4 on; a charuco corner needs the markers around it, so the whole outer squares.
RIM = {"chessboard": 0.6, "circles": 0.6, "circles-staggered": 0.6, "charuco": 1.0}
JOG_MM = 5.0  # mm; a jog by hand ends about this near, common practice, no source
MOST_TILT_DEG = 45.0  # deg; rendered boards are found up to 60°: room for the jog and for doubt
LEAST_SPACING_PX = 8.0  # px between neighbouring points; below it corners blur into each other
# Without a known focus range: the lens is sharp where the first station was taken, and about so
# much nearer and farther. Common practice, no source.
NEAR, FAR = 0.75, 1.35
NEARBY = 64  # views tried about each one chosen; twice as many lower u by 0.5 % more (simulation)
BEYOND = 1.05  # [-] radius over the image corner's up to which the lens model is trusted
BEHIND_MM = 1.0  # mm; points nearer to the lens than this are not projected


@dataclass(frozen=True, slots=True, eq=False)
class Sight:
    """One camera and one board: what `in_view` needs to know.

    ``corners`` (4, 3) and ``centre`` (3,) [mm] of the board with a free rim, board frame;
    ``near_mm`` and ``far_mm`` limit the distance of the centre along the camera's axis;
    ``radius`` is the largest normalised radius that the lens data describe.
    """

    lens: Lens
    size_px: Array
    corners: Array
    centre: Array
    near_mm: float
    far_mm: float
    radius: float

    def distance_mm(self, views: Array) -> Array:
        """Return the depth (n,) [mm] of the board's centre for camera_T_board (n, 4, 4)."""
        return np.asarray(apply(views, self.centre[None])[:, 0, 2])

    def tilt(self, views: Array) -> Array:
        """Return the angle (n,) [rad] between the board's normal and the line of sight."""
        line = apply(views, self.centre[None])[:, 0]
        line = line / np.linalg.norm(line, axis=1, keepdims=True)
        cosine = (line * views[:, :3, 2]).sum(axis=1)
        return np.asarray(np.arccos(np.clip(cosine, -1.0, 1.0)))

    def at_centre(self, views: Array) -> Array:
        """Return where in the image the board's centre lies (n, 2): −1 to 1 from side to side."""
        pixels = project(apply(views, self.centre[None])[:, 0], self.lens)
        return np.asarray((pixels + 0.5) / self.size_px * 2.0 - 1.0)


def sight(camera: Camera, board: Board, first_distance_mm: float | None) -> Sight:
    """Return the sight of ``board`` by ``camera``; the distances follow from the first station.

    Where the camera gives a focus range, that decides; without either, only the size of the board
    in the image does.
    """
    data, size = lens(camera), np.asarray(camera.image_size_px, float)
    points, rim = board.points(), RIM[board.pattern] * board.spacing_mm
    low, high = points.min(axis=0), points.max(axis=0)
    x0, y0, x1, y1 = low[0] - rim, low[1] - rim, high[0] + rim, high[1] + rim
    corners = np.array([[x0, y0, 0.0], [x1, y0, 0.0], [x1, y1, 0.0], [x0, y1, 0.0]])
    ends = undistort(np.array([[0, 0], [size[0], 0], [0, size[1]], size]) - 0.5, data)
    farthest = float(data.K[0, 0]) * board.spacing_mm / LEAST_SPACING_PX
    if camera.focus_range_mm is not None:
        near, far = camera.focus_range_mm
    elif first_distance_mm is not None:
        near, far = NEAR * first_distance_mm, FAR * first_distance_mm
    else:
        near, far = 0.0, farthest
    radius = BEYOND * float(np.linalg.norm(ends, axis=1).max())
    return Sight(data, size, corners, points.mean(axis=0), near, min(far, farthest), radius)


def in_view(seen: Sight, views: Array, spread_px: Array | float = 0.0) -> NDArray[np.bool_]:
    """Tell which camera_T_board (..., 4, 4) show the whole board, facing the camera, in focus.

    ``spread_px`` is added to the margin that the border needs: what is not yet known of the views.
    """
    shape = views.shape[:-2]
    flat = views.reshape(-1, 4, 4)
    spread = np.broadcast_to(spread_px, shape).reshape(-1)
    depth = seen.distance_mm(flat)
    far_enough = (depth >= seen.near_mm) & (depth > BEHIND_MM)
    good = np.array(far_enough & (depth <= seen.far_mm), bool)
    good[good] = seen.tilt(flat[good]) <= np.radians(MOST_TILT_DEG)
    good[good] = _inside(seen, flat[good], spread[good])
    return np.asarray(good.reshape(shape))


def _inside(seen: Sight, views: Array, spread: Array) -> NDArray[np.bool_]:
    points = apply(views, seen.corners)
    ahead = np.asarray(points[..., 2].min(axis=1) > BEHIND_MM)
    points = np.where(ahead[:, None, None], points, (0.0, 0.0, 1.0))
    described = (np.linalg.norm(points[..., :2] / points[..., 2:], axis=2) < seen.radius).all(1)
    pixels = project(points, seen.lens)
    slack = EDGE_PX + JOG_MM * seen.lens.K[0, 0] / points[..., 2] + spread[:, None]
    low, high = slack[..., None], seen.size_px - 1.0 - slack[..., None]
    inside = np.asarray((pixels >= low) & (pixels <= high)).all(axis=(1, 2))
    return np.asarray(ahead & described & inside)


def candidate_views(seen: Sight, count: int) -> Array:
    """Return views (count, 4, 4), camera_T_board, that fill what the camera can see evenly.

    Place in the image, distance, tilt, its direction and the turn about the line of sight are
    spread evenly, always the same way.
    """
    u = spread_evenly(count, 6)
    spot = _spots(seen, u[:, :3])
    tilt = np.radians(MOST_TILT_DEG) * np.sqrt(u[:, 3])  # steep ones tell more
    way, turn = 2 * np.pi * u[:, 4], 2 * np.pi * u[:, 5]
    lean = np.column_stack([tilt * np.cos(way), tilt * np.sin(way), np.zeros(count)])
    R = towards(spot) @ rotation_exp(lean) @ rotation_exp(np.outer(turn, (0.0, 0.0, 1.0)))
    return transform(R, spot - R @ seen.centre)


def placed_views(seen: Sight, R: Array) -> Array:
    """Return views (n, 4, 4) with given rotations (n, 3, 3), spread over image and distances."""
    u = spread_evenly(len(R), 3)
    return transform(R, _spots(seen, u) - R @ seen.centre)


def views_near(
    seen: Sight, views: Array, upright: Array | None, size: tuple[float, float]
) -> Array:
    """Return views (m, 4, 4) about each of ``views`` (n, 4, 4), evenly spread, always the same.

    Up to ``size`` = ([mm], [rad]) away along, and turned about, each axis of the camera, or where
    an arm cannot tilt about ``upright`` (3,) only.
    """
    u = 2.0 * spread_evenly(NEARBY, 6) - 1.0
    shift, turn = size[0] * u[:, :3], size[1] * u[:, 3:]
    if upright is not None:
        turn = turn[:, :1] * upright
    R = rotation_exp(turn) @ views[:, None, :3, :3]
    spot = apply(views, seen.centre[None]) + shift
    return transform(R, spot - R @ seen.centre).reshape(-1, 4, 4)


def spread_evenly(count: int, dimensions: int) -> Array:
    """Return points (count, dimensions) in [0, 1) that fill the unit cube evenly, always the same.

    Each step adds the same irrational numbers, powers of the root of x^(d+1) = x + 1, which
    generalises the golden ratio (Roberts 2018, from memory).
    """
    root = np.roots([1.0, *[0.0] * (dimensions - 1), -1.0, -1.0]).real.max()
    step = root ** -np.arange(1.0, dimensions + 1)
    return np.asarray((0.5 + np.arange(count)[:, None] * step) % 1.0)


def _spots(seen: Sight, u: Array) -> Array:
    """Return places (n, 3) [mm] in the camera frame for u (n, 3) in [0, 1)."""
    rays = undistort(u[:, :2] * seen.size_px - 0.5, seen.lens)
    near = max(seen.near_mm, BEHIND_MM)
    z = near * (seen.far_mm / near) ** u[:, 2]
    return np.column_stack([rays * z[:, None], z])


def towards(spot: Array) -> Array:
    """Return the smallest rotations (n, 3, 3) that turn the z axis to ``spot`` (n, 3)."""
    line = spot / np.linalg.norm(spot, axis=1, keepdims=True)
    axis = np.column_stack([-line[:, 1], line[:, 0], np.zeros(len(line))])
    sine = np.linalg.norm(axis, axis=1, keepdims=True)
    angle = np.arctan2(sine, line[:, 2:])
    return rotation_exp(axis * np.where(sine > 0, angle / np.where(sine > 0, sine, 1.0), 0.0))


GOLDEN_RAD = np.pi * (3.0 - np.sqrt(5.0))  # about 137.5° a stop: fills a disc evenly (Vogel 1979)
SIDES = np.array([-1.0, 0.0, 1.0])  # the turns about the line of sight, one after the other


def spiral_views(
    spiral: Spiral,
    count: int,
    seen: Sight,
    middle: Array,
    turned: Callable[[Array], Array] | None = None,
) -> Array:
    """Return ``count`` stops of the pattern as camera_T_board (n, 4, 4) about ``middle`` (4, 4).

    ``turned`` gives the board's rotations (n, 3, 3) in the camera for turns (n,) [rad] of an arm
    that cannot tilt; then the pattern has no tilts. Raises UsageError for a negative size or a tilt
    too steep to detect.
    """
    _check_spiral(spiral)
    share = np.arange(count) / max(count - 1, 1)
    way = GOLDEN_RAD * np.arange(count)
    out = np.column_stack([np.cos(way), np.sin(way)])
    spot = np.empty((count, 3))
    spot[:, :2] = spiral.radius_mm * np.sqrt(share)[:, None] * out
    spot[:, 2] = seen.distance_mm(middle[None])[0] + spiral.depth_mm * (share - 0.5)
    turn = np.radians(spiral.turn_deg) * SIDES[np.arange(count) % len(SIDES)]
    if turned is None:
        lean = np.radians(spiral.tilt_deg) * np.column_stack([-out[:, 1], out[:, 0], 0.0 * way])
        facing = np.arctan2(middle[1, 0], middle[0, 0]) + turn
        about = rotation_exp(np.outer(facing, (0.0, 0.0, 1.0)))
        R = towards(spot) @ rotation_exp(lean) @ about
    else:
        R = turned(turn)
    return transform(R, spot - R @ seen.centre)


def _check_spiral(spiral: Spiral) -> None:
    for name in ("radius", "depth", "tilt"):
        value = getattr(spiral, f"{name}_{'deg' if name == 'tilt' else 'mm'}")
        if not np.isfinite(value) or value < 0.0:
            raise UsageError(f"a {name} of {value:g}", "Give 0 or more.")
    if not np.isfinite(spiral.turn_deg):
        raise UsageError(f"a turn of {spiral.turn_deg:g}°", "Give a number of degrees.")
    if spiral.tilt_deg > MOST_TILT_DEG:
        raise UsageError(
            f"a tilt of {spiral.tilt_deg:g}° is too steep",
            f"Up to {MOST_TILT_DEG:g}° the board is seen well.",
        )
