"""`report`: the page that the customer signs."""

from __future__ import annotations

import argparse
from contextlib import nullcontext
from pathlib import Path

from engine.sessions.folder import open_session
from engine.sessions.lock import writing
from engine.sessions.store import encoded, write_output
from engine.steps.reporting import make_report, make_together, write_report

from ..clock import now
from ..output import Answer, run_over, tell


def run(args: argparse.Namespace) -> int:
    """Write report.html in each folder; the one before is kept beside it."""
    if args.together is not None:
        return _together(args)
    return run_over(
        args,
        report_folder,
        write=not args.no_write,
        camera=args.camera,
        anyway=args.anyway,
        paper=args.paper,
    )


def _together(args: argparse.Namespace) -> int:
    """Write the records of all folders into one page; the exit status is the worst of them."""
    folders = [Path(folder) for folder in args.dirs]
    html, results = make_together(folders, now(), anyway=args.anyway, paper=args.paper)
    if not args.no_write:
        write_output(Path(args.together), encoded(html), force=args.force)
    findings = [item for result in results for item in result.findings]
    document = {
        "dirs": list(args.dirs),
        "path": None if args.no_write else args.together,
        "bytes": len(html.encode()),
        "verdicts": [result.verdict for result in results],
    }
    where = "not written" if args.no_write else args.together
    said = f"{len(results)} records: {where} ({len(html.encode()) / 2**20:.1f} MB)"
    return tell(args, Answer(document, [said], findings))


def report_folder(
    folder: str, *, write: bool, camera: str | None, anyway: bool, paper: str
) -> Answer:
    """Make the report of one session, and store it unless told not to."""
    path, place = Path(folder), None
    with writing(path) if write else nullcontext():
        session = open_session(path)
        html, result = make_report(session, path, now(), camera, anyway=anyway, paper=paper)
        if write:
            place = write_report(session.cell, path, html, camera)
    size = len(html.encode())
    document = {
        "dir": folder,
        "path": None if place is None else str(place),
        "bytes": size,
        "verdict": result.verdict,
    }
    said = f"{place or 'not written'} ({size / 2**20:.1f} MB), verdict {result.verdict_words}"
    return Answer(document, [f"report: {said}"], result.findings)
