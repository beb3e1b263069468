"""Checking a whole session: every recorded station again, all of them together, and the lens.

The lens is calibrated by OpenCV (Zhang 2000: several views of a flat board) from the points of all
stations, with the distortion terms that the cell uses. Views of one session are made for another
purpose and tell a lens less well than a calibration of its own: the result is a check, and carries
the uncertainty that OpenCV states.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from ..arrays import Array
from ..cell.session import Session, Station, seen_by
from ..cell.stations import station_pose
from ..checks.entry import RecordedPose
from ..diagnosis.diagnose import CAUSES
from ..errors import PoseError, StationbookError
from ..files import inside, read_bytes, sha256
from ..findings import Finding, finding
from ..pendant.entry import pose_from_fields
from ..sessions.changes import read_journal, unfinished
from ..sessions.folder import observations
from ..sessions.store import SESSION_FILE
from .solve import solve_session
from .station_image import DEPTH_FOLDER, stored_depth_findings
from .station_pose import Known, pose_findings

RECORDED = ("record", "retake")  # actions after which the journal's station is in the session


def check_session(session: Session, folder: Path) -> list[Finding]:
    """Return every finding on a session: causes first, then station by station, then the rest.

    A wrong value or convention puts stations out of reach, too near or elsewhere: the cause comes
    before what follows from it. Warnings that the operator accepted when recording are not
    repeated. Raises FileError when a file that a station names is missing or damaged.
    """
    found = list(_station_findings(session))
    gone = _gone(session, folder)
    found += gone
    found += _depth_findings(session, folder)
    leftover = unfinished(folder)
    if leftover and not gone:
        what = ", ".join(dict.fromkeys(str(line.get("action", "?")) for line in leftover))
        found.append(finding("journal-unfinished", count=len(leftover), what=what))
    if session.cell.robot is None:
        found.append(finding("reach-unchecked"))
    if any(item.code == "format" for item in found):
        return found
    whole = solve_session(session, folder).stored.all_findings
    causes = [item for item in whole if item.code in CAUSES]
    return [*causes, *found, *(item for item in whole if item.code not in CAUSES)]


def _depth_findings(session: Session, folder: Path) -> Iterator[Finding]:
    """Give what is wrong with the depth that the stations in use carry, of every camera.

    Files that a pack left out are not missed. Raises FileError for one that is damaged.
    """
    for name in (session.cell.camera.name, *(camera.name for camera in session.cell.cameras)):
        own = seen_by(session, name)
        for station in own.stations:
            if station.use and station.depth and (folder / DEPTH_FOLDER).is_dir():
                for item in stored_depth_findings(own, folder, station):
                    if item.code not in station.accepted:
                        yield replace(item, station=station.id)


def _gone(session: Session, folder: Path) -> list[Finding]:
    """Return `stations-gone` where the file lacks stations that the journal knows were stored.

    A line was stored where a later one began from it, or where the file is none of the journal's.
    """
    own = [line for line in read_journal(folder) if line["file"] == SESSION_FILE]
    now = sha256(read_bytes(inside(folder, SESSION_FILE)))
    if not own or own[-1]["after"] == now:
        return []
    began = {line["before"] for line in own}
    foreign = all(line["after"] != now for line in own)
    stored = [line for line in own if foreign or line["after"] in began]
    noted = {line.get("station") for line in stored if line.get("action") in RECORDED}
    ids = sorted(i for i in noted if isinstance(i, int) and session.station(i) is None)
    if not ids:
        return []
    return [finding("stations-gone", count=len(ids), ids=", ".join(map(str, ids)))]


def _station_findings(session: Session) -> Iterator[Finding]:
    recorded: list[RecordedPose] = []
    for station in session.stations:
        if not station.use:
            continue
        try:
            found = _one_station(session, station, recorded)
        except PoseError as error:
            found = [
                finding("format", field=error.field, problem=error.problem, remedy=error.remedy)
            ]
        for item in found:
            if item.code not in station.accepted:
                yield replace(item, station=station.id)


def _one_station(session: Session, station: Station, recorded: list[RecordedPose]) -> list[Finding]:
    """Check one station against those before it, and add its pose to them."""
    cell = session.cell
    pose = station_pose(cell, station)
    found: list[Finding] = []
    if pose is not None:
        typed = pose_from_fields(station.pose, cell.pendant) if station.pose else None
        found += pose_findings(cell, station, typed, pose, Known(recorded))
        recorded.append(RecordedPose(station.id, pose))
    if station.points is None and station.board_pose is None and not station.views:
        found.append(finding("board-missing", "no-image"))
    return found


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
        fixed = cv2.CALIB_FIX_K1 | cv2.CALIB_FIX_K2 | cv2.CALIB_FIX_K3
        return flags | cv2.CALIB_ZERO_TANGENT_DIST | fixed
    if count == 4:
        return flags | cv2.CALIB_FIX_K3
    if count >= 8:
        flags |= cv2.CALIB_RATIONAL_MODEL
    if count >= 12:
        flags |= cv2.CALIB_THIN_PRISM_MODEL
    if count >= 14:
        flags |= cv2.CALIB_TILTED_MODEL
    return flags


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
