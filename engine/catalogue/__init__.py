"""The catalogue of findings: every text that a finding can show, in one place.

A key is ``code`` or ``code/variant``; a variant is the same finding in other words. ``message`` and
``remedy`` are templates for `findings.finding`: ``{name}`` is a value, ``{name:one|several}`` a
word by its number. ``cause`` and ``shows`` belong to the code and stand in its
first entry only: `stationbook explain CODE` and docs/findings.md are made from them.
"""

from __future__ import annotations

from . import after, causes, image, stored, typed, verdict
from .entry import Entry

__all__ = ["CATALOGUE", "CODES", "PARTS", "Entry"]

PARTS = (typed, image, causes, verdict, stored, after)  # in the order of the job
CATALOGUE: dict[str, Entry] = {key: entry for part in PARTS for key, entry in part.ENTRIES.items()}
CODES = tuple(code for code in CATALOGUE if "/" not in code)
