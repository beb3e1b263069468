"""From a typed line to slots: plain characters, then for each number its label and units.

Scanning decides nothing: what cannot be read is noted at its slot, and `reading` says so.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from functools import lru_cache

from ..errors import PoseError
from .settings import UNIT_WORDS

MAX_LINE = 500  # characters; seven long fields with labels and units stay under 200
MAX_NUMBER = 24  # characters; more than the digits of a double with sign and exponent

_DASHES = "−–—‐‑‒―﹣"
_DEGREES = "º˚"
_SPACES = "\u00a0\u2000\u2001\u2002\u2003\u2004\u2005\u2006\u2007\u2008\u200a\u205f\u3000"
_INVISIBLE = "\u200b\u200c\u200d\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2060\ufeff"
_TRANSLATION = str.maketrans(
    {chr(code): chr(code - 0xFEE0) for code in range(0xFF01, 0xFF5F)}  # full-width forms
    | dict.fromkeys(_DASHES, "-")
    | dict.fromkeys(_DEGREES, "°")
    | dict.fromkeys(_SPACES, " ")
    | dict.fromkeys(_INVISIBLE, "")
    | {"，": ",", "、": ",", "；": ";"}
)
_QUOTED = re.compile(r"""(?<![0-9])(["'])([^"'\s]+)\1(?![0-9])""")
_THIN_GROUP = re.compile(r"(?<=[0-9])[\u2009\u202f'’](?=[0-9]{3}(?![0-9]))")

SEPARATORS = r"\s,;/|()\[\]{}<>"
_EXPONENT = r"(?:[eE][+-]?[0-9]+)?"


def clean(text: str) -> str:
    """Return ``text`` in plain characters: one minus, one space, one degree sign, no quotes.

    Raises PoseError for a line that is too long or groups thousands by thin spaces or apostrophes.
    """
    if len(text) > MAX_LINE:
        raise PoseError(
            f"the line has {len(text)} characters, up to {MAX_LINE} are read",
            "Type or paste one pose only.",
        )
    group = _THIN_GROUP.search(text)
    if group is not None:
        around = text[max(0, group.start() - 4) : group.end() + 6].strip()
        raise PoseError(
            f"“{around}” seems to group thousands", "Write the number without a gap in its digits."
        )
    plain = text.translate(_TRANSLATION).replace("\u2009", " ").replace("\u202f", " ")
    return _QUOTED.sub(r" \2 ", plain)


@dataclass(frozen=True, slots=True)
class Layout:
    """The fields of one line: labels, what each holds, and the unit and decimals it is shown in.

    ``units`` holds a unit's name, or "" for the bare numbers of a quaternion. ``aliases`` maps
    further spellings (lower case) to the index of a field.
    """

    labels: tuple[str, ...]
    units: tuple[str, ...]
    decimals: tuple[int, ...]
    aliases: tuple[tuple[str, int], ...] = ()

    def index(self, word: str) -> int | None:
        """Return the field that ``word`` names, in any case, or None."""
        return _label_indices(self).get(word.casefold())


@lru_cache(maxsize=64)
def _label_indices(layout: Layout) -> dict[str, int]:
    return dict(layout.aliases) | {name.casefold(): i for i, name in enumerate(layout.labels)}


@dataclass(slots=True)
class Slot:
    """One field as found in the line.

    ``raw`` is the number as written, "" while there is none. ``gap`` holds the separators since
    the number before. ``joined``: the number touches the one before. ``problem`` names what
    cannot be read here. ``unfinished``: it ends the line and may still become something else.
    """

    label: str | None = None
    raw: str = ""
    units: list[str] = field(default_factory=list)
    gap: str = ""
    joined: bool = False
    problem: str = ""
    remedy: str = ""
    unfinished: bool = False

    @property
    def hanging(self) -> bool:
        """Whether the number ends with a decimal mark."""
        return self.raw.endswith((".", ","))


@lru_cache(maxsize=64)
def _pattern(layout: Layout, comma_decimal: bool) -> re.Pattern[str]:
    """Return the master pattern; its group names are the kinds of token."""
    marks = "[.,]" if comma_decimal else "[.]"
    names = sorted(_label_indices(layout), key=len, reverse=True)
    # A label E would swallow the exponent's letter, so such a pendant has no exponents.
    exponent = "" if any(name.startswith("e") for name in names) else _EXPONENT
    labels = "|".join(
        re.escape(name) + (r"(?![0-9]|[.,][0-9])" if name[-1].isdigit() else "") for name in names
    )
    letter = r"[^\W\d_]"
    units = "|".join(re.escape(word) for word in sorted(UNIT_WORDS, key=len, reverse=True))
    comma_at_end = r"(?:,\Z)?" if comma_decimal else ""
    parts = {
        "number": rf"[+-]?\.?[0-9](?:{marks}?[0-9])*\.?{exponent}{comma_at_end}",
        "label": rf"(?:{labels})(?!{letter})",
        "unit": rf"(?:{units})(?!{letter})|(?:{units})(?=(?:{labels})(?!{letter}))|[°\"″]",
        "gap": rf"[{SEPARATORS}]+",
        "equals": r"[:=]",
        "sign": r"[+-]",
        "word": rf"{letter}\w*",
        "other": r".",
    }
    joined = "|".join(f"(?P<{name}>{body})" for name, body in parts.items())
    return re.compile(joined, re.IGNORECASE | re.DOTALL)


def separators(gap: str) -> int:
    """Count the separators of a gap that can stand for an empty field."""
    return sum(gap.count(mark) for mark in ",;/|")


def scan(text: str, layout: Layout, *, comma_decimal: bool) -> list[Slot]:
    """Return the slots of a cleaned line, in the order written. Never raises."""
    scanner = _Scanner(layout, len(text))
    for match in _pattern(layout, comma_decimal).finditer(text):
        scanner.take(match.lastgroup or "other", match.group(), match.end())
    if separators(scanner.trailing) > 1:
        scanner.fail(*NOTHING_BETWEEN)
    scanner.end()
    return scanner.slots


NOTHING_BETWEEN = ("there is nothing between two separators", "Type every field, 0 included.")


class _Scanner:
    """Collects tokens into slots."""

    def __init__(self, layout: Layout, length: int) -> None:
        self.layout, self.length = layout, length
        self.slots: list[Slot] = []
        self.trailing = ""  # separators since the last number or label
        self.last = ""  # kind of the token before

    def take(self, kind: str, text: str, end: int) -> None:
        """Add one token that ends at position ``end``."""
        index = self.layout.index(text) if kind == "label" else None
        unit = UNIT_WORDS.get(text.casefold()) if kind == "unit" else None
        if kind == "gap":
            self.trailing += text
        elif kind == "number":
            self._number(text)
        elif index is not None:
            self._open(self.layout.labels[index])
        elif unit is not None:
            self._unit(text, unit, end == self.length)
        elif kind == "equals" and self.last in ("label", "unit", "gap"):
            self._equals(text)
        else:
            self._stray(kind, text, end == self.length)
        self.last = kind

    def fail(self, problem: str, remedy: str, unfinished: bool = False) -> None:
        """Note what cannot be read at the slot being filled."""
        if not self.slots:
            self._open(None)
        slot = self.slots[-1]
        if not slot.problem:
            slot.problem, slot.remedy, slot.unfinished = problem, remedy, unfinished

    def _open(self, label: str | None) -> None:
        self.slots.append(Slot(label=label, gap=self.trailing))
        self.trailing = ""

    def _number(self, text: str) -> None:
        if not self.slots or self.slots[-1].raw or self.slots[-1].problem:
            joined = self.last == "number"
            self._open(None)
            self.slots[-1].joined = joined
        self.slots[-1].raw = text
        self.trailing = ""

    def end(self) -> None:
        """Read a comma at the end of the line as the others are; a mark there waits for digits."""
        last = self.slots[-1] if self.slots and self.last == "number" else None
        if last is None or not last.hanging:
            return
        plain = last.raw.rstrip(",")
        marked = any("," in slot.raw for slot in self.slots[:-1])
        if plain != last.raw and not (marked and plain.strip("+-").isdecimal()):
            last.raw = plain
        last.unfinished = last.hanging

    def _unit(self, text: str, unit: str, at_end: bool) -> None:
        if self.slots and (self.slots[-1].raw or self.slots[-1].label is not None):
            self.slots[-1].units.append(unit)
            begun = any(w.startswith(text.casefold()) and w != text.casefold() for w in UNIT_WORDS)
            self.slots[-1].unfinished = at_end and begun  # m may become mm
        else:
            self.fail(f"“{text}” stands before any number", "Write the unit after its number.")

    def _equals(self, text: str) -> None:
        slot = self.slots[-1] if self.slots else None
        if slot is None or slot.label is None or slot.raw:
            self.fail(f"“{text}” follows no label", "Write it between a label and its number.")

    def _stray(self, kind: str, text: str, at_end: bool) -> None:
        if self.slots and self.slots[-1].raw and self.last == "gap":
            self._open(None)
        known = (*UNIT_WORDS, *_label_indices(self.layout))
        folded = text.casefold()
        begun = kind == "word" and any(word.startswith(folded) for word in known)
        problem, remedy = _stray_texts(kind, text)
        if any(name[-1].isdigit() and folded.startswith(name) for name in known):
            remedy = "Put a space or = between a label that ends with a digit and its number."
        self.fail(problem, remedy, at_end and (kind == "sign" or begun))


def _stray_texts(kind: str, text: str) -> tuple[str, str]:
    """Return problem and remedy for characters that belong to nothing."""
    shown = text if text.isprintable() and len(text) <= 20 else ascii(text[:20])
    if kind == "sign":
        return f"“{shown}” stands alone", "Write a sign directly before its digits: -85.10"
    if text.casefold() in ("nan", "inf", "infinity"):
        return f"“{shown}” is not a number", "Type the digits that are shown."
    if kind == "word" and set(text) <= set("oOlI0123456789"):
        return (
            f"“{shown}” holds a letter, not a digit",
            "Type 0 for nought and 1 for one; separate the fields by spaces.",
        )
    if kind == "equals":
        return f"“{shown}” stands after a number", "Write it between a label and its number."
    if text in ("'", "’", "_"):
        return f"“{shown}” stands in or beside a number", "Write the digits without grouping."
    named = text[0].isalpha()
    what = "is neither a label of this pendant nor a unit" if named else "is not understood"
    return f"“{shown}” {what}", "Type numbers only, or this pendant's labels before them."


def short(text: str) -> str:
    """Return ``text`` cut to what fits into a message."""
    return text if len(text) <= MAX_NUMBER else text[:MAX_NUMBER] + "…"
