"""Opening the screen: on the sessions folder, or on one session."""

from __future__ import annotations

import argparse
import os
import shlex
import sys
from pathlib import Path
from typing import Any

from textual.screen import Screen

from engine.sessions.store import SESSION_FILE, session_path

from ..app import Stationbook
from ..screens.opening import Opening, Welcome
from ..screens.sessions import Sessions
from ..widgets.looks import detect, make_safe


def run(args: argparse.Namespace) -> int:
    """Open the list of sessions in ``args.sessions``."""
    return _show(Sessions(Path(args.sessions)))


def run_open(args: argparse.Namespace) -> int:
    """Open one session, for writing or (``--follow``) for watching."""
    folder = Path(args.dir)
    session_path(folder)
    return _show(Opening(folder, follow=args.follow))


def run_demo(folder: Path, seed: int, board: str, depth: bool = False) -> int:
    """Open the demo on a simulated cell whose session lies in ``folder``."""
    status = _show(Welcome(folder, seed, board, depth))
    if (folder / SESSION_FILE).is_file():
        name = shlex.quote(str(folder))
        print(f"The demo's session lies in {folder}.")
        print(f"Next: stationbook open {name} (once solved: report, pack instead of open)")
    return status


def _show(first: Screen[Any]) -> int:
    """Run the application until it is left; returns the exit status."""
    terminal = detect(os.environ, sys.__stderr__)
    make_safe()
    app = Stationbook(first, terminal)
    app.run(mouse=not os.environ.get("STATIONBOOK_NO_MOUSE"))
    return app.return_code or 0
