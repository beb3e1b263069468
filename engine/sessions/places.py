"""Where files lie: in a session folder, and in the user's own configuration."""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping
from pathlib import Path

from ..errors import FileError

SESSION_FILE = "session.yaml"
RESULT_FILE = "result.yaml"
PROOF_FILE = "proof.yaml"
JOURNAL_FILE = "journal.jsonl"
LOCK_FILE = ".lock"


def session_path(folder: Path) -> Path:
    """Return the path of ``session.yaml``; raises FileError where ``folder`` is no session."""
    path = folder / SESSION_FILE
    try:
        if path.exists():
            return path
        if folder.is_dir():
            raise FileError(
                folder, f"this folder holds no {SESSION_FILE}", "stationbook start makes one."
            )
        if folder.exists():
            raise FileError(folder, "this is a file; a session is a folder", "Check the name.")
    except OSError as error:
        raise FileError.from_os(folder, error, "open") from None
    except ValueError:  # a NUL character in the name
        raise FileError(repr(str(folder)), "this is no folder name") from None
    raise FileError(folder, "there is no such folder", "Check the name.")


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
