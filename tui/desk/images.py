"""Images: each new one of the camera's source once, after it was confirmed here; and pictures."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from engine.arrays import Array
from engine.cell.cell import Cell
from engine.cell.session import cell_of, seen_by
from engine.errors import FileError, StationbookError
from engine.estimate.result import Result
from engine.files import LARGEST_FILE, holds, inside, sha256
from engine.findings import Finding
from engine.images.load import image_bytes
from engine.images.sources import ImageSource, NewImage
from engine.proof.touch import read_touches
from engine.sessions.confirmed import confirm
from engine.sessions.numbers import stored_points
from engine.steps.pictures import (
    Scene,
    Thumbnail,
    coverage,
    outline,
    painted,
    scene,
    seen,
    thumbnail,
    wanted_corners,
)
from engine.steps.station_image import (
    ViewDraft,
    before_session,
    confirmed_source,
    examine_image_data,
    inactive_source,
    stored_depth,
)

from .desk import Desk
from .entry import Entry
from .say import depth_signs
from .views import View

State = Literal["none", "unconfirmed", "folder", "live"]


class Watch:
    """Looks for new images of one camera of a session. Everything here may take time."""

    def __init__(self, desk: Desk, camera: str) -> None:
        self.desk, self.camera = desk, camera
        self.state: State = "none"
        self.name = ""
        self.trouble = ""  # what is wrong with the source
        self.inactive: Finding | None = None  # the source was not confirmed on this machine
        self.unread = ""  # why its last image could not be used
        self.left_over = ""  # the newest image, where it is older than the session, and how much
        self.repeated = ""  # what came last, where that image was taken before
        self._looked = False  # what comes after the first look is new, whatever its time says
        self._asked = False  # somebody wants the newest image, however old it is
        self._source: ImageSource | None = None
        self._taken: set[str] = set()

    def open(self) -> None:
        """Open the source that the cell names, if it may be used on this machine.

        What stands in the way is said in ``trouble`` or, not confirmed yet, in ``inactive``.
        """
        self.state, self.trouble, self.inactive = "none", "", None
        try:
            self._open()
        except StationbookError as error:
            self.trouble = str(error)

    def _open(self) -> None:
        cell = self._cell()
        source = cell.camera.source
        if not source:
            return
        kind, value = next(iter(source.items()))
        self.name = f"{kind} {value}"
        self.inactive = inactive_source(self.desk.folder, cell.camera)
        if self.inactive is not None:
            self.state = "unconfirmed"
            return
        self._source = confirmed_source(cell, self.desk.folder)
        self.state = "folder" if kind == "folder" else "live"

    def confirm(self) -> None:
        """Let the source be used on this machine from now on, and open it."""
        source = self._cell().camera.source
        try:
            if source:
                confirm(self.desk.folder, source, now=self.desk.clock())
        except StationbookError as error:
            self.trouble = str(error)
        else:
            self.open()

    def _cell(self) -> Cell:
        return cell_of(self.desk.opened().cell, self.camera)

    def newest(self) -> NewImage | None:
        """Return the newest image if it was not delivered before; raises FileError.

        One from before the session is delivered only when asked for.
        """
        if self._source is None:
            return None
        asked = self._asked
        image = self._source.newest(self._taken | self.desk.used_images)
        self._asked = self._asked and not asked
        if image is None:
            self.repeated = self._source.repeated or self.repeated
            self._looked = True
            return None
        self._taken.add(image.sha256)
        owner = self._recorded(image)
        self.repeated = f"{image.name} has the very content of {owner}" if owner else ""
        if owner:
            self._looked = True
            return None
        age = before_session(self.desk.opened(), image.written)
        there_before, self._looked = not self._looked, True
        if age and there_before and not asked:
            self.left_over = f"{image.name} was taken {age} before the session began"
            return None
        self.left_over = ""
        return image

    def again(self) -> None:
        """Deliver the newest image once more, unless it belongs to a recorded station.

        Takes no time: what is recorded is looked at with the next image.
        """
        self._taken.clear()
        self._asked = True

    def _recorded(self, image: NewImage) -> str:
        """Return what has it already, a station or the proof; those of another size are not read.

        "" where nothing has.
        """
        named = {
            name: f"station {station.id}'s image"
            for station in self.desk.opened().stations
            for name in (station.image, *(view.image for view in station.views))
            if name is not None
        }
        with suppress(FileError):  # a damaged file of touches is said where it is opened
            views = read_touches(self.desk.folder).views
            named |= {view.image: "an image of the proof" for view in views if view.image}
        for name in sorted(named):
            with suppress(FileError):
                if holds(inside(self.desk.folder, name), image.data, LARGEST_FILE):
                    return named[name]
        return ""


def examined(desk: Desk, image: NewImage, camera: str) -> ViewDraft:
    """Search the board in an image; one from before the session says so. Raises FileError."""
    cell = seen_by(desk.opened(), camera)
    depth, written = image.depth, image.written
    return examine_image_data(cell, desk.folder, image.data, image.name, depth, written=written)


def newest_image(desk: Desk, entry: Entry, station: int | None) -> tuple[bytes, Array | None, str]:
    """Return the image of a station, or of the entry, its points [px], and what it is called.

    Where the entry has none yet, the last one recorded. Raises StationbookError where there is no
    image at all, FileError where it cannot be read.
    """
    view = entry.view
    if station is None and view is not None and view.image is not None:
        found = 0 if view.pixels is None else len(view.pixels)
        return view.image, view.pixels, f"{view.name}, {found} points found"
    if station is None:
        station = max((s.id for s in desk.opened().stations if s.image), default=None)
    if station is None:
        raise StationbookError("no image yet", "The newest one of the source comes by itself.")
    session = desk.opened()
    recorded = session.station(station)
    if recorded is None or recorded.image is None:
        raise StationbookError(f"station {station} has no image")
    data = image_bytes(inside(desk.folder, recorded.image))
    points = stored_points(session, desk.folder, recorded)
    return data, points.pixels if points else None, f"Station {station}: {recorded.image}"


def picture(
    desk: Desk,
    entry: Entry,
    station: int | None,
    columns: int,
    rows: int,
    corners: Array | None = None,
) -> tuple[Thumbnail, str]:
    """Return `newest_image` made small, with the wanted outline at ``corners``, and its name."""
    data, points, name = newest_image(desk, entry, station)
    return thumbnail(data, points, columns, rows, corners), name


def depth_lines(
    desk: Desk, entry: Entry, station: int | None, columns: int, rows: int
) -> tuple[str, ...]:
    """Return depth on the board of a station, or of the entry, as lines of signs.

    Raises StationbookError where there is none, FileError where it cannot be read.
    """
    view = entry.view
    if station is not None:
        recorded = desk.opened().existing(station)
        if recorded.depth is None:
            raise StationbookError(f"station {station} carries no depth")
        view = stored_depth(desk.opened(), desk.folder, recorded)
    report = None if view is None or view.depth is None else view.depth.report
    signs = () if report is None else depth_signs(report, columns, rows)
    if not signs:
        raise StationbookError(
            "no depth on a board yet", "A 3-D camera delivers it with the image."
        )
    return signs


def covered(desk: Desk, entry: Entry, columns: int, rows: int) -> NDArray[np.int64]:
    """Return (rows, columns): how often the board was seen in each part of the view."""
    session = desk.opened()
    counts = coverage(session, desk.folder, columns, rows)
    if entry.view is not None and entry.view.pixels is not None:
        counts = counts + seen(entry.view.pixels, session.cell.camera, columns, rows)
    return counts


def wanted(desk: Desk) -> Array | None:
    """Return (n, 2) [px]: the outline of the board wanted next, or None where it is not known."""
    at, result = desk.next_index, solved(desk)
    if at is None or result is None:
        return None
    return wanted_corners(desk.opened(), result, desk.plan[at])


def solved(desk: Desk) -> Result | None:
    result = desk.solution.solved.result if desk.solution else None
    return result if result is not None and result.solved else None


def view(desk: Desk, entry: Entry, columns: int, rows: int, *, images: bool) -> View:
    """Return the view as a map, with the newest image where there is one and ``images`` is set."""
    session, corners = desk.opened(), wanted(desk)
    counts = covered(desk, entry, columns, rows)
    grid = outline(corners, session.cell.camera.image_size_px, (columns, rows))
    small = None
    if images:
        with suppress(StationbookError):  # F3 says what is wrong with an image
            small, _ = picture(desk, entry, None, columns, 2 * rows, corners)
    return View(counts, grid, small)


def painted_view(
    desk: Desk, entry: Entry, station: int | None, size: tuple[int, int]
) -> tuple[str, object, Callable[[], NDArray[np.uint8]]]:
    """Return a picture's name, what tells it from another, and how to paint it.

    It is `newest_image` with its points, at most ``size`` [px] large, and, unless it is an old
    station's, with the outline of the board wanted next. Raises as that does.
    """
    data, points, name = newest_image(desk, entry, station)
    corners = wanted(desk) if station is None else None
    outlined = None if corners is None else corners.tobytes()
    key = sha256(data), outlined, size
    return name, key, lambda: painted(data, points, corners, size)


def cell_scene(desk: Desk) -> Scene:
    at = desk.next_index
    return scene(desk.opened(), solved(desk), None if at is None else desk.plan[at])
