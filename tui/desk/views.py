"""What the parts of the screen show, as plain data: the list of stations among it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Literal, NamedTuple

from engine.cell.session import PlannedStation, Station
from engine.findings import Finding, Level

if TYPE_CHECKING:
    from engine.steps.pictures import Grid, Thumbnail


class Title(NamedTuple):
    """Left: name of the session and of what is shown. Right: operator, done and left."""

    name: str
    right: str


class Move(NamedTuple):
    """The next move: a headline such as ``Station 7``, the move as jog or pose, and why.

    ``large``: the same in few words, text and role of each, for large letters. ``notes``: what a
    person should know about the plan that it belongs to.
    """

    headline: str
    move: str
    why: str = ""
    large: tuple[tuple[str, str], ...] = ()
    notes: tuple[str, ...] = ()


ANSWER = 24  # signs; a longer answer is no answer but a sentence, and stands in ordinary letters


def answer(message: Sequence[tuple[str, str]]) -> tuple[tuple[str, str], ...]:
    """Return what a message says in its first words, for large letters; () for no short answer."""
    said, role = message[0] if message else ("", "")
    if role not in ("good", "warning", "error") or len(said.strip()) > ANSWER:
        return ()
    return ((said.strip().removeprefix("Station ").rstrip("."), role),)


class Job(NamedTuple):
    """Where the job stands, the one next key in words, and whether it is time for it."""

    state: str
    next: str = ""
    due: bool = False


class Quality(NamedTuple):
    """Expanded uncertainty of a pick and the tolerance [mm], a remark, and the worst finding."""

    expanded_mm: float | None = None
    most_mm: float | None = None
    remark: str = ""
    worst: str = ""
    worst_role: str = "good"
    third: bool = False


class FieldView(NamedTuple):
    """One field as parsed: the pendant's label, the text, and what is wrong with it, or None."""

    label: str
    text: str
    problem: str | None = None


class Fact(NamedTuple):
    """One line: a name, a value, and the role it is shown in."""

    name: str
    value: str
    role: str = "text"


class Facts(NamedTuple):
    """A headline and the facts below it; beside them a small picture in signs, and its legend."""

    headline: str
    facts: tuple[Fact, ...] = ()
    picture: tuple[str, ...] = ()
    legend: str = ""


class View(NamedTuple):
    """The view of the first camera, on a grid of cells.

    ``counts`` (rows, columns): how often the board was seen there; ``wanted``: see
    `engine.steps.pictures.outline`. ``picture`` is the newest image, with the same outline; None:
    there is none, or it costs too much on this line.
    """

    counts: Grid
    wanted: Grid
    picture: Thumbnail | None = None


Kind = Literal["recorded", "planned"]
State = Literal["ok", "accepted", "closing", "aside", "ERROR", "doubt", "no image", "no points",
                "NEXT", "to do", "skipped"]  # fmt: skip


class Row(NamedTuple):
    """One row. ``key`` is the station's id, or the index in the plan; ``state`` is a word."""

    kind: Kind
    key: int
    label: str
    state: State
    role: str
    fields: tuple[str, ...] = ()
    text: str = ""


def rows(
    stations: Sequence[Station],
    plan: Sequence[PlannedStation],
    next_index: int | None,
    findings: Iterable[Finding] = (),
) -> list[Row]:
    """Return the rows: recorded stations in their order, then the plan.

    ``next_index`` is the planned station that comes next; ``findings`` of the last check or
    solution mark the stations that they name.
    """
    worst = _worst_by_station(findings)
    first = 1 + max((station.id for station in stations), default=0)
    recorded = [_recorded(station, worst.get(station.id)) for station in stations]
    number, planned_rows = first, []
    for index, planned in enumerate(plan):
        planned_rows.append(_planned(planned, index, number, index == next_index))
        number += planned.skipped is None
    return recorded + planned_rows


def next_planned(plan: Sequence[PlannedStation], wished: int | None = None) -> int | None:
    """Return the index of the planned station that comes next, or None when none is left."""
    if wished is not None and wished < len(plan) and plan[wished].skipped is None:
        return wished
    return next((index for index, planned in enumerate(plan) if planned.skipped is None), None)


def first_choice(rows: Sequence[Row]) -> int:
    """Return the number of the row of the next planned station, or of the last one recorded."""
    coming = [n for n, row in enumerate(rows) if row.state == "NEXT"]
    recorded = [n for n, row in enumerate(rows) if row.kind == "recorded"]
    return (coming or recorded[-1:] or [0])[0]


def counts(
    stations: Sequence[Station], plan: Sequence[PlannedStation]
) -> tuple[int, int, int, int]:
    """Return how many stations are done, lack points, are set aside, and are still to do."""
    used = [station for station in stations if station.use]
    done = sum(map(_seen, used))
    left = sum(planned.skipped is None for planned in plan)
    return done, len(used) - done, len(stations) - len(used), left


def _seen(station: Station) -> bool:
    """Tell whether a camera saw the board there."""
    points = (station.points, *(view.points for view in station.views))
    return bool(station.board_pose or any(points))


def _recorded(station: Station, level: Level | None) -> Row:
    state, role = _state(station, level)
    note = station.note or (f"accepted: {', '.join(station.accepted)}" if station.accepted else "")
    return Row("recorded", station.id, str(station.id), state, role, station.typed, note)


def _state(station: Station, level: Level | None) -> tuple[State, str]:
    if not station.use:
        return "aside", "dim"
    if level is Level.ERROR:
        return "ERROR", "error"
    if level is Level.WARNING:
        return "doubt", "warning"
    if not _seen(station):
        pictured = station.image or any(view.image for view in station.views)
        return "no points" if pictured else "no image", "warning"  # nothing to solve with
    if station.closing:
        return "closing", "good"
    return ("accepted", "good") if station.accepted else ("ok", "good")


def _planned(planned: PlannedStation, index: int, number: int, is_next: bool) -> Row:
    if planned.skipped is not None:
        return Row("planned", index, "-", "skipped", "dim", (), planned.skipped)
    state: State = "NEXT" if is_next else "to do"
    role = "note" if is_next else "dim"
    text = planned.jog or "" if not planned.pose else ""
    return Row("planned", index, str(number), state, role, planned.pose or (), text)


def _worst_by_station(findings: Iterable[Finding]) -> Mapping[int, Level]:
    order = (Level.NOTE, Level.WARNING, Level.ERROR)
    worst: dict[int, Level] = {}
    for item in findings:
        named = set(item.stations or ()) | ({item.station} if item.station is not None else set())
        for station in named:
            before = worst.get(station, Level.NOTE)
            worst[station] = max(before, item.level, key=order.index)
    return worst
