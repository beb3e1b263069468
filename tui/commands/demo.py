"""`demo`: the job on a simulated cell, on the screen or unattended."""

from __future__ import annotations

import argparse
from datetime import datetime
from pathlib import Path

from ..output import print_json, say
from ..result_text import result_lines


def run(args: argparse.Namespace) -> int:
    """Run the demo; with --auto to its end, and print the result."""
    now = datetime.now().astimezone()
    folder = Path(args.dir) if args.dir else Path(args.sessions) / f"demo-{now:%Y%m%d-%H%M%S}"
    if not args.auto:
        from .screen import run_demo

        return run_demo(folder, args.seed, args.board)
    return _unattended(args, folder)


def _unattended(args: argparse.Namespace, folder: Path) -> int:
    from engine.steps.demo import unattended

    document = None
    for told in unattended(folder, args.seed, lambda: datetime.now().astimezone(), args.board):
        say(told.text) if args.json else print(told.text, flush=True)
        document = told.solved.document if told.solved else None
    if document is None:
        return 1
    if args.json:
        print_json(document)
    else:
        print("\n".join(result_lines(document)))
        print(f"\nresult: {folder / 'result.yaml'}\nnext: stationbook open {folder}")
    return 1 if any(item["level"] == "error" for item in document["findings"]) else 0
