"""`check`: what is recorded, checked again, station by station and as a whole."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from engine.findings import Finding
from engine.sessions.folder import open_session
from engine.steps.check import check_session

from ..output import print_findings
from ..several import run_over


def run(args: argparse.Namespace) -> int:
    """Check one or several session folders."""
    return run_over(args, check_folder, document, show)


def check_folder(folder: str) -> tuple[Finding, ...]:
    """Return all findings on the session in ``folder``."""
    path = Path(folder)
    return tuple(check_session(open_session(path), path))


def document(found: tuple[Finding, ...]) -> dict[str, Any]:
    """Return the JSON form."""
    return {"format": 1, "findings": [item.document() for item in found]}


def show(found: tuple[Finding, ...]) -> None:
    """Print the findings for a person."""
    print_findings(found)
    if not found:
        print("no findings")
