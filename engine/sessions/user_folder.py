"""The user's own configuration folder on this machine: nothing in it ever comes with a session."""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping
from pathlib import Path

CONFIG_VARIABLE = "STATIONBOOK_CONFIG"  # names another folder, for tests and shared machines


def config_folder(environment: Mapping[str, str] = os.environ) -> Path:
    """Return the configuration folder (which may not exist yet).

    ``STATIONBOOK_CONFIG``; else on Windows ``%APPDATA%\\\\stationbook``, elsewhere
    ``$XDG_CONFIG_HOME/stationbook`` or ``~/.config/stationbook``.
    """
    if own := environment.get(CONFIG_VARIABLE):
        return Path(own)
    variable = "APPDATA" if sys.platform == "win32" else "XDG_CONFIG_HOME"
    above = environment.get(variable)
    return (Path(above) if above else Path.home() / ".config") / "stationbook"
