"""Parts of a session as the plain data that commands print."""

from __future__ import annotations

from typing import Any

from .session import Station
from .session_file import STATION


def station_document(station: Station) -> dict[str, Any]:
    """Return a station as it stands in session.yaml."""
    document: dict[str, Any] = STATION.write(station)
    return document
