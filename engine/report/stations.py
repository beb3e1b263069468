"""What a report shows of every station: its picture, its numbers, how the uncertainty fell."""

from __future__ import annotations

import base64
from concurrent.futures import ThreadPoolExecutor
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path
from threading import Lock

import cv2
import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..boards.pattern import symmetries
from ..camera.lens import project
from ..cell.cell import Cell
from ..cell.result import StationResult, StoredResult
from ..cell.session import Session, Station
from ..cell.stations import station_pose
from ..errors import StationbookError
from ..estimate.information import known_beforehand, uncertainty_after, whole_information
from ..estimate.problem import Problem, predicted_view
from ..estimate.result import Result
from ..estimate.solver import LEAST_STATIONS
from ..files import inside
from ..frames import apply
from ..images.load import decode_image, decode_upright, image_bytes, is_large
from ..proof.stated import transform_of
from ..sessions.numbers import stored_points


@dataclass(frozen=True, slots=True, eq=False)
class StationView:
    """One station of a report.

    Attributes:
        station: as stored.
        row: its entry in the result; one of a station not used where it has none.
        base_T_flange: (4, 4) [mm] as typed, None where it cannot be read.
        seen: (n, 2) [px] where the points were seen, None where there are none.
        expected: (n, 2) [px] where result and typed pose put them, None where not known.
        problem: what could not be read, in words, or None.
    """

    station: Station
    row: StationResult
    base_T_flange: Array | None
    seen: Array | None
    expected: Array | None
    problem: str | None

    @property
    def used(self) -> bool:
        """Whether the result rests on this station."""
        return self.row.used


@dataclass(frozen=True, slots=True, eq=False)
class Placement:
    """Both transforms of a result (4, 4) [mm]; None where not wholly known.

    ``camera`` is where the camera is (robot errors apart), ``delivered`` what is handed over.
    """

    camera: Array | None
    board: Array | None
    delivered: Array | None


def placement(result: StoredResult, cell: Cell) -> Placement:
    """Return the transforms of a result; raises StationbookError for damaged ones."""
    delivered = transform_of(result.camera, cell.camera_key)
    camera = transform_of(result.geometric, cell.camera_key)
    board = transform_of(result.board, cell.board_key)
    return Placement(delivered if camera is None else camera, board, delivered)


def station_views(
    session: Session, folder: Path, result: StoredResult, placed: Placement
) -> list[StationView]:
    """Return all stations of the session in their order; raises nothing for damaged ones."""
    rows = {row.id: row for row in result.stations}
    return [
        _view(session, folder, station, rows.get(station.id, StationResult(station.id)), placed)
        for station in session.stations
    ]


def _view(
    session: Session, folder: Path, station: Station, row: StationResult, placed: Placement
) -> StationView:
    pose, points, problems = None, None, []
    try:
        pose = station_pose(session.cell, station)
    except StationbookError as error:
        problems.append(str(error))
    try:
        points = stored_points(session, folder, station)
    except StationbookError as error:
        problems.append(str(error))
    expected = None
    if points is not None and pose is not None:
        expected = _expected(session.cell, placed, pose, points.ids, points.pixels)
    seen = None if points is None else points.pixels
    return StationView(station, row, pose, seen, expected, " ".join(problems) or None)


def _expected(
    cell: Cell, placed: Placement, pose: Array, ids: NDArray[np.int64], seen: Array
) -> Array | None:
    """Return the pixels (n, 2) of the points, the board turned as it fits the image best."""
    if placed.camera is None or placed.board is None:
        return None
    view = predicted_view(cell.mount, placed.camera, pose, placed.board)
    points = apply(view, cell.board.points())
    if (points[:, 2] <= 0).any():
        return None  # behind the camera: nothing could be seen there
    pixels = project(points, cell.camera)
    orders = [ids, *(turn.permutation[ids] for turn in symmetries(cell.board))]
    ways: list[Array] = [pixels[order] for order in orders]  # as read, and as with the board turned
    return min(ways, key=lambda way: float(np.square(way - seen).sum()))


def residuals(views: list[StationView], key: str) -> Array:
    """Return one number of every station (n,), NaN where it is not known."""
    values = [getattr(view.row, key) for view in views]
    return np.array([np.nan if v is None else float(v) for v in values])


RADIAN_MM = 1000.0  # mm; makes rad and mm comparable where rank is judged: a robot's reach
SCALE = np.tile([1 / RADIAN_MM] * 3 + [1.0] * 3, 2)
RANK = 1e-9  # [-] of the largest eigenvalue; double precision leaves a thousandth of that


@dataclass(frozen=True, slots=True)
class CoursePoint:
    """Standard uncertainties [mm] after the first ``count`` stations used; None: not known."""

    count: int
    work_volume_mm: float | None
    pick_mm: float | None


def course(problem: Problem, result: Result) -> tuple[CoursePoint, ...]:
    """Return what the first 3, 4, ... used stations tell, to first order around ``result``.

    Noise levels are those of the whole session, boards are taken as seen whole. Empty where
    nothing was solved.
    """
    if result.pick is None or result.noise is None or result.uncertainty.pick_mm is None:
        return ()
    used = {station.id for station in result.stations if station.used}
    poses = [seen.base_T_flange for seen in problem.observations if seen.id in used]
    if len(poses) < LEAST_STATIONS:
        return ()
    information = np.cumsum(whole_information(problem, result, np.array(poses)), axis=0)
    information += known_beforehand(problem, result)
    points = []
    for count in range(LEAST_STATIONS, len(poses) + 1):
        known = information[count - 1]
        u = uncertainty_after(known, result) if _shown(known[:12, :12]) else (None, None)
        points.append(CoursePoint(count, *u))
    return tuple(points)


def _shown(information: Array) -> bool:
    """Tell whether (12, 12) leaves no direction unknown."""
    values = np.linalg.eigvalsh(information * np.outer(SCALE, SCALE))
    return bool(values[0] >= RANK * values[-1])


WIDTH_PX = 480  # twice what it takes on paper at 150 dots an inch, a third of the page wide
JPEG_QUALITY = 72  # [0 to 100]; a station takes about 20 kB
LONGEST_ARROW = 0.03  # [-] of the image's width: about the spacing of the points
GAINS = tuple(m * 10**k for k in range(4) for m in (1, 2, 5))
HEAD, HEAD_RAD = 0.35, 0.45  # [-] of an arrow's length, and its half angle


@dataclass(frozen=True, slots=True)
class Thumbnail:
    """One station's picture.

    ``svg`` is None where there is neither image nor points; ``problem`` says why the image is not
    shown, or is None. ``gain``: how many times the arrows are longer than the residuals, None
    where there are none. ``rms_px``: of the residuals drawn, per coordinate.
    """

    svg: str | None
    problem: str | None
    gain: int | None
    rms_px: float | None


def thumbnails(views: list[StationView], folder: Path, size: tuple[int, int]) -> list[Thumbnail]:
    """Return the pictures of stations; ``size`` is the camera's image size [px]."""
    workers = 1 if any(_holds_much(folder, view.station.image) for view in views) else None
    with ThreadPoolExecutor(workers) as pool:
        return list(pool.map(lambda view: _thumbnail(view, folder, size), views))


def _holds_much(folder: Path, name: str | None) -> bool:
    """Tell whether an image's file is so large that two at a time are too many."""
    try:
        return name is not None and (folder / name).stat().st_size > MOST_AT_ONCE
    except (OSError, ValueError):
        return False  # said where it is read


def _thumbnail(view: StationView, folder: Path, size: tuple[int, int]) -> Thumbnail:
    picture, problem = None, None
    if view.station.image is not None:
        try:
            picture, size = _small(folder, view.station.image)
        except StationbookError as error:
            problem = str(error)
    if picture is None and view.seen is None:
        return Thumbnail(None, problem, None, None)
    gain, rms, marks = None, None, ""
    if view.seen is not None:
        marks = _dots(view.seen, size[0])
        if view.expected is not None:
            offset = view.expected - view.seen
            gain = _gain(offset, size[0])
            rms = float(np.sqrt(np.mean(offset**2)))
            marks += _arrows(view.seen, offset * gain, size[0])
    return Thumbnail(_svg(picture, size, marks, view.station.id), problem, gain, rms)


def _small(folder: Path, name: str) -> tuple[bytes, tuple[int, int]]:
    """Return an image as a small JPEG, and its own size [px]. Raises StationbookError."""
    path = inside(folder, name)
    file = image_bytes(path)
    with _ALONE if is_large(file, path) else nullcontext():
        grey = decode_image(file, path)
        height, width = grey.shape
        small = _narrowed(grey, WIDTH_PX)
    _, data = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    return data.tobytes(), (width, height)


def _narrowed(picture: NDArray[np.uint8], most: int) -> NDArray[np.uint8]:
    height, width = picture.shape[:2]
    if width <= most:
        return picture
    goal = (most, max(1, round(height * most / width)))
    return np.asarray(cv2.resize(picture, goal, interpolation=cv2.INTER_AREA), np.uint8)


MOST_AT_ONCE = 32 * 2**20  # bytes of a file; of larger ones one at a time is held in memory
_ALONE = Lock()  # held by whoever decodes a large picture
PHOTO_PX = 640  # width; the digits of a pendant that fills the picture stay readable


def small_photo(data: bytes, name: object) -> str:
    """Return a photograph (as its file holds it) as a small upright colour JPEG in base64.

    Raises FileError for what is no image.
    """
    picture = _narrowed(decode_upright(data, name), PHOTO_PX)
    return base64.b64encode(cv2.imencode(".jpg", picture)[1].tobytes()).decode()


def _gain(offset: Array, width: int) -> int:
    """Return the largest gain of `GAINS` that keeps the longest arrow short, at least 1."""
    longest = float(np.linalg.norm(offset, axis=1).max())
    fitting = [gain for gain in GAINS if gain * longest <= LONGEST_ARROW * width]
    return fitting[-1] if fitting else 1


def _svg(picture: bytes | None, size: tuple[int, int], marks: str, station: int) -> str:
    """Return the picture with its marks; one unit is one pixel of the original image."""
    width, height = size
    image = f'<rect x="-0.5" y="-0.5" width="{width}" height="{height}" fill="#8a9499"/>'
    if picture is not None:
        data = base64.b64encode(picture).decode()
        image = (
            f'<image x="-0.5" y="-0.5" width="{width}" height="{height}" '
            f'href="data:image/jpeg;base64,{data}"/>'
        )
    return (
        f'<svg role="img" aria-label="image of station {station}" '
        f'viewBox="-0.5 -0.5 {width} {height}">{image}{marks}</svg>'
    )


def _dots(points: Array, width: int) -> str:
    """Return all points as one path of zero-length strokes with round ends, dark in light."""
    path = "".join(f"M{u:.1f} {v:.1f}h0" for u, v in points)
    return "".join(
        f'<path d="{path}" stroke="{colour}" stroke-width="{width * share:.2f}" '
        'stroke-linecap="round" fill="none"/>'
        for colour, share in (("#fff", 0.011), ("#0b6e6e", 0.006))
    )


def _arrows(start: Array, arrow: Array, width: int) -> str:
    """Return all arrows as one path, dark on a light edge so that they show on any ground."""
    end = start + arrow
    c, s = HEAD * np.cos(HEAD_RAD), HEAD * np.sin(HEAD_RAD)
    left, right = (end - arrow @ np.array([[c, way * s], [-way * s, c]]) for way in (1, -1))
    path = "".join(
        f"M{a[0]:.1f} {a[1]:.1f}L{b[0]:.1f} {b[1]:.1f}"
        f"M{c[0]:.1f} {c[1]:.1f}L{b[0]:.1f} {b[1]:.1f}L{d[0]:.1f} {d[1]:.1f}"
        for a, b, c, d in zip(start, end, left, right, strict=True)
    )
    return "".join(
        f'<path d="{path}" stroke="{colour}" stroke-width="{width * share:.2f}" fill="none"/>'
        for colour, share in (("#fff", 0.0052), ("#7a1f00", 0.0028))
    )
