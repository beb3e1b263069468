"""`compare`: how far results are apart, and how a cell drifted."""

from __future__ import annotations

import argparse
from pathlib import Path

from engine.proof.compare import Difference, Entry
from engine.steps.compare import compare, figure, history

from ..output import print_findings, print_json
from ..words import expanded, number


def run(args: argparse.Namespace) -> int:
    """Compare DIR with each OTHER; with several, or a figure, show the history too."""
    folder, others = Path(args.dir), [Path(other) for other in args.others]
    found = compare(folder, others[0], args.camera)
    entries = history([folder, *others], args.camera) if len(others) > 1 or args.figure else []
    if args.figure:
        figure(entries, folder, Path(args.figure))
    if args.json:
        past = {"history": [entry.document() for entry in entries]} if entries else {}
        print_json({**found.document(), **past})
        return 0
    show(found, args.others[0])
    if entries:
        print("\n".join(history_lines(entries)))
    return 0


def show(found: Difference, other: str) -> None:
    """Print a difference for a person."""
    movement = found.movement
    print(f"difference from {other}: {movement.words()} (± U = 2u)")
    volume = number(movement.work_volume_mm, "mm", 2)
    print(f"at the work volume: {volume} {expanded(movement.u_work_volume_mm, 'mm', 2)}")
    print_findings(found.findings)


def history_lines(entries: list[Entry]) -> list[str]:
    """Return the history as a table: drift at the work volume since the first result."""
    lines = ["", "day         drift mm    U mm  verdict        proven  session"]
    for entry in entries:
        move = entry.since_first.movement if entry.since_first else None
        drift = "       -       -" if move is None else f"{move.work_volume_mm:8.2f}"
        if move is not None:
            drift += f"{2 * move.u_work_volume_mm:8.2f}"
        proven = "yes" if entry.proven else "no"
        lines.append(
            f"{entry.created[:10]:10}{drift}  {entry.verdict:13}  {proven:6}  {entry.name}"
        )
    return lines
