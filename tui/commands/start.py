"""`start`: a session folder for a cell, new or known from an earlier session."""

from __future__ import annotations

import argparse
from datetime import datetime
from pathlib import Path

from engine.findings import finding
from engine.steps.recheck import start_again
from engine.steps.starting import create_session

from ..output import print_findings, print_json


def run(args: argparse.Namespace) -> int:
    """Create the folder with a copy of the cell and of the files it names."""
    cell = Path(args.cell)
    given = {"name": args.name, "operator": args.operator, "now": datetime.now().astimezone()}
    if cell.is_dir():
        session = start_again(cell, Path(args.dir), **given)
    else:
        session = create_session(cell, Path(args.dir), **given)
    found = [finding("reach-unchecked")] if session.cell.robot is None else []
    if args.json:
        said = [item.document() for item in found]
        named = {"dir": args.dir, "name": session.name, "created": session.created}
        print_json({"format": 1, **named, "findings": said})
    else:
        print_findings(found)
        print(f"session {session.name!r} started in {args.dir}")
        print(f"next: stationbook open {args.dir}")
    return 0
