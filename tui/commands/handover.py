"""`report` and `export`: the page that the customer signs, the forms that other programs read."""

from __future__ import annotations

import argparse
from contextlib import nullcontext
from pathlib import Path
from typing import Any

from engine.errors import UsageError
from engine.report.exports import Chosen
from engine.sessions.folder import open_session
from engine.sessions.lock import writing
from engine.sessions.store import encoded, write_output
from engine.steps.handover import (
    POSES,
    export_result,
    make_report,
    make_together,
    poses_text,
    write_report,
)

from ..clock import now
from ..output import Answer, run_over, say, tell


def run_report(args: argparse.Namespace) -> int:
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
        "format": 1,
        "dirs": list(args.dirs),
        "path": None if args.no_write else args.together,
        "bytes": len(html.encode()),
        "verdicts": [result.verdict for result in results],
        "findings": [item.document() for item in findings],
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
        "format": 1,
        "dir": folder,
        "path": None if place is None else str(place),
        "bytes": size,
        "verdict": result.verdict,
        "findings": [item.document() for item in result.findings],
    }
    said = f"{place or 'not written'} ({size / 2**20:.1f} MB), verdict {result.verdict}"
    return Answer(document, [f"report: {said}"], result.findings)


def run_export(args: argparse.Namespace) -> int:
    """Print the exported text of each folder, or write it to --out."""
    if args.out is not None and len(args.dirs) > 1:
        raise UsageError("--out takes one DIR", "Call export once for each folder.")

    def show(exported: Answer) -> None:
        text = exported.document["text"]
        if args.out is None:
            print(text, end="")
            return
        write_output(Path(args.out), encoded(text), force=args.force)
        say(f"written: {args.out}")

    return run_over(
        args,
        export_folder,
        show,
        form=args.form,
        inverse=args.inverse,
        unit=args.unit,
        not_accepted=args.not_accepted,
        camera=args.camera,
        anyway=args.anyway,
        chosen=Chosen(args.rotation, args.angle_unit, args.decimals, args.height),
    )


def export_folder(folder: str, *, form: str, **how: Any) -> Answer:
    """Return the export of the stored result in ``folder``.

    No findings: what is not accepted is refused, or says so in its text.
    """
    path = Path(folder)
    if form == POSES:
        text = poses_text(open_session(path))
        return Answer({"format": 1, "dir": folder, "as": form, "text": text}, [])
    text, source = export_result(open_session(path), path, form, **how)
    document = {"format": 1, "dir": folder, "as": form, "source_sha256": source, "text": text}
    return Answer(document, [])
