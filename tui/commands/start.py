"""`start`: a session folder for a cell, new or known from an earlier session."""

from __future__ import annotations

import argparse
from datetime import datetime
from pathlib import Path

from engine.sessions.folder import create_session
from engine.steps.recheck import start_again

from ..output import print_json


def run(args: argparse.Namespace) -> int:
    """Create the folder with a copy of the cell and of the files it names."""
    cell = Path(args.cell)
    given = {"name": args.name, "operator": args.operator, "now": datetime.now().astimezone()}
    if cell.is_dir():
        session = start_again(cell, Path(args.dir), **given)
    else:
        session = create_session(cell, Path(args.dir), **given)
    if args.json:
        print_json({"format": 1, "dir": args.dir, "name": session.name, "created": session.created})
    else:
        print(f"session {session.name!r} started in {args.dir}")
        print(f"next: stationbook open {args.dir}")
    return 0
