"""The time, as it is stored."""

from __future__ import annotations

from datetime import datetime


def now() -> datetime:
    """Return the time with its zone."""
    return datetime.now().astimezone()
