"""`solve`: the camera's place, its uncertainty, and what is wrong where it does not fit."""

from __future__ import annotations

import argparse
from contextlib import nullcontext
from pathlib import Path

from engine.cell.cell import Cell
from engine.errors import UsageError
from engine.sessions.changes import Who, commit
from engine.sessions.folder import open_session
from engine.sessions.lock import writing
from engine.steps.recheck import solve_quickly
from engine.steps.solve import Solved, keep, solve_session

from ..clock import now
from ..output import WIDTH, Answer, run_over, texts
from ..result_text import result_lines
from ..words import unwrapped


def run(args: argparse.Namespace) -> int:
    """Solve one or several session folders and store each result."""
    if args.all is not None:
        from .archive import run as run_all  # processes: one session needs none

        return run_all(args)
    if args.store:
        raise UsageError("--store belongs to --all", "Results are stored unless --no-write.")
    if not args.dirs:
        raise UsageError("no session is named", "Name a DIR, or --all ROOT.")
    return run_over(args, solve_folder, write=not args.no_write, board_from=args.board_from)


def solve_folder(folder: str, *, write: bool, board_from: str | None) -> Answer:
    """Solve the session in ``folder``, and store the result unless told not to.

    ``board_from``: the earlier session whose board's place is trusted.
    """
    path = Path(folder)
    with writing(path) if write else nullcontext():
        session = open_session(path)
        if board_from is None:
            solved = solve_session(session, path)
        else:
            solved = solve_quickly(session, path, Path(board_from))
        if write:
            commit(path, keep(solved, session, path), Who(None, now()))
    return result_answer(solved, session.cell)


def result_answer(solved: Solved, cell: Cell) -> Answer:
    """Return what is said of a result; findings are those of all cameras."""
    lines = texts(result_lines(solved.stored, cell, unwrapped, WIDTH))
    return Answer(solved.document(), lines, solved.stored.all_findings)
