"""`shift`: points taught by hand, before and after; only those fixed to the camera's frame move."""

from __future__ import annotations

import argparse
from pathlib import Path

from engine.cautions import CARRIED_POINTS
from engine.errors import UsageError
from engine.findings import has_error
from engine.proof.compare import Carried, taught_text
from engine.sessions.folder import open_session
from engine.sessions.store import encoded, write_bytes_new
from engine.steps.compare import shift

from ..output import print_findings, print_json, say


def run(args: argparse.Namespace) -> int:
    """Carry points over and show each before and after."""
    points = None if args.points is None else Path(args.points)
    if args.out is not None and points is None:
        raise UsageError("--out needs the points", "Add --points FILE.")
    against = None if args.against is None else Path(args.against)
    found = shift(Path(args.dir), against, points, args.camera)
    failed = has_error(found.findings)
    if args.out is not None and not failed:
        pendant = open_session(Path(args.dir)).cell.pendant
        write_bytes_new(Path(args.out), encoded(taught_text(found.points, pendant)))
    if args.json:
        print_json(found.document())
    else:
        for item in found.points:
            print("\n".join(point_lines(item, found.labels)))
        print_findings(found.findings)
    for text in CARRIED_POINTS:
        (say if args.json else print)(f"CAUTION: {text}")
    return 1 if failed else 0


def point_lines(item: Carried, labels: tuple[str, ...]) -> list[str]:
    """Return one point for a person, before and after."""
    before = _shown(labels, item.before.fields)
    if not item.shifted:
        return [f"{item.before.name}: stays", f"    {before}"]
    return [
        f"{item.before.name}: moves {item.distance_mm:.2f} mm, {item.angle_deg:.2f}°; "
        "REDUCED SPEED FIRST",
        f"    before {before}",
        f"    after  {_shown(labels, item.after)}",
    ]


def _shown(labels: tuple[str, ...], fields: tuple[str, ...]) -> str:
    return "  ".join(f"{label} {text}" for label, text in zip(labels, fields, strict=True))
