"""What the cameras saw at a station: taken from a source, examined, stored under free names.

It is an image, or the points found in one, or a board pose from a system that reports poses.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array, Grey
from ..boards.candidates import Detection
from ..boards.detect import detect
from ..boards.points_file import NO_POINTS, Points, points_text, read_points
from ..camera.model import Camera
from ..cell.cell import Cell
from ..cell.session import Session, Station, View, camera_number
from ..depth.board import DepthReport, depth_findings, look_at_depth, look_at_places
from ..depth.reading import decode_depth, depth_bytes
from ..errors import FileError, PoseError, StationbookError, UsageError
from ..files import LARGEST_FILE, holds, inside
from ..findings import Finding, finding
from ..frames import from_position_quaternion
from ..images.load import Levels, decode_image, decode_levels, image_bytes
from ..images.quality import DARK_SHARE, ImageReport, look, quality_findings
from ..images.sources import ImageSource, open_source
from ..pendant.entry import typed_numbers
from ..sessions.changes import Change
from ..sessions.confirmed import is_confirmed, read_settings
from ..sessions.numbers import stored_points

DEPTH_FOLDER = "depth"  # of a session
POINTS_SUFFIX = ".csv"  # any other file is read as an image

DEPTH_ALONE = "depth without image or points"
DEPTH_NEEDS = "Give the image, or the points, that it was taken with."

BOARD_POSE = ("x", "y", "z", "qx", "qy", "qz", "qw")
BOARD_POSE_UNITS = ("mm",) * 3 + ("",) * 4


@dataclass(frozen=True, slots=True, eq=False)
class DepthDraft:
    """A depth file's content and name, and what it says on the board (None: no board was seen)."""

    data: bytes
    name: str
    report: DepthReport | None


@dataclass(frozen=True, slots=True, eq=False)
class ViewDraft:
    """What the camera saw, examined: an image, points or a board pose, or nothing at all.

    ``depths`` (n,) [mm] of the points, where depth was measured and is good enough to count.
    """

    findings: tuple[Finding, ...]
    name: str | None = None
    image: bytes | None = None
    point_ids: NDArray[np.int64] | None = None
    pixels: Array | None = None
    covariances: Array | None = None
    depths: Array | None = None
    places: Array | None = None
    board_pose: tuple[float, ...] | None = None
    detection: Detection | None = None
    report: ImageReport | None = None
    depth: DepthDraft | None = None


@dataclass(frozen=True, slots=True, eq=False)
class FurtherView:
    """What a further camera saw, examined, with every finding about it."""

    camera: str
    view: ViewDraft
    findings: tuple[Finding, ...]


def examine_image(
    session: Session, folder: Path, path: Path, depth: tuple[bytes, str] | None = None
) -> ViewDraft:
    """Read an image file and examine it as `examine_image_data` does. Raises FileError."""
    data = image_bytes(path)
    written = path.stat().st_mtime
    return examine_image_data(session, folder, data, path.name, depth, written=written)


def examine_image_data(
    session: Session,
    folder: Path,
    data: bytes,
    name: str,
    depth: tuple[bytes, str] | None = None,
    *,
    written: float | None = None,
) -> ViewDraft:
    """Search the board in an image file's content and look at its quality.

    ``depth``: content and name of the depth file taken with it. ``written``: when the file was last
    written [s since 1970], None where it comes from none. Raises FileError when either cannot
    be read, UsageError for depth that the cell does not describe.
    """
    cell = session.cell
    shown = any(station.points or station.views for station in session.stations)
    judged = judged_image(cell, data, name, mirrored=not shown)
    detection, found = judged.detection, list(judged.findings)
    same = _station_with_image(session, folder, data)
    if same is not None:
        found.append(finding("same-image", other=same))
    if age := before_session(session, written):
        found.append(finding("image-old", age=age))
    seen = len(detection.ids) > 0
    if depth is None and cell.camera.depth is not None:
        found.append(finding("depth-holes", "absent"))
    view = ViewDraft(
        tuple(found),
        name=name,
        image=data,
        point_ids=detection.ids if seen else None,
        pixels=detection.pixels if seen else None,
        covariances=detection.covariances if seen else None,
        detection=detection,
        report=judged.report,
    )
    return view if depth is None else with_depth(view, cell, *depth, judged.grey)


CLOCKS_APART = timedelta(minutes=1)  # between this machine and the camera's; common practice


def before_session(session: Session, written: float | None) -> str:
    """Return in words how long before the session an image was written; "" for any later one."""
    if written is None or not session.created:
        return ""
    began = datetime.fromisoformat(session.created)
    before = timedelta(seconds=began.timestamp() - written)
    return _in_words(before) if before > CLOCKS_APART else ""


def _in_words(passed: timedelta) -> str:
    minutes = int(passed.total_seconds() // 60)
    if minutes < 120:
        return f"{minutes} min"
    return f"{minutes // 60} h" if minutes < 48 * 60 else f"{passed.days} days"


def with_depth(
    view: ViewDraft, cell: Cell, data: bytes, name: str, grey: Grey | None = None
) -> ViewDraft:
    """Return the view with the depth in a file's content, checked on the board that it shows.

    ``grey``: its image, where that is decoded already. Depth about which anything is said does not
    count. Raises FileError when it cannot be read, UsageError where the cell does not describe it.
    """
    camera, board = cell.camera, cell.board
    if camera.depth is None:
        raise UsageError(
            "depth was given, but the cell does not say what it means",
            "Add camera.depth: {scale_mm: .., frame: camera} to the cell.",
        )
    if grey is None and view.image is not None:
        grey = decode_image(view.image, view.name, camera.bits)
    size = camera.image_size_px if grey is None else (grey.shape[1], grey.shape[0])
    depth = decode_depth(data, name, camera.depth, size)
    if view.point_ids is None or view.pixels is None:
        return replace(view, depth=DepthDraft(data, name, None))
    seen = look_at_depth(depth, view.point_ids, view.pixels, grey, board, camera)
    said = depth_findings(seen, board, camera.depth)
    return replace(
        view,
        findings=(*view.findings, *said),
        depths=seen.depths if not said else None,
        depth=DepthDraft(data, name, seen),
    )


def stored_depth(session: Session, folder: Path, station: Station) -> ViewDraft:
    """Return the view of a station with the depth that it carries, on the board in its points.

    Light and dark parts are told apart where its image is still there. Raises FileError naming the
    station where the depth cannot be read.
    """
    view = points_view(stored_points(session, folder, station))
    try:
        image = inside(folder, station.image or ".")
        if station.depth is None:
            raise FileError(folder, f"station {station.id} carries no depth")
        if image.is_file():
            view = replace(view, image=image_bytes(image), name=station.image)
        path = inside(folder, station.depth)
        return with_depth(view, session.cell, depth_bytes(path), str(path))
    except FileError as error:
        problem = f"station {station.id}: {error.clause}"
        raise FileError(error.path, problem, error.remedy) from error


def read_depth(path: Path) -> tuple[bytes, str]:
    """Return content and name of a depth file. Raises FileError where there is none."""
    return depth_bytes(path), path.name


@dataclass(frozen=True, slots=True, eq=False)
class JudgedImage:
    """One image by itself: the board found in it, what it shows in numbers, what is wrong."""

    name: str
    grey: Grey
    detection: Detection
    report: ImageReport
    findings: tuple[Finding, ...]


def judged_image(cell: Cell, data: bytes, name: str, *, mirrored: bool = True) -> JudgedImage:
    """Search the board in an image file's content and judge it. Raises FileError when it is none.

    The verdict is what the image costs in mm at the work volume, against the cell's tolerance.
    ``mirrored`` as in `look`.
    """
    levels = decode_levels(data, name, cell.camera.bits)
    found = detect(levels.grey, cell.board, cell.camera)
    return judged(cell, levels, found, name, mirrored=mirrored)


def judged(
    cell: Cell, levels: Levels, detection: Detection, name: str, *, mirrored: bool = True
) -> JudgedImage:
    """Judge an image by what was found in it, as `judged_image` does."""
    grey, board, camera = levels.grey, cell.board, cell.camera
    volume = cell.work_volume.size_mm
    report = look(grey, detection, board, camera, volume, mirrored=mirrored)
    tolerance_mm = cell.tolerance.position_mm
    found = quality_findings(report, board, camera, name, tolerance_mm=tolerance_mm)
    if levels.used < DARK_SHARE and not any(item.code == "under-exposed" for item in found):
        found.append(finding("under-exposed", "range", percent=100 * levels.used))
    return JudgedImage(name, grey, detection, report, tuple(found))


def examine_points(
    session: Session, path: Path, depth: tuple[bytes, str] | None = None
) -> ViewDraft:
    """Read points: detected (CSV id,u_px,v_px) or measured in space (id,x_mm,y_mm,z_mm).

    ``depth``: content and name of the depth file taken with them. Raises FileError naming the line.
    """
    cell = session.cell
    points = read_points(path, cell.board, cell.camera)
    view = points_view(points, path.name)
    if points.places is not None:
        seen = look_at_places(points.ids, points.pixels, points.places, cell.board, cell.camera)
        view = replace(view, findings=tuple(depth_findings(seen, cell.board, None)))
    return view if depth is None else with_depth(view, cell, *depth)


def points_view(points: Points | None, name: str | None = None) -> ViewDraft:
    """Return the view of a station of which only detected points are known."""
    return ViewDraft((), name, None, *(points or NO_POINTS))


def examine_file(
    session: Session, folder: Path, path: Path, depth: Path | None = None
) -> ViewDraft:
    """Examine a file as what it is: detected points (.csv), or an image. Raises FileError.

    ``depth``: the file that a 3-D camera took with it.
    """
    taken = None if depth is None else read_depth(depth)
    if path.suffix.lower() != POINTS_SUFFIX:
        return examine_image(session, folder, path, taken)
    return examine_points(session, path, taken)


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
            with suppress(FileError):  # what is wrong with it, `check` says
                if image and holds(inside(folder, image), data, LARGEST_FILE):
                    return station.id
    return None


def findings_of(views: Iterable[FurtherView]) -> tuple[Finding, ...]:
    """Return the findings of several views."""
    return tuple(item for view in views for item in view.findings)


def stored_views(
    cell: Cell, folder: Path, station_id: int, views: Sequence[FurtherView]
) -> tuple[tuple[View, ...], dict[str, bytes]]:
    """Return views as a station names them, and the contents to write by file name.

    The files carry the camera's place in the cell: images/003-camera2.png.
    """
    seen: list[View] = []
    files: dict[str, bytes] = {}
    for item in views:
        stem = f"{station_id:03d}-camera{camera_number(cell, item.camera)}"
        names, contents = new_files(folder, stem, item.view)
        seen.append(View(item.camera, *map(names.get, ("image", "points", "depth"))))
        files |= contents
    return tuple(seen), files


def new_files(folder: Path, stem: str, view: ViewDraft) -> tuple[dict[str, str], dict[str, bytes]]:
    """Return a view's file names and the contents to write; old files are never replaced."""
    names: dict[str, str] = {}
    files: dict[str, bytes] = {}
    if view.image is not None:
        suffix = Path(view.name or "").suffix.lower() or ".png"
        names["image"] = _free_name(folder, "images", stem, suffix)
        files[names["image"]] = view.image
    if view.point_ids is not None and view.pixels is not None:
        names["points"] = _free_name(folder, "points", stem, ".csv")
        measured = (view.covariances, view.depths, view.places)
        files[names["points"]] = points_text(view.point_ids, view.pixels, *measured).encode()
    if view.depth is not None:
        suffix = Path(view.depth.name).suffix.lower() or ".png"
        names["depth"] = _free_name(folder, DEPTH_FOLDER, stem, suffix)
        files[names["depth"]] = view.depth.data
    return names, files


def _free_name(folder: Path, kind: str, stem: str, suffix: str) -> str:
    name, attempt = f"{kind}/{stem}{suffix}", 1
    while (folder / name).exists():
        attempt += 1
        name = f"{kind}/{stem}-{attempt}{suffix}"
    return name


PHOTO_FOLDER = "photos"


def photographed(change: Change, folder: Path, station_id: int, path: Path) -> Change:
    """Return ``change`` with a photograph of the pendant kept beside a station, as evidence.

    The journal keeps its SHA-256 with the other files of the change. Raises FileError for a file
    that is no image.
    """
    data = image_bytes(path)
    decode_image(data, path)
    name = _free_name(folder, PHOTO_FOLDER, f"{station_id:03d}", path.suffix.lower() or ".jpg")
    station = replace(change.session.existing(station_id), photo=name)
    return replace(
        change,
        session=change.session.with_station(station),
        files={**change.files, name: data},
        details={**change.details, "photo": path.name},
    )


def photo_kept(session: Session, folder: Path, station_id: int, path: Path) -> Change:
    """Return the change that keeps a photograph of the pendant with a recorded station."""
    session.existing(station_id)
    return photographed(Change("photo", session, {"station": station_id}), folder, station_id, path)


def inactive_source(folder: Path, camera: Camera) -> Finding | None:
    """Return `source-inactive` where the camera's source was not confirmed on this machine.

    ``folder`` is that of the session or cell. Raises FileError where the user's own configuration
    cannot be read.
    """
    source = camera.source
    if not source or is_confirmed(folder, source):
        return None
    kind, value = next(iter(source.items()))
    return finding("source-inactive", source=f"{kind} {value}")


NO_SOURCE = "the cell names no image source"


def confirmed_source(cell: Cell, folder: Path, *, depth: bool = True) -> ImageSource:
    """Return the source that ``cell`` names, for images of the session or cell in ``folder``.

    ``depth``: images wait for the depth taken with them, where the cell has a 3-D camera.

    Raises StationbookError where it names none or the source was not confirmed on this machine,
    FileError where the user's own configuration cannot be read.
    """
    source = cell.camera.source
    if source is None:
        raise StationbookError(NO_SOURCE, "Set camera.source in the cell.")
    if said := inactive_source(folder, cell.camera):
        raise StationbookError(f"{said.code}: {said.message.rstrip('.')}", said.remedy)
    settings = read_settings()
    logins = {host: (login.user, login.password) for host, login in settings.credentials.items()}
    pairs = depth and cell.camera.depth is not None
    return open_source(source, folder, commands=settings.commands, credentials=logins, pairs=pairs)
