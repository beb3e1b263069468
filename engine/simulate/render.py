"""Images of a board as a camera would take them, and depth as a 3-D camera measures it.

The board is painted analytically: every pixel's ray is met with the board's plane and the pattern
is averaged over the pixel's footprint there. So edges are free of steps, and points lie where the
camera model puts them. Pixel (0, 0) is the centre of the first pixel.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..arrays import Grey
from ..boards.pattern import Board, check_board
from ..camera.lens import lens, project, undistort
from ..camera.model import Camera
from ..frames import apply, checked_transform
from .paint import (
    LEAST_MM2,
    TABLE_MM,
    TABLE_PX,
    Footprints,
    Shades,
    painted,
    plate_limits,
    room,
    table,
)
from .sensor import Optics, exposed

NEAR_MM = 10.0  # mm; nothing nearer than this to the camera is drawn
FAR_MM = 1e6  # mm; nor anything farther away
EDGE_ON_MM = 0.1  # mm; with the camera this close to the board's plane, the board is a line
FOLD_PX = 0.01  # px; a ray that does not come back to its pixel lies beyond the lens model's fold
BLOCK_ROWS = 32  # rows undistorted at a time, to bound memory
OUTLINE_POINTS = 25  # along each side of the plate, enough to follow a distorted side
SPARE_PX = 3  # px around the plate's outline that is painted too: half-covered pixels


@dataclass(frozen=True, slots=True)
class Setting:
    """What stands around the board.

    ``behind`` "room": things standing still in the image (a fixed camera); "table": things lying
    in the board's plane (a camera on the flange). ``seed`` picks the arrangement.
    """

    behind: Literal["room", "table"] = "room"
    seed: int = 0


def render(
    board: Board,
    camera: Camera,
    camera_T_board: ArrayLike,
    optics: Optics | None = None,
    setting: Setting | None = None,
    rng: np.random.Generator | None = None,
) -> NDArray[np.uint8]:
    """Return the grey image (height, width) of ``board`` at ``camera_T_board`` [mm].

    Without ``rng`` the image has no noise. Raises StationbookError for a transform that is not
    rigid, lens data or optics that cannot be used, or a board that cannot exist.
    """
    check_board(board)
    T = checked_transform(camera_T_board, "camera_T_board")
    optics, setting = optics or Optics(), setting or Setting()
    scene = _backdrop(camera, T, setting)
    _paint_board(scene, board, camera, T)
    return exposed(scene, optics, rng)


def _backdrop(camera: Camera, T: NDArray[np.float64], setting: Setting) -> Shades:
    if setting.behind == "room":
        return room(camera.image_size_px, setting.seed).copy()
    whole = (slice(None), slice(None))
    x, y, ahead = _on_plane(camera, T, whole)
    scale = np.float32(TABLE_PX / TABLE_MM)
    u, v = ((c * scale + np.float32(TABLE_PX / 2)) for c in (x, y))
    u, v = (np.where(ahead, c, np.float32(-1)) for c in (u, v))
    picture, border = table(setting.seed), cv2.BORDER_REFLECT_101
    seen = cv2.remap(picture, u, v, cv2.INTER_LINEAR, borderMode=border)
    return np.asarray(seen, np.float32)


def _paint_board(scene: Shades, board: Board, camera: Camera, T: NDArray[np.float64]) -> None:
    """Draw the board over ``scene``, in place."""
    window = _window(board, camera, T)
    if window is None:
        return
    x, y, ahead = _on_plane(camera, T, window)
    from_behind = bool(T[:3, 2] @ T[:3, 3] <= 0)
    light, cover = np.zeros_like(x), np.zeros_like(x)
    for part in _quarters(x, y):
        surface, covered = painted(board, part, back=from_behind)
        light += covered * surface / 4
        cover += covered / 4
    scene[window] = np.where(ahead, scene[window] * (1 - cover) + light, scene[window])


def _quarters(x: Shades, y: Shades) -> Iterator[Footprints]:
    """Yield the footprints of the pixels' four quarters, for pixel centres at ``x``, ``y`` [mm].

    Whole pixels make slanted edges and crossings a little too sharp: corners then scatter by
    0.01 px more.
    """
    x_u, y_u, x_v, y_v = (_slope(c, axis) / 4 for axis in (1, 0) for c in (x, y))
    xx, yy = (np.maximum(u * u + v * v, LEAST_MM2) for u, v in ((x_u, x_v), (y_u, y_v)))
    xx, xy, yy = 4 * xx, 4 * (x_u * y_u + x_v * y_v), 4 * yy
    for su, sv in ((-1, -1), (-1, 1), (1, -1), (1, 1)):
        yield Footprints(x + su * x_u + sv * x_v, y + su * y_u + sv * y_v, xx, xy, yy)


def _slope(c: Shades, axis: int) -> Shades:
    """Return the central difference of ``c`` along ``axis``, one-sided at the ends."""
    slope = np.empty_like(c)
    s, c = np.moveaxis(slope, axis, 0), np.moveaxis(c, axis, 0)
    s[1:-1] = (c[2:] - c[:-2]) / 2
    s[0], s[-1] = c[1] - c[0], c[-1] - c[-2]
    return slope


def _window(board: Board, camera: Camera, T: NDArray[np.float64]) -> tuple[slice, slice] | None:
    """Return the image region (rows, columns) that the plate can touch, or None."""
    x0, y0, x1, y1 = plate_limits(board)
    s = np.linspace(0, 1, OUTLINE_POINTS)[:, None]
    corners = np.array([[x0, y0, 0], [x1, y0, 0], [x1, y1, 0], [x0, y1, 0]], float)
    sides = [a + s * (b - a) for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)]
    outline = apply(T, np.vstack(sides))
    width, height = camera.image_size_px
    if (outline[:, 2] < NEAR_MM).all():
        return None
    if (outline[:, 2] < NEAR_MM).any():
        return slice(0, height), slice(0, width)
    pixels = project(outline, camera)
    low = np.floor(pixels.min(axis=0)).astype(int) - SPARE_PX
    high = np.ceil(pixels.max(axis=0)).astype(int) + SPARE_PX + 1
    (u0, v0), (u1, v1) = np.maximum(low, 0), np.minimum(high, (width, height))
    if u1 - u0 < 2 or v1 - v0 < 2:
        return None
    return slice(v0, v1), slice(u0, u1)


def _on_plane(
    camera: Camera, T: NDArray[np.float64], window: tuple[slice, slice]
) -> tuple[Shades, Shades, NDArray[np.bool_]]:
    """Return where the pixels' rays meet the board's plane: x, y [mm], and whether they do.

    A point (x, y) of the plane lies at ``depth · (a, b, 1) = [r1 r2 t] (x, y, 1)`` for its ray
    (a, b, 1); the inverse of that matrix gives (x, y, 1) / depth.
    """
    rays = _ray_map(camera.image_size_px, camera.matrix, tuple(camera.distortion))
    a, b, valid = (part[window] for part in rays)
    if abs(T[:3, 2] @ T[:3, 3]) < EDGE_ON_MM:
        return np.zeros_like(a), np.zeros_like(a), np.zeros_like(valid)
    h = np.linalg.inv(T[:3, [0, 1, 3]]).astype(np.float32)
    w = h[2, 0] * a + h[2, 1] * b + h[2, 2]
    ahead = valid & (w > 1 / FAR_MM) & (w < 1 / NEAR_MM)
    w = np.where(ahead, w, np.float32(1))
    x = (h[0, 0] * a + h[0, 1] * b + h[0, 2]) / w
    y = (h[1, 0] * a + h[1, 1] * b + h[1, 2]) / w
    return x, y, ahead


@lru_cache(maxsize=2)
def _ray_map(
    size: tuple[int, int],
    matrix: tuple[tuple[float, float, float], ...],
    distortion: tuple[float, ...],
) -> tuple[Shades, Shades, NDArray[np.bool_]]:
    """Return the slopes x/z and y/z (h, w) of the pixels' rays, and where they can be trusted."""
    width, height = size
    data = lens(Camera("", size, matrix, distortion))
    u, v = np.meshgrid(np.arange(width), np.arange(height))
    pixels = np.stack([u, v], axis=-1).astype(float)
    slopes = np.empty((height, width, 2), np.float32)
    trusted = np.empty((height, width), bool)
    for top in range(0, height, BLOCK_ROWS):
        rows = slice(top, top + BLOCK_ROWS)
        with np.errstate(all="ignore"):  # rays beyond the fold run away; they are not trusted
            ray = undistort(pixels[rows], data)
            back = project(np.concatenate([ray, np.ones_like(ray[..., :1])], axis=-1), data)
            slopes[rows] = ray
            trusted[rows] = np.abs(back - pixels[rows]).max(axis=-1) < FOLD_PX
    a, b = (np.ascontiguousarray(np.where(trusted, slopes[..., k], 0)) for k in (0, 1))
    return a, b, trusted


# ---- what a 3-D camera measures there -----------------------------------------------------------

FULL = 2**16 - 1  # largest number of a 16-bit file
BEHIND_MM = 1600.0  # what stands around the board is that far away


@dataclass(frozen=True, slots=True)
class DepthSensor:
    """How a 3-D camera errs.

    Attributes:
        scale: all lengths, relative.
        noise_mm: standard deviation of one value at 1 m; it grows with the square of the distance.
        bow_mm: how much farther than they are the image's corners seem at 1 m.
        offset_mm: standard deviation of what is new at every take.
        holes_light, holes_dark: share of values missing on light and on dark parts.
        step_mm: one unit of the file.
    """

    scale: float = 0.0
    noise_mm: float = 0.15
    bow_mm: float = 0.05
    offset_mm: float = 0.02
    holes_light: float = 0.01
    holes_dark: float = 0.04
    step_mm: float = 0.1


def measure_depth(
    board: Board,
    camera: Camera,
    camera_T_board: ArrayLike,
    image: Grey,
    sensor: DepthSensor,
    rng: np.random.Generator,
) -> NDArray[np.uint16]:
    """Return depth (height, width) in units of ``step_mm``, 0 where there is none.

    ``image`` (height, width) is what the camera saw there: its light parts count as light.
    """
    z = _board_depth(board, camera, checked_transform(camera_T_board, "camera_T_board"))
    z = np.where(np.isnan(z), np.float32(BEHIND_MM), z)
    height, width = z.shape
    x, y = np.linspace(-1, 1, width), np.linspace(-1, 1, height)[:, None]
    far = (z / 1000.0) ** 2
    z = z * (1.0 + sensor.scale) + sensor.bow_mm * far * (x * x + y * y) / 2.0
    z = z + rng.normal(0.0, sensor.offset_mm)
    z = z + sensor.noise_mm * far * rng.standard_normal(z.shape, np.float32)
    light = image > np.median(image)
    missing = np.where(light, sensor.holes_light, sensor.holes_dark)
    z = np.where(rng.random(z.shape, np.float32) < missing, 0.0, z)
    return np.asarray(np.clip(np.rint(z / sensor.step_mm), 0, FULL), np.uint16)


def _board_depth(board: Board, camera: Camera, T: NDArray[np.float64]) -> Shades:
    """Return how far (height, width) [mm] along the camera's axis each pixel meets the plate.

    NaN beside it. ``T`` (4, 4) is camera_T_board [mm].
    """
    width, height = camera.image_size_px
    z = np.full((height, width), np.nan, np.float32)
    window = _window(board, camera, T)
    if window is not None:
        x, y, ahead = _on_plane(camera, T, window)
        x0, y0, x1, y1 = plate_limits(board)
        on = ahead & (x >= x0) & (x <= x1) & (y >= y0) & (y <= y1)
        z[window] = np.where(on, T[2, 0] * x + T[2, 1] * y + T[2, 3], np.float32(np.nan))
    return z
