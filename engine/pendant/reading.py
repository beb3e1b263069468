"""From a typed line to the texts of its fields: order, count, decimal marks and units.

The line is scanned into slots, one for each number, twice where a comma stands between two digits:
once with the comma as a decimal mark, once as a separator. Scanning decides nothing, reading does.

A comma between two digits is read both as a decimal mark and as a separator; a reading stands only
when it gives every field exactly once and the commas of the line all do the same.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from functools import lru_cache
from itertools import chain, pairwise, repeat

from ..errors import PoseError
from .settings import LENGTH_MM, UNIT_WORDS

_DIGIT_COMMA_DIGIT = re.compile(r"[0-9],[0-9]")


class MissingError(PoseError):
    """A line that is right so far and lacks fields."""


class TooManyError(PoseError):
    """A line with more numbers than fields."""


@dataclass(frozen=True, slots=True)
class PartialField:
    """One field of a line that is still being typed.

    ``label`` is the pendant's, or "" for a number too many. ``text`` is "" and ``value`` None while
    nothing is typed. ``problem`` is None while nothing is wrong so far. ``unfinished``: what stands
    here may still become a number.
    """

    label: str
    text: str = ""
    value: float | None = None
    problem: str | None = None
    unfinished: bool = False


def read_line(text: str, layout: Layout, *, printed: bool = False) -> tuple[str, ...]:
    """Return the normalised text of every field in the order of the labels. Raises PoseError.

    ``printed``: a program wrote the line. Some end whole numbers with a point; whoever types one
    has not typed all.
    """
    plain = clean(text)
    errors: list[PoseError] = []
    for comma_decimal in _comma_meanings(plain):
        try:
            slots = scan(plain, layout, comma_decimal=comma_decimal)
            return _fields(slots, layout, printed=printed)
        except PoseError as error:
            errors.append(error)
    raise _telling(errors)


def read_parts(text: str, layout: Layout) -> list[PartialField]:
    """Return what can be read of an unfinished line, in the order of the labels, extras last.

    Raises PoseError only for a line that `clean` refuses.
    """
    plain = clean(text)
    readings = [scan(plain, layout, comma_decimal=c) for c in _comma_meanings(plain)]
    slots = next((r for r in readings if _may_still_fit(r, layout)), readings[0])
    taken: dict[str, PartialField] = {}
    extra: list[PartialField] = []
    for slot in slots if _are_labelled(slots) else _in_order(slots, layout):
        part = _part(slot)
        if not slot.label or slot.label in taken:
            extra.append(replace(part, label=""))
        else:
            taken[slot.label] = part
    shown = [taken.get(label, PartialField(label)) for label in layout.labels]
    extra = [part for part in extra if part.text]
    count = "one number" if len(extra) == 1 else f"{len(extra)} numbers"
    return shown + [replace(part, problem=f"{count} too many") for part in extra]


def read_fields(fields: Sequence[str], layout: Layout) -> tuple[str, ...]:
    """Return the normalised texts of fields that were stored one by one. Raises PoseError."""
    if len(fields) != len(layout.labels):
        raise PoseError(
            f"{len(fields)} fields are given, {len(layout.labels)} are shown",
            f"Give one text for each of {' '.join(layout.labels)}.",
        )
    slots = [_single(text, name, layout) for text, name in zip(fields, layout.labels, strict=True)]
    _refuse_strays(slots)
    return _checked(slots, layout)


def _single(text: str, label: str, layout: Layout) -> Slot:
    slots = scan(clean(text), layout, comma_decimal=True) if isinstance(text, str) else []
    if len(slots) != 1 or slots[0].label not in (None, label):
        shown = short(text) if isinstance(text, str) else repr(text)
        raise PoseError(
            f"{label} holds “{shown}”, not one number", "Give each field one number.", field=label
        )
    return replace(slots[0], label=label)


def _comma_meanings(plain: str) -> tuple[bool, ...]:
    """Return for each reading worth trying whether the comma is a decimal mark in it."""
    return (True, False) if _DIGIT_COMMA_DIGIT.search(plain) else (True,)


def _telling(errors: list[PoseError]) -> PoseError:
    """Return the error that helps most: first what is wrong in any case, then what is missing.

    Otherwise the one with the comma as a decimal mark: as separators the commas give too many.
    """
    depends = (MixedError, MissingError, TooManyError)
    outright = next((e for e in errors if not isinstance(e, depends)), None)
    missing = next((e for e in errors if isinstance(e, MissingError)), None)
    return outright or missing or errors[0]


def _fields(slots: list[Slot], layout: Layout, *, printed: bool = False) -> tuple[str, ...]:
    """Return the texts of one reading of a line in the order of the labels."""
    if not slots:
        raise MissingError("nothing is typed", f"Type the fields {' '.join(layout.labels)}.")
    labelled = _are_labelled(slots)
    if labelled:
        _refuse_unlabelled(slots)
    else:
        slots = _in_order(slots, layout)
    _refuse_strays(slots)
    if not printed:
        _refuse_hanging(slots)
    if not labelled:
        _refuse_bad_gaps(slots)
    return _checked(slots, layout)


def _are_labelled(slots: list[Slot]) -> bool:
    return any(slot.label is not None for slot in slots)


def _in_order(slots: list[Slot], layout: Layout) -> list[Slot]:
    """Return the slots of a line without labels with those of their places, None for extras."""
    names = chain(layout.labels, repeat(None))
    return [replace(slot, label=name) for slot, name in zip(slots, names, strict=False)]


def _checked(slots: list[Slot], layout: Layout) -> tuple[str, ...]:
    """Return the texts in the order of the labels; a slot without a label is one too many."""
    _refuse_grouping(slots, layout)
    shown = dict(zip(layout.labels, layout.units, strict=True))
    for slot in slots:
        if slot.label is not None:
            _refuse_units(slot, slot.label, shown[slot.label])
    _refuse_wrong_count(slots, layout)
    texts = {slot.label: decimal_text(slot.raw, None) for slot in slots}
    return tuple(texts[label] for label in layout.labels)


def _refuse_unlabelled(slots: list[Slot]) -> None:
    """Hold a labelled line to this: every number has its label, each once."""
    before: list[str] = []
    for slot in slots:
        last = before[-1] if before else None
        if slot.problem and slot.label is None:
            raise PoseError(slot.problem, slot.remedy, field=last)
        if slot.label is None:
            where = f"after the value of {last}" if last else "at the start"
            raise MixedError(
                f"“{short(slot.raw)}” {where} has no label",
                "Label every field or none, with one number after each label.",
                field=last,
            )
        name = slot.label
        if name in before:
            raise PoseError(f"{name} is typed twice", "Type every field once.", field=name)
        before.append(name)


def _refuse_strays(slots: list[Slot]) -> None:
    for slot in slots:
        name = slot.label
        if slot.problem:
            raise PoseError(slot.problem, slot.remedy, field=name)
        if not slot.raw:
            raise MissingError(f"{name} has no number", f"Type a number after {name}.", field=name)
        if slot.joined:
            raise MixedError(
                f"“{short(slot.raw)}” touches the number before it",
                "Put a space or a semicolon between the fields.",
                field=name,
            )
        decimal_text(slot.raw, name)


def _refuse_hanging(slots: list[Slot]) -> None:
    """Refuse a number that ends with its decimal mark: the digits behind it are not typed yet."""
    for slot in slots:
        if slot.hanging:
            raise PoseError(
                f"“{short(slot.raw)}” ends with a decimal mark",
                "Type the digits behind it too; write a whole number without the mark.",
                field=slot.label,
            )


def _refuse_wrong_count(slots: list[Slot], layout: Layout) -> None:
    labels, listed = layout.labels, " ".join(layout.labels)
    if len(slots) > len(labels):
        raise TooManyError(
            f"{len(slots)} numbers are typed, {len(labels)} fields are shown: "
            f"“{short(slots[len(labels)].raw)}” comes after {labels[-1]}",
            f"Type one number for each of {listed}.",
            field=labels[-1],
        )
    typed = [slot.label for slot in slots]
    missing = [label for label in labels if label not in typed]
    if missing:
        raise MissingError(
            f"{len(slots)} of {len(labels)} fields are typed, missing: {' '.join(missing)}",
            f"Type all of {listed}.",
            field=missing[0],
        )


def _refuse_units(slot: Slot, label: str, shown: str) -> None:
    wrong = next((unit for unit in slot.units if unit != shown), None)
    if wrong is None:
        return
    if shown and (wrong in LENGTH_MM) == (shown in LENGTH_MM):
        remedy = f"If the pendant really shows {wrong}, correct its unit in the cell."
    else:
        remedy = "Check which number belongs to which field."
    says = f"shows it in {shown}" if shown else "shows it without a unit"
    raise PoseError(
        f"{label} is typed in {wrong}, by the cell the pendant {says}",
        f"Type the number as the pendant shows it. {remedy}",
        field=label,
    )


def _may_still_fit(slots: list[Slot], layout: Layout) -> bool:
    """Tell whether a reading is free of contradictions so far, though fields may be missing."""
    try:
        _fields([slot for slot in slots if not slot.unfinished], layout)
    except MixedError:
        return False
    except PoseError:
        return len(slots) <= len(layout.labels)
    return True


def _part(slot: Slot) -> PartialField:
    try:
        text = decimal_text(slot.raw, None) if slot.raw else ""
    except PoseError:
        return PartialField(slot.label or "", slot.raw)
    readable = bool(text) and not slot.problem
    waiting = slot.unfinished or not (slot.raw or slot.problem)
    value = float(text) if readable else None
    return PartialField(slot.label or "", text, value, unfinished=waiting)


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


MAX_VALUE = 1e7  # in the shown unit; beyond any cell even where mm are typed for m (`unit` says so)
MAX_EXPONENT = 12  # powers of ten; more than the span from the last decimal shown to MAX_VALUE

_GROUPED_COMMA = re.compile(r"[+-]?[1-9][0-9]{0,2},[0-9]{3}")
_GROUPED_POINT = re.compile(r"[+-]?[1-9][0-9]{0,2}\.[0-9]{3}")
_PLAIN_WAY = (
    "Separate the fields by spaces or semicolons and write decimals with a point: 612.4 -85.1"
)


class MixedError(PoseError):
    """A line that can be read in more than one way."""


def decimal_text(raw: str, label: str | None) -> str:
    """Return a number as written in plain decimals, every digit kept. Raises PoseError."""
    if raw.count(".") + raw.count(",") > 1:
        raise MixedError(
            f"“{short(raw)}” can be read in more than one way", _PLAIN_WAY, field=label
        )
    if len(raw) > MAX_NUMBER:
        raise PoseError(f"a number has {len(raw)} characters", "Type what is shown.", field=label)
    sign = "-" if raw.startswith("-") else ""
    mantissa, _, exponent = raw.lstrip("+-").replace(",", ".").lower().partition("e")
    whole, _, decimals = mantissa.partition(".")
    text = f"{whole or '0'}.{decimals}" if decimals else whole
    if exponent and abs(int(exponent)) <= MAX_EXPONENT:
        text = format(Decimal(f"{text}e{exponent}"), "f")
    elif exponent:
        text = "inf"
    if not float(text) <= MAX_VALUE:
        raise PoseError(
            f"{raw} is beyond anything a pendant shows", "Check the digits.", field=label
        )
    return sign + text


def _refuse_bad_gaps(slots: list[Slot]) -> None:
    """Commas of an unlabelled line separate all fields or none, and never mark decimals as well.

    A decimal point in the line shows that commas beside spaces are separators: then some suffice.
    """
    for place, slot in enumerate(slots):
        if separators(slot.gap) > min(place, 1):
            raise PoseError(*NOTHING_BETWEEN, field=slot.label)
    gaps = _gaps_inside_brackets(slots)
    uneven = 0 < sum("," in gap for gap in gaps) < len(gaps)
    if any("," in slot.raw for slot in slots):
        mixed = uneven or "," in gaps
    elif any(_tight(slot) for slot in slots):
        mixed = uneven or any(re.search(r"\s", gap) for gap in gaps) or _grouped(slots)
    else:
        mixed = uneven and not any("." in slot.raw for slot in slots)
    if mixed:
        raise MixedError("a comma here could be a decimal mark or a separator", _PLAIN_WAY)


def _gaps_inside_brackets(slots: list[Slot]) -> list[str]:
    """Return the gaps between numbers, without the one between (position) and (rotation)."""
    gaps = [slot.gap for slot in slots[1:]]
    outside = [gap for gap in gaps if re.search(r"[)\]}>].*[(\[{<]", gap, re.DOTALL)]
    return [gap for gap in gaps if gap not in outside] if len(outside) == 1 else gaps


def _tight(slot: Slot) -> bool:
    """Tell whether only a comma stands between this number and the digit before it."""
    return slot.gap == "," and slot.raw[0] not in "+-"


def _grouped(slots: list[Slot]) -> bool:
    """Tell whether a separating comma looks like one that groups thousands: 1,234.5 or 1.234,5."""
    for before, after in pairwise(slots):
        pair = f"{before.raw},{after.raw}"
        comma = re.fullmatch(_GROUPED_COMMA.pattern + r"\.[0-9]*", pair)
        if _tight(after) and (
            comma or (_GROUPED_POINT.fullmatch(before.raw) and "." not in after.raw)
        ):
            return True
    return False


def _refuse_grouping(slots: list[Slot], layout: Layout) -> None:
    """Refuse 1,234 where the pendant does not show three decimals and no other comma settles it."""
    commas = [slot.raw for slot in slots if "," in slot.raw]
    if any(not _GROUPED_COMMA.fullmatch(raw) for raw in commas):
        return
    shown = dict(zip(layout.labels, layout.decimals, strict=True))
    for slot in slots:
        if "," in slot.raw and shown.get(slot.label or "") != 3:
            point, joined = slot.raw.replace(",", "."), slot.raw.replace(",", "")
            raise MixedError(
                f"{slot.raw} can be {point} or {joined}",
                f"Write {point} or {joined}.",
                field=slot.label,
            )


def short(text: str) -> str:
    """Return ``text`` cut to what fits into a message."""
    return text if len(text) <= MAX_NUMBER else text[:MAX_NUMBER] + "…"
