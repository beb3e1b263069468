"""What the camera saw at a station, examined: an image, points, or a board pose."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..boards.detect import Detection, detect
from ..boards.points_file import read_points
from ..cell.session import Session
from ..errors import PoseError, StationbookError
from ..findings import Finding, finding
from ..frames import from_position_quaternion
from ..images.load import decode_image, image_bytes
from ..images.quality import ImageReport, look, quality_findings
from ..pendant.entry import typed_numbers

POINTS_SUFFIX = ".csv"  # any other file is read as an image

BOARD_POSE = ("x", "y", "z", "qx", "qy", "qz", "qw")
BOARD_POSE_UNITS = ("mm",) * 3 + ("",) * 4


@dataclass(frozen=True, slots=True, eq=False)
class ViewDraft:
    """What the camera saw, examined: an image, points or a board pose, or nothing at all."""

    findings: tuple[Finding, ...]
    name: str | None = None
    image: bytes | None = None
    point_ids: NDArray[np.int64] | None = None
    pixels: Array | None = None
    board_pose: tuple[float, ...] | None = None
    detection: Detection | None = None
    report: ImageReport | None = None


def examine_image(session: Session, folder: Path, path: Path) -> ViewDraft:
    """Read an image file and examine it. Raises FileError when it is missing or is no image."""
    return examine_image_data(session, folder, image_bytes(path), path.name)


def examine_image_data(session: Session, folder: Path, data: bytes, name: str) -> ViewDraft:
    """Search the board in an image file's content and look at its quality.

    Raises FileError when it is no image.
    """
    grey = decode_image(data, name)
    cell = session.cell
    detection = detect(grey, cell.board, cell.camera)
    report = look(grey, detection, cell.board, cell.camera)
    found = quality_findings(report, cell.board, cell.camera, image=name)
    same = _station_with_image(session, folder, data)
    if same is not None:
        found.append(finding("same-image", other=same))
    seen = len(detection.ids) > 0
    return ViewDraft(
        tuple(found),
        name=name,
        image=data,
        point_ids=detection.ids if seen else None,
        pixels=detection.pixels if seen else None,
        detection=detection,
        report=report,
    )


def examine_points(session: Session, path: Path) -> ViewDraft:
    """Read detected points (CSV id,u_px,v_px). Raises FileError naming the line."""
    ids, pixels = read_points(path, session.cell.board)
    return ViewDraft((), name=path.name, point_ids=ids, pixels=pixels)


def examine_file(session: Session, folder: Path, path: Path) -> ViewDraft:
    """Examine a file as what it is: detected points (.csv), or an image. Raises FileError."""
    if path.suffix.lower() == POINTS_SUFFIX:
        return examine_points(session, path)
    return examine_image(session, folder, path)


def examine_board_pose(text: str) -> ViewDraft:
    """Read x y z qx qy qz qw [mm, -] of camera_T_board. Raises PoseError."""
    try:
        values = typed_numbers(text, BOARD_POSE, BOARD_POSE_UNITS)
        from_position_quaternion(values)
    except StationbookError as error:
        field = getattr(error, "field", None)
        about = f"{field}: " if field else ""
        raise PoseError(
            f"board pose: {about}{error.problem}",
            "Write x y z qx qy qz qw, mm, separated by spaces.",
        ) from error
    return ViewDraft((), board_pose=values)


def no_view(*, seen_by_others: bool = False) -> ViewDraft:
    """Return the view of a station without image and points; no finding where others saw it."""
    return ViewDraft(() if seen_by_others else (finding("board-missing", "no-image"),))


def _station_with_image(session: Session, folder: Path, data: bytes) -> int | None:
    """Return the station whose image has the same content; sizes are compared before contents."""
    for station in session.stations:
        for image in (station.image, *(view.image for view in station.views)):
            path = folder / (image or "")
            if path.is_file() and path.stat().st_size == len(data) and path.read_bytes() == data:
                return station.id
    return None
