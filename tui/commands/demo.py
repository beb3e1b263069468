"""`demo`: the job on a simulated cell, on the screen or unattended."""

from __future__ import annotations

import argparse
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from engine.findings import has_error

from ..output import WIDTH, print_json, print_lines, say
from ..words import unwrapped

if TYPE_CHECKING:
    from engine.steps.solve import Solved


def run(args: argparse.Namespace) -> int:
    """Run the demo; with --auto to its end, and print the result."""
    now = datetime.now().astimezone()
    folder = Path(args.dir) if args.dir else Path(args.sessions) / f"demo-{now:%Y%m%d-%H%M%S}"
    if not args.auto:
        from .screen import run_demo

        return run_demo(folder, args.seed)
    return _unattended(args, folder)


def _unattended(args: argparse.Namespace, folder: Path) -> int:
    from engine.steps.demo import unattended

    solved = None
    for text, found in unattended(folder, args.seed, lambda: datetime.now().astimezone()):
        say(text) if args.json else print(text, flush=True)
        solved = found
    if solved is None:
        return 1
    if args.json:
        print_json(solved.stored.document())
    else:
        _show(solved, folder)
        print(f"\nresult: {folder / 'result.yaml'}\nnext: stationbook open {folder}")
    return 1 if has_error(solved.stored.all_findings) else 0


def _show(solved: Solved, folder: Path) -> None:
    """Print the result for a person."""
    from engine.sessions.folder import open_session

    from ..result_text import result_lines

    print_lines(result_lines(solved.stored, open_session(folder).cell, unwrapped, WIDTH))
