"""From slots to the texts of the fields: order, count, decimal marks and units.

A comma between two digits is read both as a decimal mark and as a separator; a reading stands only
when it gives every field exactly once and the commas of the line all do the same.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from ..errors import PoseError
from .scanning import (
    Layout,
    MixedError,
    Slot,
    clean,
    decimal_text,
    field_name,
    refuse_bad_gaps,
    refuse_grouping,
    scan,
    short,
)
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


def read_line(text: str, layout: Layout) -> tuple[str, ...]:
    """Return the normalised text of every field in the order of the labels. Raises PoseError."""
    plain = clean(text)
    errors: list[PoseError] = []
    for comma_decimal in _comma_meanings(plain):
        try:
            return _fields(scan(plain, layout, comma_decimal=comma_decimal), layout)
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
    labelled = any(slot.label is not None for slot in slots)
    taken: dict[int, PartialField] = {}
    extra: list[PartialField] = []
    for place, slot in enumerate(slots):
        index = slot.label if labelled else place
        part = _part(slot)
        if index is None or index in taken or index >= len(layout.labels):
            extra.append(replace(part, problem="one number too many"))
        else:
            taken[index] = replace(part, label=layout.labels[index])
    shown = [taken.get(i, PartialField(label)) for i, label in enumerate(layout.labels)]
    return shown + [part for part in extra if part.text]


def read_fields(fields: Sequence[str], layout: Layout) -> tuple[str, ...]:
    """Return the normalised texts of fields that were stored one by one. Raises PoseError."""
    if len(fields) != len(layout.labels):
        raise PoseError(
            f"{len(fields)} fields are given, {len(layout.labels)} are shown",
            f"Give one text for each of {' '.join(layout.labels)}.",
        )
    slots = [_single(text, index, layout) for index, text in enumerate(fields)]
    return _checked(slots, list(range(len(slots))), layout)


def _single(text: str, index: int, layout: Layout) -> Slot:
    label = layout.labels[index]
    slots = scan(clean(text), layout, comma_decimal=True) if isinstance(text, str) else []
    if len(slots) != 1 or slots[0].label not in (None, index):
        shown = short(text) if isinstance(text, str) else repr(text)
        raise PoseError(
            f"{label} holds “{shown}”, not one number", "Give each field one number.", field=label
        )
    return slots[0]


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


def _fields(slots: list[Slot], layout: Layout) -> tuple[str, ...]:
    """Return the texts of one reading of a line in the order of the labels."""
    if not slots:
        raise MissingError("nothing is typed", f"Type the fields {' '.join(layout.labels)}.")
    if any(slot.label is not None for slot in slots):
        indices = _labelled(slots, layout)
    else:
        indices = list(range(len(slots)))
        _refuse_strays(slots, indices, layout)
        refuse_bad_gaps(slots, layout)
    return _checked(slots, indices, layout)


def _checked(slots: list[Slot], indices: list[int], layout: Layout) -> tuple[str, ...]:
    """Return the texts in the order of the labels; slot k belongs to field ``indices[k]``."""
    _refuse_strays(slots, indices, layout)
    refuse_grouping(slots, indices, layout)
    for slot, index in zip(slots, indices, strict=True):
        if index < len(layout.labels):
            _refuse_units(slot, index, layout)
    _refuse_wrong_count(slots, indices, layout)
    texts = {i: decimal_text(slot.raw, None) for slot, i in zip(slots, indices, strict=True)}
    return tuple(texts[i] for i in range(len(layout.labels)))


def _labelled(slots: list[Slot], layout: Layout) -> list[int]:
    """Return the field of each slot of a labelled line: every number has its label, each once."""
    indices: list[int] = []
    for slot in slots:
        before = field_name(indices[-1], layout) if indices else None
        if slot.problem and slot.label is None:
            raise PoseError(slot.problem, slot.remedy, field=before)
        if slot.label is None:
            where = f"after the value of {before}" if before else "at the start"
            raise MixedError(
                f"“{short(slot.raw)}” {where} has no label",
                "Label every field or none, with one number after each label.",
                field=before,
            )
        if slot.label in indices:
            name = field_name(slot.label, layout)
            raise PoseError(f"{name} is typed twice", "Type every field once.", field=name)
        indices.append(slot.label)
    return indices


def _refuse_strays(slots: list[Slot], indices: list[int], layout: Layout) -> None:
    for slot, index in zip(slots, indices, strict=True):
        name = field_name(index, layout)
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


def _refuse_wrong_count(slots: list[Slot], indices: list[int], layout: Layout) -> None:
    labels, listed = layout.labels, " ".join(layout.labels)
    if len(slots) > len(labels):
        raise TooManyError(
            f"{len(slots)} numbers are typed, {len(labels)} fields are shown: "
            f"“{short(slots[len(labels)].raw)}” comes after {labels[-1]}",
            f"Type one number for each of {listed}.",
            field=labels[-1],
        )
    missing = [label for i, label in enumerate(labels) if i not in indices]
    if missing:
        raise MissingError(
            f"{len(slots)} of {len(labels)} fields are typed, missing: {' '.join(missing)}",
            f"Type all of {listed}.",
            field=missing[0],
        )


def _refuse_units(slot: Slot, index: int, layout: Layout) -> None:
    label, shown = layout.labels[index], layout.units[index]
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
        return PartialField("", slot.raw)
    readable = bool(text) and not slot.problem
    waiting = slot.unfinished or not (slot.raw or slot.problem)
    return PartialField("", text, float(text) if readable else None, unfinished=waiting)
