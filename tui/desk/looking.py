"""Pictures of a session for the screen; each takes time and belongs in the background."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from engine.errors import FileError, StationbookError
from engine.sessions.folder import stored_points
from engine.steps.pictures import Thumbnail, coverage, places, seen, thumbnail

from .desk import Desk
from .entry import Entry


def picture(
    desk: Desk, entry: Entry, station: int | None, columns: int, rows: int
) -> tuple[Thumbnail, str]:
    """Return the image of a station, or of the entry, with its points, and what it is called.

    Where the entry has none yet, the last one recorded. Raises StationbookError where there is no
    image at all, FileError where it cannot be read.
    """
    view = entry.view
    if station is None and view is not None and view.image is not None:
        found = 0 if view.pixels is None else len(view.pixels)
        small = thumbnail(view.image, view.pixels, columns, rows)
        return small, f"{view.name}, {found} points found"
    if station is None:
        station = max((s.id for s in desk.opened().stations if s.image), default=None)
    if station is None:
        raise StationbookError("no image yet", "The newest one of the source comes by itself.")
    return _stored(desk, station, columns, rows)


def _stored(desk: Desk, number: int, columns: int, rows: int) -> tuple[Thumbnail, str]:
    session = desk.opened()
    station = session.station(number)
    if station is None or station.image is None:
        raise StationbookError(f"station {number} has no image")
    path = desk.folder / station.image
    try:
        data = path.read_bytes()
    except OSError as error:
        raise FileError.from_os(path, error, "read") from None
    points = stored_points(session, desk.folder, station)
    small = thumbnail(data, points[1] if points else None, columns, rows)
    return small, f"Station {number}: {station.image}"


def covered(desk: Desk, entry: Entry, columns: int, rows: int) -> NDArray[np.int64]:
    """Return (rows, columns): how often the board was seen in each part of the view."""
    session = desk.opened()
    counts = coverage(session, desk.folder, columns, rows)
    if entry.view is not None and entry.view.pixels is not None:
        counts = counts + seen(entry.view.pixels, session.cell.camera, columns, rows)
    return counts


def where(desk: Desk) -> list[tuple[int, float, float, float]]:
    """Return id and flange position [mm, base] of every station in use."""
    return places(desk.opened())
