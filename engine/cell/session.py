"""A session: one folder, one calibration, the stations recorded in it, and what each camera saw.

A further camera's part of a session is a session of its own, with that camera in the cell and its
views in the stations. Whatever works on a session works on it unchanged.
"""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import datetime
from math import inf
from typing import TYPE_CHECKING

from ..errors import StationbookError, UsageError, nearest

if TYPE_CHECKING:  # a first look at a folder needs stations, not cells
    from .cell import Cell

FORMAT = 1  # version of session.yaml, cell.yaml and result.yaml that this program writes
REVISIT = "visit again: "  # begins the reason of a planned station that an earlier session recorded


@dataclass(frozen=True, slots=True)
class View:
    """What a further camera of the cell saw at a station: its name, and paths as in a station."""

    camera: str
    image: str | None = None
    points: str | None = None
    depth: str | None = None


@dataclass(frozen=True, slots=True)
class Station:
    """One stop: a typed pose and what the camera saw there.

    ``pose`` and ``joints`` are the texts as typed, one per field, or None. ``image``, ``points``
    and ``depth`` are paths inside the session folder. ``board_pose`` is x y z qx qy qz qw (mm,
    camera_T_board) from a system that reports poses. ``taken`` is ISO 8601. ``accepted`` lists the
    codes of warnings the operator accepted. ``use`` False: set aside, with the reason in ``note``.
    ``views`` are those of further cameras; the station's own files belong to the first one.
    """

    id: int
    pose: tuple[str, ...] | None = None
    joints: tuple[str, ...] | None = None
    image: str | None = None
    points: str | None = None
    board_pose: tuple[float, ...] | None = None
    taken: str | None = None
    use: bool = True
    accepted: tuple[str, ...] = ()
    operator: str | None = None
    note: str | None = None
    closing: bool = False
    views: tuple[View, ...] = ()
    photo: str | None = None  # of the pendant, as evidence of what was typed
    depth: str | None = None

    @property
    def typed(self) -> tuple[str, ...]:
        """The fields typed for it: a pose, or joint values where the pendant shows those."""
        return self.pose or self.joints or ()

    @property
    def moment(self) -> float:
        """When it was taken [s]; −inf where nobody knows."""
        return _seconds(self.taken)


def _seconds(text: str | None) -> float:
    with suppress(ValueError, OverflowError):  # of a year that no clock of a computer has
        return datetime.fromisoformat(text).timestamp() if text else -inf
    return -inf


def labelled(labels: Iterable[str], fields: Iterable[str]) -> str:
    """Return fields as a pendant shows them: "X 612.40  Y -85.10"."""
    return "  ".join(f"{label} {text}" for label, text in zip(labels, fields, strict=False))


@dataclass(frozen=True, slots=True)
class PlannedStation:
    """One stop still to make: as the pendant would show it and as a jog, and why.

    ``beware``: what may go wrong on the way, to be told with the move wherever it is told.
    """

    pose: tuple[str, ...] | None = None
    jog: str | None = None
    why: str | None = None
    beware: str | None = None
    skipped: str | None = None


@dataclass(frozen=True, slots=True)
class Instrument:
    """Something that was measured with; ``due``: the day of its next calibration, ISO 8601."""

    name: str
    serial: str | None = None
    due: str | None = None


@dataclass(frozen=True, slots=True)
class About:
    """For whom, where and how a session was made; None for what nobody noted."""

    customer: str | None = None
    place: str | None = None
    temperature_degc: float | None = None
    warm_up_min: float | None = None
    instruments: tuple[Instrument, ...] = ()


@dataclass(frozen=True, slots=True)
class Session:
    """Everything in `session.yaml`. Lists never change in place: methods return a new session.

    ``origin`` is the SHA-256 of the file that it was read from. ``damaged`` says of each station of
    that file that could not be read what is wrong with it; it is no part of the session.
    ``taken_ids`` are their ids, as far as they can be read.
    """

    name: str
    operator: str | None
    created: str
    cell: Cell
    plan: tuple[PlannedStation, ...] = ()
    stations: tuple[Station, ...] = ()
    about: About | None = None
    origin: str | None = field(default=None, compare=False, repr=False)
    damaged: tuple[str, ...] = field(default=(), compare=False, repr=False)
    taken_ids: tuple[int, ...] = field(default=(), compare=False, repr=False)

    @property
    def next_id(self) -> int:
        """Id of the next new station: ids are never used again."""
        return 1 + max((*(station.id for station in self.stations), *self.taken_ids), default=0)

    @property
    def visited(self) -> tuple[Station, ...]:
        """The stations in the order in which their stops were stored: the robot stands at the last.

        One that was taken again counts where that was done; a pose corrected, or a station set
        aside, moves no robot.
        """
        return tuple(sorted(self.stations, key=lambda station: station.moment))

    def station(self, station_id: int) -> Station | None:
        """Return the station with this id, or None."""
        return next((s for s in self.stations if s.id == station_id), None)

    def existing(self, station_id: int) -> Station:
        """Return the station, or raise StationbookError naming those that exist."""
        station = self.station(station_id)
        if station is None:
            ids = ", ".join(str(item.id) for item in self.stations) or "none yet"
            raise StationbookError(
                f"there is no station {station_id}", f"Recorded stations: {ids}."
            )
        return station

    def with_station(self, station: Station) -> Session:
        """Return the session with ``station`` appended, or replaced where its id exists."""
        if self.station(station.id) is None:
            return replace(self, stations=(*self.stations, station))
        swapped = tuple(station if s.id == station.id else s for s in self.stations)
        return replace(self, stations=swapped)


def taken_before(session: Session, other: Session) -> bool:
    """Tell whether all stations of ``session`` were taken before the first one of ``other``.

    A station without a time counts as taken when its session was begun.
    """
    own, others = (
        [max(station.moment, _seconds(one.created)) for station in one.stations if station.use]
        for one in (session, other)
    )
    return bool(own and others) and -inf < max(own) < min(others)


def cell_of(cell: Cell, name: str) -> Cell:
    """Return the cell with camera ``name`` as its only one. Raises UsageError for another name.

    A rough result belongs to the first camera.
    """
    if name == cell.camera.name:
        return replace(cell, cameras=())
    for camera in cell.cameras:
        if camera.name == name:
            return replace(cell, camera=camera, cameras=(), rough=None)
    raise UsageError(f"the cell has no camera {name!r}", nearest(name, cell.camera_names))


def seen_by(session: Session, name: str) -> Session:
    """Return what camera ``name`` saw: the stations that hold a view of it, and its cell.

    Raises UsageError for a name that the cell does not have.
    """
    cell = cell_of(session.cell, name)
    if name == session.cell.camera.name:
        alone = tuple(replace(station, views=()) for station in session.stations)
        return replace(session, cell=cell, stations=alone)
    stations = tuple(
        replace(
            station,
            image=view.image,
            points=view.points,
            depth=view.depth,
            board_pose=None,
            views=(),
        )
        for station in session.stations
        for view in station.views
        if view.camera == name
    )
    return replace(session, cell=cell, stations=stations)


def camera_number(cell: Cell, name: str | None) -> int:
    """Return the place in the cell of a further camera, from 2 on; 0 for the first, and None."""
    names = [camera.name for camera in cell.cameras]
    return names.index(name) + 2 if name in names else 0


def with_view(station: Station, view: View) -> Station:
    """Return the station with ``view`` added, or put in place of that camera's earlier one."""
    others = tuple(item for item in station.views if item.camera != view.camera)
    return replace(station, views=(*others, view))
