"""Lens data from a session's own points, to compare with those in the cell.

The lens is calibrated by OpenCV (Zhang 2000: several views of a flat board) from the points of all
stations, with the distortion terms that the cell uses. Views of one session are made for another
purpose and tell a lens less well than a calibration of its own: the result is a check, and carries
the uncertainty that OpenCV states.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from ..arrays import Array
from ..cell.session import Session
from ..errors import StationbookError
from ..sessions.folder import observations

LEAST_VIEWS = 5  # Zhang 2000: 3 views settle five lens values; two more leave something to check
TILT_SPREAD_DEG = 10.0  # deg; nearly parallel boards cannot tell focal length from distance; CP
COVERAGE = 1.96  # [-] standard uncertainties: 5 % of good lens data differ by more, by chance


@dataclass(frozen=True, slots=True, eq=False)
class LensCheck:
    """Lens data found from a session, and those of its cell.

    ``matrix`` (3, 3) [px]; ``distortion`` (k,); ``u_matrix`` standard uncertainties of fx fy cx cy
    [px]; ``residual_px`` RMS per coordinate; ``cell_residual_px`` the same with the cell's data,
    each board placed as well as it can be. ``differs``: names of what differs by more than both
    noise and chance explain.
    """

    views: int
    matrix: Array
    distortion: Array
    u_matrix: Array
    residual_px: float
    cell_residual_px: float
    differs: tuple[str, ...]

    def document(self) -> dict[str, Any]:
        """Return plain data."""
        fx, fy, cx, cy = (float(u) for u in self.u_matrix)
        return {
            "format": 1,
            "views": self.views,
            "matrix": self.matrix.tolist(),
            "distortion": self.distortion.tolist(),
            "u_px": {"fx": fx, "fy": fy, "cx": cx, "cy": cy},
            "residual_px": self.residual_px,
            "cell_residual_px": self.cell_residual_px,
            "differs": list(self.differs),
        }


def check_lens(session: Session, folder: Path) -> LensCheck:
    """Return the lens data that the points of ``session`` support.

    Raises StationbookError for too few views or views too much alike, FileError for a points file
    that is missing or damaged.
    """
    board, camera = session.cell.board.points(), session.cell.camera
    used = replace(session, stations=tuple(s for s in session.stations if s.points is not None))
    seen = observations(used, folder)
    if len(seen) < LEAST_VIEWS:
        raise StationbookError(
            f"stations with points: {len(seen)}; a lens needs at least {LEAST_VIEWS}",
            "Record more stations, tilted in different directions.",
        )
    objects = [np.float32(board[s.point_ids]) for s in seen]
    pixels = [np.float32(s.pixels) for s in seen]
    start, bent = np.array(camera.matrix, float), np.array(camera.distortion, float)
    given = _calibrated(objects, pixels, camera.image_size_px, start, bent, _ALL_FIXED)
    found = _calibrated(objects, pixels, camera.image_size_px, start, bent, _free(len(bent)))
    _refuse_parallel(found[3])
    u = np.asarray(found[5]).ravel()[:4]
    moved = np.abs((found[1] - start)[[0, 1, 0, 1], [0, 1, 2, 2]])
    names = ("focal length x", "focal length y", "image centre x", "image centre y")
    differs = tuple(n for n, m, s in zip(names, moved, u, strict=True) if m > COVERAGE * s)
    scale = np.sqrt(2.0)  # OpenCV's figure is per point; ours per coordinate
    return LensCheck(
        len(seen),
        np.asarray(found[1]),
        np.asarray(found[2]).ravel()[: len(bent) or None],
        u,
        float(found[0] / scale),
        float(given[0] / scale),
        differs,
    )


_ALL_FIXED = (
    cv2.CALIB_USE_INTRINSIC_GUESS
    | cv2.CALIB_FIX_FOCAL_LENGTH
    | cv2.CALIB_FIX_PRINCIPAL_POINT
    | cv2.CALIB_FIX_TANGENT_DIST
    | cv2.CALIB_FIX_K1
    | cv2.CALIB_FIX_K2
    | cv2.CALIB_FIX_K3
    | cv2.CALIB_FIX_K4
    | cv2.CALIB_FIX_K5
    | cv2.CALIB_FIX_K6
    | cv2.CALIB_FIX_S1_S2_S3_S4
    | cv2.CALIB_FIX_TAUX_TAUY
)


def _free(count: int) -> int:
    """Return OpenCV's flags that free the focal length, the centre and ``count`` coefficients."""
    flags = cv2.CALIB_USE_INTRINSIC_GUESS
    if count == 0:
        return flags | cv2.CALIB_ZERO_TANGENT_DIST | cv2.CALIB_FIX_K1 | _no_k(2)
    if count == 4:
        return flags | cv2.CALIB_FIX_K3
    if count >= 8:
        flags |= cv2.CALIB_RATIONAL_MODEL
    if count >= 12:
        flags |= cv2.CALIB_THIN_PRISM_MODEL
    if count >= 14:
        flags |= cv2.CALIB_TILTED_MODEL
    return flags


def _no_k(first: int) -> int:
    fixed = {2: cv2.CALIB_FIX_K2, 3: cv2.CALIB_FIX_K3}
    return sum(flag for number, flag in fixed.items() if number >= first)


def _calibrated(
    objects: list[Any],
    pixels: list[Any],
    size: tuple[int, int],
    matrix: Array,
    distortion: Array,
    flags: int,
) -> tuple[Any, ...]:
    padded = np.zeros(max(len(distortion), 5))
    padded[: len(distortion)] = distortion
    try:
        return tuple(
            cv2.calibrateCameraExtended(objects, pixels, size, matrix.copy(), padded, flags=flags)
        )
    except cv2.error as error:
        raise StationbookError(
            f"the lens cannot be found from these points ({error.err})",
            "Record more stations, tilted in different directions.",
        ) from error


def _refuse_parallel(rotations: Any) -> None:
    """Refuse boards that are all nearly parallel to each other."""
    normals = np.array([cv2.Rodrigues(r)[0][:, 2] for r in rotations])
    spread = np.degrees(np.arccos(np.clip(normals @ normals.mean(axis=0), -1.0, 1.0))).max()
    if spread < TILT_SPREAD_DEG:
        raise StationbookError(
            f"the boards are tilted against each other by only {spread:.0f}°",
            f"A lens needs boards tilted by at least {TILT_SPREAD_DEG:.0f}° in different "
            "directions.",
        )
