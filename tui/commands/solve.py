"""`solve`: the camera's place, its uncertainty, and what is wrong where it does not fit."""

from __future__ import annotations

import argparse
from datetime import datetime
from pathlib import Path
from typing import Any

from engine.sessions.folder import open_session
from engine.sessions.lock import writing
from engine.steps.solve import Solved, keep, solve_session

from ..result_text import result_lines
from ..several import run_over


def run(args: argparse.Namespace) -> int:
    """Solve one or several session folders and store each result."""
    return run_over(args, solve_folder, document, show, write=not args.no_write)


def solve_folder(folder: str, *, write: bool) -> Solved:
    """Solve the session in ``folder``, and store the result unless told not to."""
    path = Path(folder)
    if not write:
        return solve_session(open_session(path), path)
    with writing(path):
        session = open_session(path)
        solved = solve_session(session, path)
        keep(solved, path, who=session.operator, now=datetime.now().astimezone())
    return solved


def document(solved: Solved) -> dict[str, Any]:
    """Return the JSON form."""
    return solved.document


def show(solved: Solved) -> None:
    """Print the result for a person."""
    print("\n".join(result_lines(solved.document)))
