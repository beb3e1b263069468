"""Findings: what the program noticed, with a code, a level, a message and a remedy."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from string import Formatter
from typing import Any

from .catalogue import CATALOGUE


class Level(StrEnum):
    """How much a finding weighs.

    ERROR: cannot be recorded, or the result cannot be accepted. WARNING: recorded once the
    operator accepts it. NOTE: worth knowing.
    """

    ERROR = "error"
    WARNING = "warning"
    NOTE = "note"


class _Filled(Formatter):
    """`str.format`, and ``{name:one|several}`` for a word that depends on the number ``name``."""

    def format_field(self, value: Any, format_spec: str) -> str:
        one, mark, several = format_spec.partition("|")
        if not mark:
            return str(super().format_field(value, format_spec))
        # A count is 1, or a list in words ("7", "3, 7") names one number.
        names_one = value == 1 if isinstance(value, int) else str(value).isdecimal()
        return one if names_one else several


class _Blank(_Filled):
    """Puts ``<words>`` where a value goes, for pages about findings in general."""

    def format_field(self, value: Any, format_spec: str) -> str:
        return super().format_field(value, format_spec if "|" in format_spec else "")

    def get_value(self, key: int | str, args: object, kwargs: object) -> str:
        name = str(key)
        words = _IN_GENERAL.get(name)
        if words is None:
            base, _, unit = name.rpartition("_")
            words = (base if unit in ("mm", "deg", "px") else name).replace("_", " ")
        return f"<{words}>" if words else ""


_FILLED, _BLANK = _Filled(), _Blank()
_IN_GENERAL = {  # what a placeholder is called where its name alone says too little
    "also": "",
    "count": "number",
    "detail": "why",
    "expanded": "U",
    "first": "station",
    "found": "number",
    "full": "all",
    "last": "that station",
    "lacking": "what the others lack",
    "least": "number",
    "other": "other one",
    "planned": "number",
    "problem": "what is wrong",
    "remedy": "what to do",
    "remedy_text": "what to do",
    "shift_signed": "plus or minus the shift",
    "since": "station",
    "since_again": "another station",
    "suggested": "suggested value",
    "typed": "typed value",
    "usable": "how many are usable",
    "what": "which",
}
_ORDER = (Level.ERROR, Level.WARNING, Level.NOTE)


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing noticed. Every field is a text, a number, a tuple of station ids, or None.

    ``variant`` tells which texts of its code were taken; nothing stored or printed carries it.
    """

    code: str
    level: Level
    message: str
    remedy: str
    station: int | None = None
    stations: tuple[int, ...] | None = None
    field: str | None = None
    typed: str | None = None
    suggested: str | None = None
    variant: str | None = dataclasses.field(default=None, compare=False)

    def document(self) -> dict[str, Any]:
        """Return the finding as plain data, with every key present."""
        names = (field.name for field in dataclasses.fields(Finding) if field.compare)
        values: dict[str, Any] = {name: getattr(self, name) for name in names}
        stations = None if self.stations is None else list(self.stations)
        return values | {"level": self.level.value, "stations": stations}


def finding(
    code: str,
    variant: str | None = None,
    *,
    level: Level | None = None,
    station: int | None = None,
    stations: Iterable[int] | None = None,
    field: str | None = None,
    typed: str | None = None,
    suggested: str | None = None,
    **values: object,
) -> Finding:
    """Make a finding from the catalogue entry ``code`` (or its variant ``code/variant``).

    ``values`` fill the placeholders of the entry's texts; station, stations, field, typed and
    suggested may be used as placeholders too. Raises KeyError for an unknown code.
    """
    entry = CATALOGUE[f"{code}/{variant}" if variant else code]
    listed = None if stations is None else tuple(stations)
    texts = {
        "station": station,
        "stations": "" if listed is None else ", ".join(map(str, listed)),
        "field": field,
        "typed": typed,
        "suggested": suggested,
        **values,
    }
    return Finding(
        code=code,
        level=level or Level(entry.level),
        message=_FILLED.vformat(entry.message, (), texts),
        remedy=_FILLED.vformat(entry.remedy, (), texts),
        station=station,
        stations=listed,
        field=field,
        typed=typed,
        suggested=suggested,
        variant=variant or None,
    )


def counted(count: int, word: str) -> str:
    """Return a number of things, such as ``1 cell`` and ``2 cells``."""
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


def in_general(template: str) -> str:
    """Return a text of the catalogue with ``<words>`` in place of the values."""
    return _BLANK.vformat(template, (), {})


def worst(findings: Iterable[Finding]) -> Level | None:
    """Return the gravest level among the findings, or None when there are none."""
    levels = {item.level for item in findings}
    return next((level for level in _ORDER if level in levels), None)


def has_error(findings: Iterable[Finding]) -> bool:
    """Tell whether any finding is at level error."""
    return any(item.level is Level.ERROR for item in findings)


# What explains other findings is said before them: one slip puts the arm out of reach as well.
EXPLAINING = (
    "format",
    "joints-typed",
    "lost-point",
    "lost-sign",
    "unit",
    "copied-pose",
    "duplicate",
    "same-image",
)


def by_cause(findings: Iterable[Finding]) -> list[Finding]:
    """Return the findings with causes before consequences, then errors first, notes last.

    A finding that names a typed value and what it should be is a cause.
    """

    def place(item: Finding) -> tuple[bool, bool, int]:
        explains = item.code in EXPLAINING or (
            item.typed is not None and item.suggested is not None
        )
        return item.level is Level.NOTE, not explains, _ORDER.index(item.level)

    return sorted(findings, key=place)


def by_gravity(findings: Iterable[Finding]) -> list[Finding]:
    """Return the findings with errors first, otherwise in their order."""
    return sorted(findings, key=lambda item: _ORDER.index(item.level))
