"""What is changed and noted by hand: stations set aside, remarks, events, for whom and how.

Every function returns the change and writes nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path

from ..cell.session import About, Instrument, Session, Station
from ..errors import StationbookError, UsageError
from ..sessions.changes import Change, remark

EVENT = "event"  # the word in the journal


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


# ---- of the cell and the session ----------------------------------------------------------------


def event_noted(session: Session, folder: Path, what: str, on: str | None, today: date) -> Change:
    """Keep in the journal that something happened to the cell: a crash, a camera swapped, ...

    ``on``: the day, ISO 8601; None: today. Raises UsageError for no words or no day, and where
    today is before the session: an event of that day would ask for nothing.
    """
    if not what.strip():
        raise UsageError("the event has no words", "Say what happened, such as crash.")
    try:
        day = today.isoformat() if on is None else date.fromisoformat(on).isoformat()
    except ValueError:
        raise UsageError(f"{on!r} is no day", "Write it as 2026-11-25.") from None
    if on is None and day < session.created[:10]:
        raise UsageError(
            f"this computer's clock says {day}, and the session began {session.created[:10]}",
            "Set the clock, or name the day with `stationbook event --on`.",
        )
    return remark(EVENT, session, folder, {"event": what.strip(), "on": day})


def described(
    session: Session,
    *,
    customer: str | None = None,
    place: str | None = None,
    temperature_degc: float | None = None,
    warm_up_min: float | None = None,
    instruments: Sequence[str] | None = None,
) -> Change | None:
    """Return the change that notes for whom, where and how; what is None stays as it was.

    ``instruments``: "name; serial number; due day" each, in place of all before. None: nothing is
    given. Raises UsageError for an instrument that cannot be read.
    """
    given = {
        "customer": customer,
        "place": place,
        "temperature_degc": temperature_degc,
        "warm_up_min": warm_up_min,
        "instruments": None if instruments is None else tuple(map(_instrument, instruments)),
    }
    told = {key: value for key, value in given.items() if value is not None}
    if not told:
        return None
    about = replace(session.about or About(), **told)  # type: ignore[arg-type]
    said = {key: str(value) if key == "instruments" else value for key, value in told.items()}
    return Change("about", replace(session, about=about), said)


def _instrument(text: str) -> Instrument:
    name, *more = [part.strip() for part in text.split(";")]
    if not name or len(more) > 2:
        raise UsageError(
            f"instrument {text!r} cannot be read", 'Write "name; serial number; due day".'
        )
    serial, due = [*more, "", ""][:2]
    if due:
        try:
            date.fromisoformat(due)
        except ValueError:
            raise UsageError(f"{due!r} is no day", "Write it as 2026-11-25.") from None
    return Instrument(name, serial or None, due or None)
