"""From a typed line to the texts of its fields: order, count, decimal marks and units.

The line is scanned (`scanning`) twice where a comma stands between two digits: once with the comma
as a decimal mark, once as a separator. A reading stands only when it gives every field exactly once
and the commas of the line all do the same.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from itertools import chain, pairwise, repeat

from ..errors import PoseError
from .scanning import MAX_NUMBER, NOTHING_BETWEEN, Layout, Slot, clean, scan, separators, short
from .settings import LENGTH_MM

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
