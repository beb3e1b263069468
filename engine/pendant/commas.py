"""What a comma means: numbers as written, and the lines in which a comma could mean two things."""

from __future__ import annotations

import re
from decimal import Decimal
from itertools import pairwise

from ..errors import PoseError
from .scanning import MAX_NUMBER, NOTHING_BETWEEN, Layout, Slot, separators

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


def refuse_bad_gaps(slots: list[Slot], layout: Layout) -> None:
    """Commas of an unlabelled line separate all fields or none, and never mark decimals as well.

    A decimal point in the line shows that commas beside spaces are separators: then some suffice.
    """
    for place, slot in enumerate(slots):
        if separators(slot.gap) > min(place, 1):
            raise PoseError(*NOTHING_BETWEEN, field=field_name(place, layout))
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


def refuse_grouping(slots: list[Slot], indices: list[int], layout: Layout) -> None:
    """Refuse 1,234 where the pendant does not show three decimals and no other comma settles it."""
    commas = [slot.raw for slot in slots if "," in slot.raw]
    if any(not _GROUPED_COMMA.fullmatch(raw) for raw in commas):
        return
    for slot, index in zip(slots, indices, strict=True):
        three_shown = index < len(layout.decimals) and layout.decimals[index] == 3
        if "," in slot.raw and not three_shown:
            point, joined = slot.raw.replace(",", "."), slot.raw.replace(",", "")
            raise MixedError(
                f"{slot.raw} can be {point} or {joined}",
                f"Write {point} or {joined}.",
                field=field_name(index, layout),
            )


def field_name(index: int, layout: Layout) -> str | None:
    """Return the label of a field, or None beyond the last one."""
    return layout.labels[index] if index < len(layout.labels) else None


def short(text: str) -> str:
    """Return ``text`` cut to what fits into a message."""
    return text if len(text) <= MAX_NUMBER else text[:MAX_NUMBER] + "…"
