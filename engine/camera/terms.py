"""What lens data and a board's points may be off by: unknowns that all views share.

Eight terms: the board's scale, its bow along both sides (a parabola each), and of the lens focal
length, principal point (x, y) and two radial shapes r³ and r⁵ of what distortion leaves. The pixel
of a point moves by ``Q · terms``, to first order: a percent of focal length leaves out 0.1 px at
the border.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from .lens import Lens, project_with_jacobian
from .model import ASSUMED_LENS_U, Camera

NAMES = (
    "board scale",
    "board bow along the rows",
    "board bow along the columns",
    "focal length",
    "image centre x",
    "image centre y",
    "distortion r³",
    "distortion r⁵",
)
UNITS = ("", "mm", "mm", "", "px", "px", "px", "px")
OF_BOARD = 3  # terms that belong to the board; the others to the lens
STEP = 1e-4  # [-] of normalised coordinates, for the change of magnification


@dataclass(frozen=True, slots=True, eq=False)
class Terms:
    """The terms that are not known exactly: ``sd`` (8,), 0 for one that is.

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
        """Which of the eight terms are unknown (8,)."""
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
        off = (points[..., :2] - self.middle) / self.reach
        in_board = np.zeros((*points.shape, OF_BOARD))
        in_board[..., 0] = points
        in_board[..., 2, 1:] = off**2
        Q = np.empty((*pixels.shape, len(NAMES)))
        Q[..., :OF_BOARD] = by_point @ (R[:, None] @ in_board)
        Q[..., OF_BOARD:] = self._by_lens(pixels)
        return np.asarray(Q[..., self.kept])

    def _by_lens(self, pixels: Array) -> Array:
        """Return the shift (..., 2, 5) of ``pixels`` (..., 2) per unit of each term of the lens."""
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

    def _direction(self, n: Array, lens: Lens) -> Array:
        """Return the shift of normalised coordinates (..., 2, 5) per term, at ``n`` (..., 2)."""
        pixels, by_point = project_with_jacobian(np.insert(n, 2, 1.0, axis=-1), lens)
        return np.asarray(np.linalg.solve(by_point[..., :2], self._by_lens(pixels)))


def terms(camera: Camera, points: Array, scale_u: float, bow_u_mm: float) -> Terms:
    """Return the terms of a camera and of a board with ``points`` (n, 3) [mm]."""
    u, K = camera.u or ASSUMED_LENS_U, np.asarray(camera.matrix, float)
    far = np.maximum(K[:2, 2], np.asarray(camera.image_size_px) - K[:2, 2])
    low, high = points[:, :2].min(axis=0), points[:, :2].max(axis=0)
    half = np.maximum((high - low) / 2.0, 1e-9)
    edge = u.edge_px / np.sqrt(2.0)  # two shapes that both reach the corner
    sd = [scale_u, bow_u_mm, bow_u_mm, u.focal, u.center_px, u.center_px, edge, edge]
    return Terms(
        sd_of_all=np.array(sd, float),
        principal=K[:2, 2],
        corner_px=float(np.linalg.norm(far)),
        middle=(low + high) / 2.0,
        reach=half * 2.0**0.25,
    )
