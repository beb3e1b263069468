"""What is noted of a cell between calibrations: events, and for whom and how a session was made."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path

from ..cell.session import About, Instrument, Session
from ..errors import UsageError
from ..sessions.changes import Change, remark

EVENT = "event"  # the word in the journal


def event_noted(session: Session, folder: Path, what: str, on: str | None, today: date) -> Change:
    """Keep in the journal that something happened to the cell: a crash, a camera swapped, ...

    ``on``: the day, ISO 8601; None: today. Raises UsageError for no words or no day.
    """
    if not what.strip():
        raise UsageError("the event has no words", "Say what happened, such as crash.")
    try:
        day = today.isoformat() if on is None else date.fromisoformat(on).isoformat()
    except ValueError:
        raise UsageError(f"{on!r} is no day", "Write it as 2026-11-25.") from None
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
