"""`report`: the page that the customer signs."""

from __future__ import annotations

import argparse
from contextlib import nullcontext
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from engine.cell.result import StoredResult
from engine.findings import Finding
from engine.sessions.folder import open_session
from engine.sessions.lock import writing
from engine.steps.handover import make_report, write_report

from ..several import run_over


def run(args: argparse.Namespace) -> int:
    """Write report.html in each folder; the one before is kept beside it."""
    return run_over(args, report_folder, show, write=not args.no_write, camera=args.camera)


@dataclass(frozen=True, slots=True, eq=False)
class Made:
    """A report: of which folder, where it was written, its size, and the result it is about."""

    folder: str
    path: Path | None
    size: int
    result: StoredResult

    def findings(self) -> tuple[Finding, ...]:
        """Return what was noticed."""
        return self.result.findings

    def document(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "format": 1,
            "dir": self.folder,
            "path": None if self.path is None else str(self.path),
            "bytes": self.size,
            "verdict": self.result.verdict,
            "findings": [item.document() for item in self.result.findings],
        }


def report_folder(folder: str, *, write: bool, camera: str | None) -> Made:
    """Make the report of one session, and store it unless told not to."""
    path, place = Path(folder), None
    with writing(path) if write else nullcontext():
        session = open_session(path)
        html, result = make_report(session, path, datetime.now().astimezone(), camera)
        if write:
            place = write_report(session.cell, path, html, camera)
    return Made(folder, place, len(html.encode()), result)


def show(made: Made) -> None:
    """Print for a person where the report is."""
    place = made.path or "not written"
    print(f"report: {place} ({made.size / 2**20:.1f} MB), verdict {made.result.verdict}")
