"""The lens: from points in the camera frame to pixels and back, and what its data may be off by.

The model is the pinhole with radial, tangential, thin-prism and tilted-sensor distortion of the
OpenCV documentation ("Camera Calibration and 3D Reconstruction"), 0, 4, 5, 8, 12 or 14
coefficients in the order k1 k2 p1 p2 k3 k4 k5 k6 s1 s2 s3 s4 tx ty. Pixel (0, 0) is the centre of
the first pixel.

What lens data and a board's points may be off by are unknowns that all views share. Nine terms:
the board's scale, its bow along both sides (a parabola each), and of the camera focal length,
principal point (x, y), two radial shapes r³ and r⁵ of what distortion leaves, and the scale of the
depth that it measures. The pixel of a point moves by ``Q · terms``, to first order: a percent of
focal length leaves out 0.1 px at the border.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..arrays import Array
from ..errors import StationbookError
from ..frames import turns
from .model import ASSUMED_DEPTH_SCALE_U, ASSUMED_LENS_U, DISTORTION_COUNTS, Camera

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
    data, p = lens(camera), np.asarray(points_camera, float)
    return _pixels(_distorted(p[..., :2] / p[..., 2:], data)[0], data)


def project_with_jacobian(points_camera: ArrayLike, camera: Camera | Lens) -> tuple[Array, Array]:
    """Return pixels (..., 2) and their derivatives (..., 2, 3) [px/mm] by the camera point."""
    data, p = lens(camera), np.asarray(points_camera, float)
    inverse_z = 1.0 / p[..., 2]
    xy = p[..., :2] * inverse_z[..., None]
    distorted, J = _distorted(xy, data)
    J = data.K[:2, :2] @ J
    derivative = np.empty((*p.shape[:-1], 2, 3))
    derivative[..., :2] = J * inverse_z[..., None, None]
    derivative[..., 2] = -np.einsum("...ij,...j->...i", derivative[..., :2], xy)
    return _pixels(distorted, data), derivative


def lens_rows(points_camera: Array, data: Lens) -> Array:
    """Return the pixels' derivative (..., 2, 8) by the lens, at points (..., 3) of the camera.

    By the logarithms of focal length and of its ratio, the principal point [px], and k1 k2 p1 p2.
    """
    xy = points_camera[..., :2] / points_camera[..., 2:]
    x, y = xy[..., 0], xy[..., 1]
    r2 = x * x + y * y
    below = 1.0 + r2 * (data.k[5] + r2 * (data.k[6] + r2 * data.k[7]))
    bend = np.empty((*xy.shape, 4))
    bend[..., 0] = xy * (r2 / below)[..., None]
    bend[..., 1] = bend[..., 0] * r2[..., None]
    bend[..., 0, 2] = bend[..., 1, 3] = 2.0 * x * y
    bend[..., 1, 2], bend[..., 0, 3] = r2 + 2.0 * y * y, r2 + 2.0 * x * x
    bent, _ = _distorted(xy, replace(data, tilt=None))
    if data.tilt is not None:
        bent, bend = _tilted(bent, bend, data.tilt)
    rows = np.zeros((*xy.shape, 8))
    rows[..., 0] = bent @ data.K[:2, :2].T
    rows[..., 1, 1] = rows[..., 1, 0]
    rows[..., 0, 2] = rows[..., 1, 3] = 1.0
    rows[..., 4:] = data.K[:2, :2] @ bend
    return rows


def undistort(pixels: ArrayLike, camera: Camera | Lens) -> Array:
    """Return the normalised coordinates (..., 2) x/z, y/z seen at ``pixels`` (..., 2).

    Newton's method on the lens model with its analytic derivative, all points at once.
    """
    data = lens(camera)
    pixels = np.asarray(pixels, float)
    target = (pixels - data.K[:2, 2]) @ np.linalg.inv(data.K[:2, :2]).T
    xy: Array = target.copy()
    if not data.k.any() and data.tilt is None:
        return xy
    for _ in range(UNDISTORT_STEPS):
        value, J = _distorted(xy, data)
        off = target - value
        a, b, c, d = J[..., 0, 0], J[..., 0, 1], J[..., 1, 0], J[..., 1, 1]
        turned = np.stack(
            [d * off[..., 0] - b * off[..., 1], a * off[..., 1] - c * off[..., 0]], -1
        )
        step = turned / (a * d - b * c)[..., None]
        xy = np.asarray(xy + step, float)
        if np.abs(step).max(initial=0.0) < UNDISTORT_TOLERANCE:
            break
    return xy


def _pixels(distorted: Array, data: Lens) -> Array:
    return np.asarray(distorted @ data.K[:2, :2].T + data.K[:2, 2])


def _distorted(xy: Array, data: Lens) -> tuple[Array, Array]:
    """Return distorted normalised coordinates (..., 2) and their derivative (..., 2, 2) by xy."""
    J = np.zeros((*xy.shape[:-1], 2, 2))
    if not data.k.any():
        J[..., 0, 0] = J[..., 1, 1] = 1.0
        bent = xy
    else:
        bent = _bent(xy, data.k, J)
    if data.tilt is None:
        return bent, J
    return _tilted(bent, J, data.tilt)


def _bent(xy: Array, k: Array, J: Array) -> Array:
    """Return radial, tangential and thin-prism distortion; writes the derivative into ``J``."""
    k1, k2, p1, p2, k3, k4, k5, k6, s1, s2, s3, s4 = k
    x, y = xy[..., 0], xy[..., 1]
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    slope = 2 * (k1 + r2 * (2 * k2 + r2 * 3 * k3))  # d radial / d(x) = slope · x
    if k4 or k5 or k6:
        below = 1 + r2 * (k4 + r2 * (k5 + r2 * k6))
        radial = radial / below
        slope = (slope - 2 * radial * (k4 + r2 * (2 * k5 + r2 * 3 * k6))) / below
    mixed = x * y * slope + 2 * p1 * x + 2 * p2 * y
    J[..., 0, 0] = radial + x * x * slope + 2 * p1 * y + 6 * p2 * x
    J[..., 0, 1] = J[..., 1, 0] = mixed
    J[..., 1, 1] = radial + y * y * slope + 6 * p1 * y + 2 * p2 * x
    bent = np.empty_like(xy)
    bent[..., 0] = x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
    bent[..., 1] = y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y
    if s1 or s2 or s3 or s4:
        first, second = np.array([s1, s3]), np.array([s2, s4])
        square = r2[..., None]
        bent += square * (first + second * square)
        J += (2 * (first + 2 * second * square))[..., :, None] * xy[..., None, :]
    return bent


def _tilt(tx: float, ty: float) -> Array:
    """Return the homography (3, 3) of a sensor tilted by ``tx`` about x, then ``ty`` about y."""
    R = turns("xy", [tx, ty]).T
    onto = np.array([[R[2, 2], 0, -R[0, 2]], [0, R[2, 2], -R[1, 2]], [0, 0, 1]])
    return np.asarray(onto @ R)


def _tilted(xy: Array, J: Array, H: Array) -> tuple[Array, Array]:
    homogeneous = xy @ H[:, :2].T + H[:, 2]
    scale = 1.0 / homogeneous[..., 2:]
    value = homogeneous[..., :2] * scale
    by_xy = (H[:2, :2] - value[..., :, None] * H[2, :2]) * scale[..., None]
    return value, by_xy @ J


NAMES = (
    "board scale",
    "board bow along the rows",
    "board bow along the columns",
    "focal length",
    "image centre x",
    "image centre y",
    "distortion r³",
    "distortion r⁵",
    "depth scale",
)
UNITS = ("", "mm", "mm", "", "px", "px", "px", "px", "")
OF_BOARD = 3  # terms that belong to the board; the others to the camera
DEPTH_SCALE = len(NAMES) - 1  # and the last one to its depth
STEP = 1e-4  # [-] of normalised coordinates, for the change of magnification


@dataclass(frozen=True, slots=True, eq=False)
class Terms:
    """The terms that are not known exactly: ``sd_of_all`` (9,), 0 for one that is.

    ``principal`` (2,) and ``corner_px`` say where the image's centre and farthest corner lie,
    ``middle`` (2,) and ``reach`` (2,) [mm] the same of the board; ``reach`` is scaled so that the
    two bows together lift a corner by their standard deviation.
    """

    sd_of_all: Array
    principal: Array
    corner_px: float
    middle: Array
    reach: Array

    @property
    def kept(self) -> NDArray[np.bool_]:
        """Which of the nine terms are unknown (9,)."""
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
    def of_lens(self) -> NDArray[np.bool_]:
        """Which of the unknown terms (q,) lens data are off by, depth apart."""
        every = np.arange(len(NAMES))
        return np.asarray(((every >= OF_BOARD) & (every < DEPTH_SCALE))[self.kept])

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the unknown terms."""
        return tuple(name for name, kept in zip(NAMES, self.kept, strict=True) if kept)

    @property
    def units(self) -> tuple[str, ...]:
        """Units of the unknown terms; "" is a ratio."""
        return tuple(unit for unit, kept in zip(UNITS, self.kept, strict=True) if kept)

    def only(self, names: Sequence[str]) -> Terms:
        """Return the terms with these names as the unknown ones."""
        sd = np.where(self.kept, self.sd_of_all, 1.0)
        return replace(self, sd_of_all=np.where([name in names for name in NAMES], sd, 0.0))

    def pixel_rows(self, points: Array, R: Array, by_point: Array, pixels: Array) -> Array:
        """Return Q (n, m, 2, q) of ``points`` (n, m, 3) in the board frame, seen at ``pixels``.

        ``R`` (n, 3, 3) of camera_T_board, ``by_point`` (n, m, 2, 3) the pixels' derivative by the
        camera point.
        """
        Q = np.empty((*pixels.shape, len(NAMES)))
        Q[..., :OF_BOARD] = by_point @ self._by_board(points, R)
        Q[..., OF_BOARD:] = self._by_lens(pixels)
        return np.asarray(Q[..., self.kept])

    def depth_rows(self, points: Array, R: Array, depths: Array) -> Array:
        """Return how the depths (n, m) measured of ``points`` (n, m, 3) change, (n, m, q)."""
        Q = np.zeros((*depths.shape, len(NAMES)))
        Q[..., :OF_BOARD] = self._by_board(points, R)[..., 2, :]
        Q[..., DEPTH_SCALE] = depths
        return np.asarray(Q[..., self.kept])

    def _by_board(self, points: Array, R: Array) -> Array:
        """Return how points (n, m, 3) of the board move on the camera's axes, (n, m, 3, 3)."""
        off = (points[..., :2] - self.middle) / self.reach
        in_board = np.zeros((*points.shape, OF_BOARD))
        in_board[..., 0] = points
        in_board[..., 2, 1:] = off**2
        return np.asarray(R[:, None] @ in_board)

    def _by_lens(self, pixels: Array) -> Array:
        """Return the shift (..., 2, 6) of ``pixels`` (..., 2) per unit of the camera's terms."""
        off = pixels - self.principal
        part = off / self.corner_px
        square = (part**2).sum(axis=-1, keepdims=True)
        Q = np.zeros((*pixels.shape, len(NAMES) - OF_BOARD))
        Q[..., 0] = off
        Q[..., 0, 1] = Q[..., 1, 2] = 1.0
        Q[..., 3] = part * square
        Q[..., 4] = part * square**2
        return Q

    def located(self, places: Array, lens: Lens) -> Array:
        """Return how far off parts at ``places`` (n, 3) [mm] are located, (n, 3, q) per term.

        By these lens data, from an image: the direction is off by the shift of the pixel, the
        distance by the change of size, which is the mean of the shift's derivatives. The board's
        terms are not the part's: 0.
        """
        n = places[:, :2] / places[:, 2:]
        shift = self._direction(n, lens)
        growth = np.zeros(shift.shape[::2])
        for axis, step in enumerate(STEP * np.eye(2)):
            there = self._direction(n + step, lens) - self._direction(n - step, lens)
            growth += there[:, axis] / (2.0 * STEP)
        rows = -0.5 * places[:, :, None] * growth[:, None, :]
        rows[:, :2] += places[:, 2, None, None] * shift
        whole = np.concatenate([np.zeros((len(places), 3, OF_BOARD)), rows], axis=2)
        return np.asarray(whole[..., self.kept])

    def located_by_depth(self, places: Array) -> Array:
        """Return how far off parts at ``places`` (n, 3) [mm] are located by points in space.

        (n, 3, q): their scale is that of the depth.
        """
        rows = np.zeros((*places.shape, len(NAMES)))
        rows[..., DEPTH_SCALE] = places
        return np.asarray(rows[..., self.kept])

    def _direction(self, n: Array, lens: Lens) -> Array:
        """Return the shift of normalised coordinates (..., 2, 6) per term, at ``n`` (..., 2)."""
        pixels, by_point = project_with_jacobian(np.insert(n, 2, 1.0, axis=-1), lens)
        return np.asarray(np.linalg.solve(by_point[..., :2], self._by_lens(pixels)))


def terms(camera: Camera, points: Array, scale_u: float, bow_u_mm: float) -> Terms:
    """Return the terms of a camera and of a board with ``points`` (n, 3) [mm]."""
    u, K = camera.u or ASSUMED_LENS_U, np.asarray(camera.matrix, float)
    far = np.maximum(K[:2, 2], np.asarray(camera.image_size_px) - K[:2, 2])
    low, high = points[:, :2].min(axis=0), points[:, :2].max(axis=0)
    half = np.maximum((high - low) / 2.0, 1e-9)
    edge = u.edge_px / np.sqrt(2.0)  # two shapes that both reach the corner
    depth = 0.0 if camera.depth is None else camera.depth.scale_u
    depth = ASSUMED_DEPTH_SCALE_U if depth is None else depth
    sd = [scale_u, bow_u_mm, bow_u_mm, u.focal, u.center_px, u.center_px, edge, edge, depth]
    return Terms(
        sd_of_all=np.array(sd, float),
        principal=K[:2, 2],
        corner_px=float(np.linalg.norm(far)),
        middle=(low + high) / 2.0,
        reach=half * 2.0**0.25,
    )
