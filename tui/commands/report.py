"""`report`: the page that the customer signs."""

from __future__ import annotations

import argparse
from datetime import datetime
from pathlib import Path
from typing import Any

from engine.sessions.folder import open_session
from engine.sessions.lock import writing
from engine.steps.report import make_report, write_report

from ..several import run_over


def run(args: argparse.Namespace) -> int:
    """Write report.html in each folder; the one before is kept beside it."""
    return run_over(
        args, report_folder, lambda made: made, _show, write=not args.no_write, camera=args.camera
    )


def report_folder(folder: str, *, write: bool, camera: str | None) -> dict[str, Any]:
    """Make the report of one session, and store it unless told not to."""
    path = Path(folder)
    now = datetime.now().astimezone()
    if not write:
        html, document = make_report(open_session(path), path, now, camera)
        place = None
    else:
        with writing(path):
            session = open_session(path)
            html, document = make_report(session, path, now, camera)
            place = str(write_report(session.cell, path, html, camera))
    return {
        "format": 1,
        "dir": folder,
        "path": place,
        "bytes": len(html.encode()),
        "verdict": document["verdict"],
        "findings": document["findings"],
    }


def _show(made: dict[str, Any]) -> None:
    place = made["path"] or "not written"
    print(f"report: {place} ({made['bytes'] / 2**20:.1f} MB), verdict {made['verdict']}")
