"""`check`: what is recorded, checked again, station by station and as a whole."""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from engine.errors import UsageError
from engine.findings import Finding, has_error
from engine.sessions.changes import Who, commit
from engine.sessions.folder import open_session
from engine.sessions.lock import writing
from engine.steps.checking import check_session
from engine.steps.editing import fix

from ..output import print_findings, print_json
from ..several import run_over


def run(args: argparse.Namespace) -> int:
    """Check one or several session folders; with --fix apply a suggestion first."""
    if args.fix is None and args.station is not None:
        raise UsageError("--station goes with --fix", "Say which finding to fix: --fix CODE.")
    if args.fix is not None:
        return _fixed(args)
    return run_over(args, check_folder, show)


def _fixed(args: argparse.Namespace) -> int:
    """Apply one suggestion, then check what is recorded now."""
    if len(args.dirs) != 1:
        raise UsageError("--fix takes one DIR", "Fix one session after the other.")
    folder = Path(args.dirs[0])
    with writing(folder):
        change, what = fix(open_session(folder), folder, args.fix, args.station)
        commit(folder, change, Who(None, datetime.now().astimezone()))
    found = check_folder(args.dirs[0])
    if args.json:
        print_json({**found.document(), "fixed": what})
    else:
        print(f"fixed: {what}")
        show(found)
    return 1 if has_error(found.findings()) else 0


@dataclass(frozen=True, slots=True)
class Checked:
    """All findings on one session."""

    found: tuple[Finding, ...]

    def findings(self) -> tuple[Finding, ...]:
        """Return what was noticed."""
        return self.found

    def document(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {"format": 1, "findings": [item.document() for item in self.found]}


def check_folder(folder: str) -> Checked:
    """Return all findings on the session in ``folder``."""
    path = Path(folder)
    return Checked(tuple(check_session(open_session(path), path)))


def show(checked: Checked) -> None:
    """Print the findings for a person."""
    print_findings(checked.found)
    if not checked.found:
        print("no findings")
