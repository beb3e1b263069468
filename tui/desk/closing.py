"""Closing stops: the robot returns to the first station, to show whether anything moved."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from engine.cell.session import PlannedStation, Station, labelled
from engine.plans.plan import CLOSING

from .desk import Desk
from .entry import Entry
from .views import Move

WHY = "shows whether board or camera moved meanwhile"


def first_station(desk: Desk) -> Station | None:
    """Return the station that a closing stop returns to, or None where nothing is recorded."""
    stations = desk.source.stations if desk.source else ()
    return next((s for s in stations if s.typed), None)


def back_to(number: int, station: Station, labels: Sequence[str]) -> Move:
    """Say where a closing stop goes; ``number`` is its own."""
    pose = labelled(labels, station.typed)
    return Move(f"Station {number}, closing:", f"go back to station {station.id}.\n{pose}", WHY)


def planned_closing(desk: Desk) -> bool:
    """Tell whether the station that comes next was proposed as a closing one.

    False until something was proposed: before that the engine is not loaded either.
    """
    at = desk.next_index
    return desk.advice is not None and at is not None and _is_closing(desk.plan[at])


def turned(entry: Entry) -> Entry:
    """Return the entry as a closing one, or as an ordinary one again.

    What was typed and what every camera saw stays; it is examined anew.
    """
    return replace(entry, closing=not entry.closing, draft=None, accepted={}, reason=None)


def visited(desk: Desk, entry: Entry) -> int | None:
    """Return the index in the plan of the station that ``entry`` records, or None.

    Whoever records the closing stop early still has it behind them.
    """
    if entry.purpose != "record":
        return None
    if not entry.closing:
        return desk.next_index
    left = [n for n, planned in enumerate(desk.plan) if planned.skipped is None]
    return next((n for n in left if _is_closing(desk.plan[n])), None)


def _is_closing(planned: PlannedStation) -> bool:
    return planned.why == CLOSING
