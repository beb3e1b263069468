"""The lens: from points in the camera frame to pixels and back, and what its data may be off by.

The model is the pinhole with radial, tangential, thin-prism and tilted-sensor distortion of the
OpenCV documentation ("Camera Calibration and 3D Reconstruction"), 0, 4, 5, 8, 12 or 14
coefficients in the order k1 k2 p1 p2 k3 k4 k5 k6 s1 s2 s3 s4 tx ty. Pixel (0, 0) is the centre of
the first pixel.

What lens data and a board's points may be off by are unknowns that all views share. Of the board
its scale, stretch and shear within its plane, and out of it a bow along both sides (a parabola
each) and a twist; of the camera focal length, principal point (x, y), two radial shapes r³ and r⁵
of what distortion leaves. The pixel of a point moves by ``Q · terms``, to first order: a percent of
focal length leaves out 0.1 px at the border.

Depth may be off by its scale; by tilts about the image's x and y axes, which put y farther and x
nearer in proportion, along the ray of the pixel; and by shifts along both, which put the depth of
a point on a pixel beside it. A sensor that is turned against the image does both.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..arrays import Array
from ..errors import StationbookError
from ..frames import turns
from .model import DISTORTION_COUNTS, Camera

UNDISTORT_STEPS = 20  # Newton steps; quadratic convergence needs about 5 on real lenses
UNDISTORT_TOLERANCE = 1e-12  # [-] step in normalised coordinates, far below 1e-6 px


@dataclass(frozen=True, slots=True, eq=False)
class Lens:
    """Lens data ready for use: ``K`` (3, 3) [px], ``k`` (12,) coefficients, ``tilt`` (3, 3)."""

    K: Array
    k: Array
    tilt: Array | None


def lens(camera: Camera | Lens) -> Lens:
    """Return the checked lens data of ``camera``, which may be lens data already.

    Raises StationbookError for a matrix that is no camera matrix or a wrong coefficient count.
    """
    if isinstance(camera, Lens):
        return camera
    K = np.asarray(camera.matrix, float)
    if K.shape != (3, 3) or not np.isfinite(K).all() or K[0, 0] <= 0 or K[1, 1] <= 0:
        raise StationbookError(f"camera matrix: not a 3×3 camera matrix: {camera.matrix}")
    count = len(camera.distortion)
    if count not in DISTORTION_COUNTS:
        raise StationbookError(
            f"camera distortion: {count} coefficients, expected one of {DISTORTION_COUNTS}"
        )
    k = np.zeros(14)
    k[:count] = camera.distortion
    if not np.isfinite(k).all():
        raise StationbookError("camera distortion: contains a value that is not a finite number")
    tilt = _tilt(k[12], k[13]) if k[12:].any() else None
    return Lens(K=K, k=k[:12], tilt=tilt)


def project(points_camera: ArrayLike, camera: Camera | Lens) -> Array:
    """Return the pixels (..., 2) of points (..., 3) [mm] in the camera frame."""
    return project_with_jacobian(points_camera, camera)[0]


def project_with_jacobian(points_camera: ArrayLike, camera: Camera | Lens) -> tuple[Array, Array]:
    """Return pixels (..., 2) and their derivatives (..., 2, 3) [px/mm] by the camera point."""
    p = np.asarray(points_camera, float)
    pixels, J = project_rows(p.reshape(-1, 3).T, lens(camera))
    return pixels.T.reshape(*p.shape[:-1], 2), np.moveaxis(J, -1, 0).reshape(*p.shape[:-1], 2, 3)


def project_rows(points_camera: Array, data: Lens) -> tuple[Array, Array]:
    """Return pixels (..., 2, m) and their derivatives (..., 2, 3, m) [px/mm] by points (..., 3, m).

    Coordinates stand in rows: what is worked out for all points at once lies side by side.
    """
    inverse_z = 1.0 / points_camera[..., 2, :]
    x, y = points_camera[..., 0, :] * inverse_z, points_camera[..., 1, :] * inverse_z
    pixels, J = _pixels(_distorted(x, y, data), data)
    derivative = np.empty((*J.shape[:-2], 3, J.shape[-1]))
    derivative[..., :2, :] = J * inverse_z[..., None, None, :]
    derivative[..., 2, :] = -(
        derivative[..., 0, :] * x[..., None, :] + derivative[..., 1, :] * y[..., None, :]
    )
    return pixels, derivative


def lens_rows(points_camera: Array, data: Lens) -> Array:
    """Return the pixels' derivative (..., 8, 2, m) by the lens, at points (..., 3, m) [mm].

    By the logarithms of focal length and of its ratio, the principal point [px], and k1 k2 p1 p2.
    """
    x, y = np.moveaxis(points_camera[..., :2, :] / points_camera[..., 2:, :], -2, 0)
    r2 = x * x + y * y
    below = 1.0 + r2 * (data.k[5] + r2 * (data.k[6] + r2 * data.k[7]))
    share = r2 / below
    shapes = [(x * share, y * share), (x * share * r2, y * share * r2)]
    shapes += [(2.0 * x * y, r2 + 2.0 * y * y), (r2 + 2.0 * x * x, 2.0 * x * y)]
    bent = _distorted(x, y, replace(data, tilt=None))
    if data.tilt is not None:
        turned = [_tilted((*bent[:2], u, u, v, v), data.tilt) for u, v in shapes]
        shapes = [(by[2], by[4]) for by in turned]
        bent = _tilted(bent, data.tilt)
    rows = np.zeros((*x.shape[:-1], 8, 2, x.shape[-1]))
    _onto(rows[..., 0, :, :], bent[0], bent[1], data)
    rows[..., 1, 1, :] = rows[..., 0, 1, :]
    rows[..., 2, 0, :] = rows[..., 3, 1, :] = 1.0
    for k, (u, v) in enumerate(shapes):
        _onto(rows[..., 4 + k, :, :], u, v, data)
    return rows


def undistort(pixels: ArrayLike, camera: Camera | Lens) -> Array:
    """Return the normalised coordinates (..., 2) x/z, y/z seen at ``pixels`` (..., 2).

    Newton's method on the lens model with its analytic derivative, all points at once.
    """
    data = lens(camera)
    pixels = np.asarray(pixels, float)
    target = (pixels - data.K[:2, 2]) @ np.linalg.inv(data.K[:2, :2]).T
    if not data.k.any() and data.tilt is None:
        return np.asarray(target)
    x, y = goal_x, goal_y = np.moveaxis(target, -1, 0).copy()
    for _ in range(UNDISTORT_STEPS):
        u, v, u_x, u_y, v_x, v_y = _distorted(x, y, data)
        off_x, off_y, size = goal_x - u, goal_y - v, u_x * v_y - u_y * v_x
        step_x = (v_y * off_x - u_y * off_y) / size
        step_y = (u_x * off_y - v_x * off_x) / size
        x, y = x + step_x, y + step_y
        if np.abs([step_x, step_y]).max(initial=0.0) < UNDISTORT_TOLERANCE:
            break
    return np.stack([x, y], axis=-1)


# Normalised coordinates u, v of points and their derivatives u_x, u_y, v_x, v_y by the undistorted
# ones: six arrays of one shape.
Bent = tuple[Array, Array, Array, Array, Array, Array]


def _onto(out: Array, u: Array, v: Array, data: Lens) -> None:
    """Write K · (u, v) into ``out`` (..., 2, m), the principal point left out."""
    for row, (own, other) in enumerate(((u, v), (v, u))):
        np.multiply(own, data.K[row, row], out=out[..., row, :])
        if skew := data.K[row, 1 - row]:
            out[..., row, :] += skew * other


def _pixels(bent: Bent, data: Lens) -> tuple[Array, Array]:
    """Return pixels (..., 2, m) and their derivative (..., 2, 2, m) by undistorted coordinates."""
    u, v, u_x, u_y, v_x, v_y = bent
    pixels = np.empty((*u.shape[:-1], 2, u.shape[-1]))
    _onto(pixels, u, v, data)
    pixels += data.K[:2, 2, None]
    J = np.empty((*u.shape[:-1], 2, 2, u.shape[-1]))
    _onto(J[..., 0, :], u_x, v_x, data)
    _onto(J[..., 1, :], u_y, v_y, data)
    return pixels, J


def _distorted(x: Array, y: Array, data: Lens) -> Bent:
    """Return the distorted normalised coordinates of ``x``, ``y``, and their derivatives."""
    if data.k.any():
        bent = _bent(x, y, data.k)
    else:
        one, none = np.ones_like(x), np.zeros_like(x)
        bent = (x, y, one, none, none, one)
    return bent if data.tilt is None else _tilted(bent, data.tilt)


def _bent(x: Array, y: Array, k: Array) -> Bent:
    """Return radial, tangential and thin-prism distortion."""
    k1, k2, p1, p2, k3, k4, k5, k6, s1, s2, s3, s4 = k.tolist()
    xx, xy, yy = x * x, x * y, y * y
    r2 = xx + yy
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    slope = 2 * k1 + r2 * (4 * k2 + r2 * (6 * k3))  # d radial / d(x) = slope · x
    if k4 or k5 or k6:
        below = 1 + r2 * (k4 + r2 * (k5 + r2 * k6))
        radial = radial / below
        slope = (slope - 2 * radial * (k4 + r2 * (2 * k5 + r2 * (3 * k6)))) / below
    mixed = xy * slope + 2 * p1 * x + 2 * p2 * y
    u_x, v_y = radial + xx * slope, radial + yy * slope
    u, v = x * radial, y * radial
    u_y, v_x = mixed, mixed
    if p1 or p2:
        u_x, v_y = u_x + 2 * p1 * y + 6 * p2 * x, v_y + 6 * p1 * y + 2 * p2 * x
        u = u + 2 * p1 * xy + p2 * (r2 + 2 * xx)
        v = v + p1 * (r2 + 2 * yy) + 2 * p2 * xy
    if s1 or s2 or s3 or s4:
        u, v = u + r2 * (s1 + s2 * r2), v + r2 * (s3 + s4 * r2)
        first, second = 2 * (s1 + 2 * s2 * r2), 2 * (s3 + 2 * s4 * r2)
        u_x, u_y = u_x + first * x, u_y + first * y
        v_x, v_y = v_x + second * x, v_y + second * y
    return u, v, u_x, u_y, v_x, v_y


def _tilt(tx: float, ty: float) -> Array:
    """Return the homography (3, 3) of a sensor tilted by ``tx`` about x, then ``ty`` about y."""
    R = turns("xy", [tx, ty]).T
    onto = np.array([[R[2, 2], 0, -R[0, 2]], [0, R[2, 2], -R[1, 2]], [0, 0, 1]])
    return np.asarray(onto @ R)


def _tilted(bent: Bent, H: Array) -> Bent:
    """Return what a tilted sensor makes of coordinates and their derivatives."""
    u, v, u_x, u_y, v_x, v_y = bent
    first, second, scale = (row[0] * u + row[1] * v + row[2] for row in H)
    tilted_u, tilted_v = first / scale, second / scale
    by = [
        (H[row, column] - value * H[2, column]) / scale
        for row, value in enumerate((tilted_u, tilted_v))
        for column in range(2)
    ]
    return (
        tilted_u,
        tilted_v,
        by[0] * u_x + by[1] * v_x,
        by[0] * u_y + by[1] * v_y,
        by[2] * u_x + by[3] * v_x,
        by[2] * u_y + by[3] * v_y,
    )


NAMES = (
    "board scale", "board stretch", "board shear", "board bow along the rows",
    "board bow along the columns", "board twist", "focal length", "image centre x",
    "image centre y", "distortion r³", "distortion r⁵", "depth scale",
    "depth tilt about x", "depth tilt about y", "depth shift along x", "depth shift along y",
)  # fmt: skip
UNITS = ("", "", "", "mm", "mm", "mm", "", "px", "px", "px", "px", "", *["deg"] * 4)
OF_BOARD = 6  # terms that belong to the board, in its plane and out of it; the others to the camera
DEPTH_SCALE = NAMES.index("depth scale")  # and this one and those after it to its depth
SHAPES, BOWS, CENTRES = NAMES[1:OF_BOARD], NAMES[3:5], NAMES[7:9]
DEPTH_TILTS, DEPTH_SHIFTS = NAMES[-4:-2], NAMES[-2:]
DEPTH_LEANINGS = (*DEPTH_TILTS, *DEPTH_SHIFTS)
X_AXIS, Y_AXIS = np.eye(2)[:, :, None]
DEGREE = np.radians(1.0)
LEAST_Z_MM, WIDEST = 1e-3, 1.0  # mm, [-]; no camera measures depth 45° or more beside its axis
STEP = 1e-4  # [-] of normalised coordinates, for the change of magnification


@dataclass(frozen=True, slots=True, eq=False)
class Terms:
    """The terms that are not known exactly: ``sd_of_all`` (16,), 0 for one that is.

    ``principal`` (2,) and ``corner_px`` say where the image's centre and farthest corner lie,
    ``middle`` (2,) and ``reach`` (2,) [mm] the same of the board, from point 0 on; ``reach`` is
    scaled so that the two bows together lift a corner by their standard deviation. Point ``first``
    (3,) of the board, point 0, stays where it is: its height may have been measured.
    """

    sd_of_all: Array
    principal: Array
    corner_px: float
    first: Array
    middle: Array
    reach: Array

    @property
    def kept(self) -> NDArray[np.bool_]:
        """Which of the terms are unknown (16,)."""
        return np.asarray(self.sd_of_all > 0.0)

    @property
    def sd(self) -> Array:
        """Prior standard deviations of the unknown terms (q,)."""
        return np.asarray(self.sd_of_all[self.kept])

    @property
    def count(self) -> int:
        """Number of unknown terms."""
        return int(self.kept.sum())

    @property
    def of_board(self) -> int:
        """How many of the unknown terms belong to the board; they come first."""
        return int(self.kept[:OF_BOARD].sum())

    @property
    def of_depth(self) -> int:
        """How many of the unknown terms belong to depth; they come last."""
        return int(self.kept[DEPTH_SCALE:].sum())

    @property
    def of_image(self) -> NDArray[np.bool_]:
        """Which of the unknown terms (q,) have no part in points that were measured in space."""
        part = (*NAMES[OF_BOARD:DEPTH_SCALE], *DEPTH_SHIFTS)
        return np.isin(self.names, part)

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the unknown terms."""
        return tuple(name for name, kept in zip(NAMES, self.kept, strict=True) if kept)

    @property
    def units(self) -> tuple[str, ...]:
        """Units of the unknown terms; "" is a ratio."""
        return tuple(unit for unit, kept in zip(UNITS, self.kept, strict=True) if kept)

    def without(self, names: Sequence[str]) -> Terms:
        """Return the terms, those with these names known exactly."""
        return replace(self, sd_of_all=np.where(np.isin(NAMES, names), 0.0, self.sd_of_all))

    def only(self, names: Sequence[str]) -> Terms:
        """Return the terms with these names as the unknown ones."""
        sd = np.where(self.kept, self.sd_of_all, 1.0)
        return replace(self, sd_of_all=np.where([name in names for name in NAMES], sd, 0.0))

    def write_rows(
        self, out: Array, points: Array, R: Array, by_point: Array, pixels: Array
    ) -> None:
        """Write into ``out`` (n, q, 2, m) how the pixels of ``points`` (n, m, 3) of the board move.

        ``R`` (n, 3, 3) of camera_T_board, ``pixels`` (n, 2, m), and ``by_point`` (n, 2, 3, m) their
        derivative by the camera point.
        """
        by_axes = np.swapaxes(R, 1, 2)[:, None] @ by_point
        places = np.moveaxis(points, 2, 0)[:, :, None]
        shifts = [*self._by_board(np.moveaxis(by_axes, 2, 0), places), *self._by_lens(pixels)]
        for row, term in enumerate(np.flatnonzero(self.kept)):
            out[:, row] = shifts[term]

    def depth_rows(self, points: Array, R: Array, places: Array) -> Array:
        """Return how the depths measured of ``points`` (n, m, 3) change, (n, q, m).

        ``R`` (n, 3, 3) of camera_T_board, ``places`` (n, m, 3) where it puts the points.
        """
        Q = np.zeros((len(places), len(NAMES), places.shape[1]))
        shifts = self._by_board(R[:, 2].T[..., None], np.moveaxis(points, 2, 0))
        Q[:, :OF_BOARD] = np.stack(shifts, axis=1)
        z, normal = places[:, None, :, 2], R[:, :, 2]
        Q[:, DEPTH_SCALE:-2] = np.swapaxes(_share_of_depth(places), 1, 2) * z
        beside = normal[:, :2, None] * z**2 / (places @ normal[..., None]).swapaxes(1, 2)
        Q[:, -2:] = DEGREE * beside
        return np.asarray(Q[:, self.kept])

    def moved(self, points: Array, off: Array) -> Array:
        """Return what the board's unknown terms, by ``off``, move ``points`` (..., 3) by [mm]."""
        axes, places = np.eye(3), np.moveaxis(points, -1, 0)[..., None]
        every = np.array(self._by_board(axes, places))
        return np.asarray(np.tensordot(off, every[self.kept[:OF_BOARD]], 1))

    def _by_board(self, by_axes: Array, places: Array) -> list[Array]:
        """Return what changes per unit of each of the board's terms, at ``places`` (3, ...) [mm].

        ``by_axes`` (3, ...) say how it changes along each of the board's axes.
        """
        across, along, up = by_axes
        x, y, z = (place - first for place, first in zip(places, self.first, strict=True))
        u, v = ((place - self.middle[k]) / self.reach[k] for k, place in enumerate((x, y)))
        u0, v0 = -self.middle / self.reach
        in_plane = [across * x + along * y + up * z, (across * x - along * y) / 2.0]
        in_plane.append((across * y + along * x) / 2.0)
        return [*in_plane, up * (u * u - u0 * u0), up * (v * v - v0 * v0), up * (u * v - u0 * v0)]

    def _by_lens(self, pixels: Array) -> list[Array]:
        """Return the shift (..., 2, m) of ``pixels`` (..., 2, m) per unit of each camera's term."""
        off = pixels - self.principal[:, None]
        part = off / self.corner_px
        square = (part**2).sum(axis=-2, keepdims=True)
        cubic, none = part * square, np.zeros_like(pixels)
        of_depth = [none] * (len(NAMES) - DEPTH_SCALE)
        return [off, none + X_AXIS, none + Y_AXIS, cubic, cubic * square, *of_depth]

    def located(self, places: Array, lens: Lens) -> Array:
        """Return how far off parts at ``places`` (n, 3) [mm] are located, (n, 3, q) per term.

        By these lens data, from an image: the direction is off by the shift of the pixel, the
        distance by the change of size, which is the mean of the shift's derivatives. The board's
        terms are not the part's: 0.
        """
        step = STEP * np.array([[[0.0, 0.0]], [[1.0, 0.0]], [[0.0, 1.0]]])
        n = places[:, :2] / places[:, 2:] + np.concatenate([step, -step[1:]])
        shift, *there = self._direction(n.reshape(-1, 2), lens).reshape(5, len(places), 2, -1)
        growth = (there[0][:, 0] - there[2][:, 0] + there[1][:, 1] - there[3][:, 1]) / (2.0 * STEP)
        rows = -0.5 * places[:, :, None] * growth[:, None, :]
        rows[:, :2] += places[:, 2, None, None] * shift
        whole = np.concatenate([np.zeros((len(places), 3, OF_BOARD)), rows], axis=2)
        return np.asarray(whole[..., self.kept])

    def located_by_depth(self, places: Array) -> Array:
        """Return how far off parts at ``places`` (n, 3) [mm] are located by points in space.

        (n, 3, q): along their rays by scale and tilts, beside them by shifts.
        """
        rows = np.zeros((*places.shape, len(NAMES)))
        rows[..., DEPTH_SCALE:-2] = places[..., None] * _share_of_depth(places)[..., None, :]
        rows[..., 0, -2] = rows[..., 1, -1] = DEGREE * places[..., 2]
        return np.asarray(rows[..., self.kept])

    def _direction(self, n: Array, lens: Lens) -> Array:
        """Return the shift of normalised coordinates (k, 2, 10) per term, at ``n`` (k, 2)."""
        pixels, J = _pixels(_distorted(n[:, 0], n[:, 1], lens), lens)
        shift = np.moveaxis(np.array(self._by_lens(pixels)), (0, 1, 2), (2, 1, 0))
        return np.asarray(np.linalg.solve(np.moveaxis(J, -1, 0), shift))


def _share_of_depth(places: Array) -> Array:
    """Return what share of itself depth at ``places`` (..., 3) is off per unit, (..., 3).

    By its scale and by the tilts about the image's x and y axes.
    """
    z = np.maximum(places[..., 2], LEAST_Z_MM)
    x, y = (np.clip(places[..., k] / z, -WIDEST, WIDEST) for k in range(2))
    return np.stack([np.ones_like(x), DEGREE * y, -DEGREE * x], axis=-1)


def terms(camera: Camera, points: Array, scale_u: float, bow_u_mm: float) -> Terms:
    """Return the terms of a camera and of a board with ``points`` (n, 3) [mm]."""
    u, K = camera.known_u, np.asarray(camera.matrix, float)
    far = np.maximum(K[:2, 2], np.asarray(camera.image_size_px) - K[:2, 2])
    low, high = points[:, :2].min(axis=0), points[:, :2].max(axis=0)
    half = np.maximum((high - low) / 2.0, 1e-9)
    edge = u.edge_px / np.sqrt(2.0)  # two shapes that both reach the corner
    scale, tilt = (0.0, 0.0) if camera.depth is None else camera.depth.known_u
    of_lens = [u.focal, u.center_px, u.center_px, edge, edge]
    sd = [*[scale_u] * 3, *[bow_u_mm] * 3, *of_lens, scale, *[tilt] * 4]
    return Terms(
        sd_of_all=np.array(sd, float),
        principal=K[:2, 2],
        corner_px=float(np.linalg.norm(far)),
        first=points[0],
        middle=(low + high) / 2.0 - points[0, :2],
        reach=half * 2.0**0.25,
    )
