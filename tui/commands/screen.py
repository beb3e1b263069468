"""Opening the screen: on the sessions folder, or on one session."""

from __future__ import annotations

import argparse
import gc
import os
import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from engine.sessions.places import SESSION_FILE, session_path

from ..widgets.terminal import Terminal, detect, make_safe

if TYPE_CHECKING:
    from textual.screen import Screen

    from engine.simulate.scenario import BoardName


def run(args: argparse.Namespace) -> int:
    """Open the list of sessions in ``args.sessions``."""
    _first_picture_first()
    terminal = detect(os.environ, sys.__stderr__)
    from ..screens.sessions import Sessions

    return _show(Sessions(Path(args.sessions)), terminal)


def run_open(args: argparse.Namespace) -> int:
    """Open one session, for writing or (``--follow``) for watching."""
    _first_picture_first()
    folder = Path(args.dir)
    session_path(folder)
    terminal = detect(os.environ, sys.__stderr__)
    from ..desk.desk import Desk
    from ..screens.stations import Stations

    desk = Desk(folder, follow=args.follow)
    desk.look()
    try:
        return _show(Stations(desk), terminal)
    finally:
        desk.close()


def run_demo(folder: Path, seed: int, board: BoardName = "chessboard") -> int:
    """Open the demo on a simulated cell whose session lies in ``folder``."""
    terminal = detect(os.environ, sys.__stderr__)
    from ..screens.demo import Welcome

    status = _show(Welcome(folder, seed, board), terminal)
    if (folder / SESSION_FILE).is_file():
        name = shlex.quote(str(folder))
        print(f"The demo's session lies in {folder}.")
        print(f"Next: stationbook open {name} (once solved: report, pack instead of open)")
    return status


def _show(first: Screen[Any], terminal: Terminal) -> int:
    """Run the application until it is left; returns the exit status."""
    from ..app import Stationbook

    make_safe()
    app = Stationbook(first, terminal)
    app.run(mouse=False)
    return app.return_code or 0


def _first_picture_first() -> None:
    """Collect no garbage until the first picture is there: what is loaded now stays."""
    gc.disable()
