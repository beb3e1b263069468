"""The screen: on the sessions folder, on one session, or on a simulated cell."""

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
from ..clock import now
from ..output import say, tell
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


def run_demo(args: argparse.Namespace) -> int:
    """Run the demo on a simulated cell; with --auto to its end, and print the result."""
    folder = Path(args.dir) if args.dir else Path(args.sessions) / f"demo-{now():%Y%m%d-%H%M%S}"
    if args.auto:
        return _unattended(args, folder)
    status = _show(Welcome(folder, args.seed, args.board, args.depth))
    if (folder / SESSION_FILE).is_file():
        name = shlex.quote(str(folder))
        print(f"The demo's session lies in {folder}.")
        print(f"Next: stationbook open {name} (once solved: report, pack instead of open)")
    return status


def _unattended(args: argparse.Namespace, folder: Path) -> int:
    # no picture waits for what solves
    from engine.sessions.folder import open_session
    from engine.steps.demo import unattended

    from .solve import result_answer

    solved = None
    for text, found in unattended(folder, args.seed, now, args.board, args.depth):
        say(text) if args.json else print(text, flush=True)
        solved = found
    if solved is None:
        return 1
    answer = result_answer(solved, open_session(folder).cell)
    where = ["", f"result: {folder / 'result.yaml'}", f"next: stationbook open {folder}"]
    return tell(args, answer._replace(lines=[*answer.lines, *where]))


def _show(first: Screen[Any]) -> int:
    """Run the application until it is left; returns the exit status."""
    terminal = detect(os.environ, sys.__stderr__)
    make_safe()
    app = Stationbook(first, terminal)
    app.run(mouse=not os.environ.get("STATIONBOOK_NO_MOUSE"))
    return app.return_code or 0
