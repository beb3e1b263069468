"""`demo`: the job on a simulated cell, on the screen or unattended."""

from __future__ import annotations

import argparse
from pathlib import Path

from ..clock import now
from ..output import say, tell


def run(args: argparse.Namespace) -> int:
    """Run the demo; with --auto to its end, and print the result."""
    folder = Path(args.dir) if args.dir else Path(args.sessions) / f"demo-{now():%Y%m%d-%H%M%S}"
    if not args.auto:
        from .screen import run_demo

        return run_demo(folder, args.seed, args.board, args.depth)
    return _unattended(args, folder)


def _unattended(args: argparse.Namespace, folder: Path) -> int:
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
