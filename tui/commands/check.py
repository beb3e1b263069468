"""`check`: what is recorded, checked again, station by station and as a whole."""

from __future__ import annotations

import argparse
from pathlib import Path

from engine.errors import UsageError
from engine.sessions.changes import Who, commit
from engine.sessions.folder import open_session
from engine.sessions.lock import writing
from engine.steps.checking import check_session
from engine.steps.correcting import fix

from ..clock import now
from ..output import Answer, finding_texts, run_over, tell


def run(args: argparse.Namespace) -> int:
    """Check one or several session folders; with --fix apply a suggestion first."""
    if args.fix is None and args.station is not None:
        raise UsageError("--station goes with --fix", "Say which finding to fix: --fix CODE.")
    if args.fix is not None:
        return _fixed(args)
    return run_over(args, check_folder)


def _fixed(args: argparse.Namespace) -> int:
    """Apply one suggestion, then check what is recorded now."""
    if len(args.dirs) != 1:
        raise UsageError("--fix takes one DIR", "Fix one session after the other.")
    folder = Path(args.dirs[0])
    with writing(folder):
        change, what = fix(open_session(folder), folder, args.fix, args.station)
        commit(folder, change, Who(None, now()))
    found = check_folder(args.dirs[0])
    document = {**found.document, "fixed": what}
    return tell(args, Answer(document, [f"fixed: {what}", *found.lines], found.findings))


def check_folder(folder: str) -> Answer:
    """Return all findings on the session in ``folder``."""
    path = Path(folder)
    found = check_session(open_session(path), path)
    document = {"format": 1, "findings": [item.document() for item in found]}
    return Answer(document, finding_texts(found) or ["no findings"], found)
