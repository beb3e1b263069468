"""Changing by hand what is recorded: setting stations aside, bringing them back, remarks.

Every function returns the change and writes nothing.
"""

from __future__ import annotations

from dataclasses import replace

from ..cell.session import Session, Station
from ..errors import StationbookError
from ..sessions.changes import Change


def set_aside(session: Session, station_id: int, reason: str) -> Change:
    """Leave a station out of the solution; the reason is kept as its note."""
    why = reason.strip()
    if not why:
        raise StationbookError("no reason given", "Say in a few words why it is set aside.")
    station = replace(session.existing(station_id), use=False, note=why)
    return changed("set aside", session, station, reason=why)


def bring_back(session: Session, station_id: int) -> Change:
    """Use a station again that was set aside."""
    return changed("bring back", session, replace(session.existing(station_id), use=True))


def annotate(session: Session, station_id: int, note: str) -> Change:
    """Keep a remark with a station; an empty one removes it."""
    station = replace(session.existing(station_id), note=note.strip() or None)
    return changed("note", session, station, note=note.strip())


def changed(action: str, session: Session, station: Station, **details: object) -> Change:
    """Return the change that puts ``station`` in the place of the one with its number."""
    return Change(action, session.with_station(station), {"station": station.id, **details})
