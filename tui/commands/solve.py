"""`solve`: the camera's place, its uncertainty, and what is wrong where it does not fit."""

from __future__ import annotations

import argparse
from datetime import datetime
from pathlib import Path
from typing import Any

from engine.sessions.changes import Who, commit
from engine.sessions.folder import open_session
from engine.sessions.lock import writing
from engine.steps.quick import solve_quickly
from engine.steps.solve import Solved, keep, solve_session

from ..result_text import result_lines
from ..several import run_over


def run(args: argparse.Namespace) -> int:
    """Solve one or several session folders and store each result."""
    options = {"write": not args.no_write, "board_from": args.board_from}
    return run_over(args, solve_folder, document, show, **options)


def solve_folder(folder: str, *, write: bool, board_from: str | None) -> Solved:
    """Solve the session in ``folder``, and store the result unless told not to.

    ``board_from``: the earlier session whose board's place is trusted.
    """
    path = Path(folder)
    if not write:
        return _solved(path, board_from)
    with writing(path):
        session = open_session(path)
        solved = _solved(path, board_from)
        commit(path, keep(solved, session, path), Who(None, datetime.now().astimezone()))
    return solved


def _solved(path: Path, board_from: str | None) -> Solved:
    session = open_session(path)
    if board_from is None:
        return solve_session(session, path)
    return solve_quickly(session, path, Path(board_from))


def document(solved: Solved) -> dict[str, Any]:
    """Return the JSON form."""
    return solved.document


def show(solved: Solved) -> None:
    """Print the result for a person."""
    print("\n".join(result_lines(solved.document)))
