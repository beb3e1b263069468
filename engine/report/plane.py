"""A pixel-to-plane table: where each pixel meets a plane at a stated height, for 2-D cells.

A vision program that only knows pixels places parts with a homography H: (x, y, 1) ~ H (u, v, 1).
That is exact for undistorted pixels (a plane seen by a pinhole camera; Hartley & Zisserman, from
memory); for the pixels as they come it is the best one within the pick area, with its own error.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..arrays import Array
from ..boards.candidates import homography, mapped
from ..camera.lens import project, undistort
from ..camera.model import Camera
from ..errors import UsageError
from ..frames import apply, inverse, point_rows

COLUMNS, ROWS = 9, 7  # pixels of the table over the image
DENSE = 41  # points along each side on which a homography is fitted and its error measured
LEAST_DIP = 0.05  # [-] sine of the angle between ray and plane; flatter rays meet it far away


@dataclass(frozen=True, slots=True, eq=False)
class Plane:
    """What pixels mean on the plane z = ``height_mm`` of a frame.

    Attributes:
        undistorted, raw: (3, 3) homographies from undistorted pixels, and from pixels as they come,
            to x y [mm] on the plane.
        raw_error_mm: largest error of ``raw`` within the valid rectangle.
        valid_px: u and v of the valid rectangle: least u, least v, most u, most v.
        pixels: (n, 2) of the table; ``places`` (n, 2) [mm] x y; ``u_mm`` (n,) standard uncertainty
            of a place on the plane from the transform's covariance; ``slope`` (n,) mm on the plane
            for each mm that a part is higher than the plane.
    """

    height_mm: float
    undistorted: Array
    raw: Array
    raw_error_mm: float
    valid_px: tuple[float, float, float, float]
    pixels: Array
    places: Array
    u_mm: Array
    slope: Array


def plane_at(
    frame_T_camera: Array, covariance: Array, camera: Camera, corners: Array, height_mm: float
) -> Plane:
    """Return what pixels mean on the plane z = ``height_mm`` of a frame.

    ``frame_T_camera`` (4, 4) [mm] with covariance (6, 6), ``corners`` (8, 3) of the work volume in
    that frame: the table is valid where the camera sees the plane within it. Raises UsageError
    where it sees none of it.
    """
    valid = _valid(frame_T_camera, camera, corners, height_mm)
    low_u, low_v, high_u, high_v = valid
    dense = _grid((low_u, high_u), (low_v, high_v), DENSE, DENSE)
    on_plane = _places(frame_T_camera, camera, dense, height_mm)
    raw = homography(dense, on_plane)
    error = float(np.linalg.norm(mapped(raw, dense) - on_plane, axis=1).max())
    pixels = _grid((low_u, high_u), (low_v, high_v), COLUMNS, ROWS)
    places = _places(frame_T_camera, camera, pixels, height_mm)
    p_frame = np.column_stack([places, np.full(len(places), height_mm)])
    rays = p_frame - frame_T_camera[:3, 3]
    return Plane(
        height_mm, _exact(frame_T_camera, camera, height_mm), raw, error, valid, pixels, places,
        u_mm=_u(frame_T_camera, covariance, p_frame),
        slope=np.linalg.norm(rays[:, :2], axis=1) / np.abs(rays[:, 2]),
    )  # fmt: skip


def _grid(u: tuple[float, float], v: tuple[float, float], columns: int, rows: int) -> Array:
    across, down = np.meshgrid(np.linspace(*u, columns), np.linspace(*v, rows))
    return np.column_stack([across.ravel(), down.ravel()])


def _valid(
    T: Array, camera: Camera, corners: Array, height: float
) -> tuple[float, float, float, float]:
    """Return the rectangle of the image in which the plane within the work volume is seen."""
    (x0, y0), (x1, y1) = corners[:, :2].min(axis=0), corners[:, :2].max(axis=0)
    xy = _grid((x0, x1), (y0, y1), DENSE, DENSE)
    seen = apply(inverse(T), np.column_stack([xy, np.full(len(xy), height)]))
    seen = seen[seen[:, 2] > 0.0]
    pixels = project(seen, camera) if len(seen) else np.zeros((0, 2))
    high = np.array(camera.image_size_px, float) - 1.0
    inside = pixels[((pixels >= 0.0) & (pixels <= high)).all(axis=1)]
    if len(inside) < DENSE:
        raise UsageError(
            f"the camera sees nothing of the plane at z {height:g} mm within the work volume",
            "Give the height of the plane in which the parts lie: --height.",
        )
    (u0, v0), (u1, v1) = inside.min(axis=0), inside.max(axis=0)
    return float(u0), float(v0), float(u1), float(v1)


def _places(T: Array, camera: Camera, pixels: Array, height: float) -> Array:
    """Return where the rays of pixels (n, 2) meet the plane: x y (n, 2) [mm]."""
    seen = np.column_stack([undistort(pixels, camera), np.ones(len(pixels))])
    rays = seen @ T[:3, :3].T
    dip = np.abs(rays[:, 2]) / np.linalg.norm(rays, axis=1)
    if dip.min() < LEAST_DIP:
        raise UsageError(
            "the camera looks along the plane", "A plane that it sees from the side has no table."
        )
    far = (height - T[2, 3]) / rays[:, 2]
    return np.asarray(T[:2, 3] + far[:, None] * rays[:, :2])


def _exact(T: Array, camera: Camera, height: float) -> Array:
    """Return H from undistorted pixels: the inverse of K [r1 r2 (z r3 + t)] of camera_T_frame."""
    back = inverse(T)
    columns = np.column_stack([back[:3, 0], back[:3, 1], back[:3, 2] * height + back[:3, 3]])
    H = np.linalg.inv(np.asarray(camera.matrix, float) @ columns)
    return np.asarray(H / H[2, 2])


def _u(T: Array, covariance: Array, p_frame: Array) -> Array:
    """Return u (n,) [mm] of places on the plane: the shift across the ray, carried along it."""
    rows = point_rows(T, apply(inverse(T), p_frame))
    across = np.zeros((len(p_frame), 2, 3))
    rays = p_frame - T[:3, 3]
    across[:, 0, 0] = across[:, 1, 1] = 1.0
    across[:, :, 2] = -rays[:, :2] / rays[:, 2:]
    on_plane = across @ rows
    spread = on_plane @ covariance @ on_plane.transpose(0, 2, 1)
    return np.asarray(np.sqrt(np.trace(spread, axis1=1, axis2=2)))
