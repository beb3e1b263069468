"""Whether the numbers of a line were typed to their end, as far as their decimals tell.

Most pendants show every field with as many decimals each time. Some leave zeros at the end out, and
so do some hands: what the stations recorded show of that is taken for what it is.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

from ..findings import Finding, finding
from ..pendant.conventions import POSITION_FIELDS
from ..pendant.settings import Pendant

Counts = Sequence[int]


def decimals(text: str) -> int:
    """Return how many decimals a plain number has."""
    return len(text.partition(".")[2])


def digits_findings(
    fields: Sequence[str],
    pendant: Pendant,
    earlier: Collection[Counts],
    named: Collection[str | None] = (),
) -> list[Finding]:
    """Return `digits-missing` where values of a typed line have fewer decimals than are shown.

    ``fields``: one text per label. ``earlier``: the decimals of lines recorded before, one number
    per label. ``named``: labels of which more is said. Nothing where lines recorded show that zeros
    at the end are left out: a value that was cut off looks the same.
    """
    typed = [decimals(text) for text in fields]
    shown = _shown(typed, pendant, earlier)
    if any(_short(row, shown) for row in earlier):
        return []
    labels = pendant.labels
    short = [k for k in _short(typed, shown) if labels[k] not in named]
    if not short:
        return []
    every = not earlier and len(short) == sum(count > 0 for count in shown)
    return [
        finding(
            "digits-missing",
            "all" if every else None,
            field=" and ".join(labels[k] for k in short),
            typed=" and ".join(fields[k] for k in short),
            what=", ".join(f"{labels[k]} {fields[k]}" for k in short),
            count=len(short),
            shown=" or ".join(str(n) for n in sorted({shown[k] for k in short})),
        )
    ]


def _short(counts: Counts, shown: Counts) -> list[int]:
    """Return the fields with fewer decimals than are ``shown``."""
    return [k for k, (count, most) in enumerate(zip(counts, shown, strict=True)) if count < most]


def _shown(typed: Counts, pendant: Pendant, earlier: Collection[Counts]) -> list[int]:
    """Return how many decimals the pendant shows of each field.

    What the cell says; once lines were recorded, no more than the most in them, of a position and
    of a turn. Of joint angles the cell need not say it: the most in all lines.
    """
    if pendant.shows_joints:
        return [max(count for row in (typed, *earlier) for count in row)] * len(typed)
    shown = list(pendant.decimals)
    if not earlier:
        return shown
    for part in (slice(POSITION_FIELDS), slice(POSITION_FIELDS, None)):
        most = max(max(row[part]) for row in earlier)
        shown[part] = [min(count, most) for count in shown[part]]
    return shown
