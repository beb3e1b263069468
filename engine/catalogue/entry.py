"""One entry of the catalogue of findings."""

from __future__ import annotations

from functools import partial
from typing import NamedTuple


class Entry(NamedTuple):
    """Texts of one finding. ``level`` is "error", "warning" or "note"."""

    level: str
    message: str
    remedy: str
    cause: str = ""
    shows: str = ""


error, warning, note = (partial(Entry, level) for level in ("error", "warning", "note"))
