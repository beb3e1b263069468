"""`solve`: the camera's place, its uncertainty, and what is wrong where it does not fit."""

from __future__ import annotations

import argparse
from contextlib import nullcontext
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from engine.cell.cell import Cell
from engine.findings import Finding
from engine.sessions.changes import Who, commit
from engine.sessions.folder import open_session
from engine.sessions.lock import writing
from engine.steps.recheck import solve_quickly
from engine.steps.solve import Solved, keep, solve_session

from ..output import WIDTH, print_lines
from ..result_text import result_lines
from ..several import run_over
from ..words import unwrapped


def run(args: argparse.Namespace) -> int:
    """Solve one or several session folders and store each result."""
    return run_over(args, solve_folder, show, write=not args.no_write, board_from=args.board_from)


@dataclass(frozen=True, slots=True, eq=False)
class Answer:
    """A result and the cell it belongs to."""

    solved: Solved
    cell: Cell

    def findings(self) -> tuple[Finding, ...]:
        """Return what was noticed, of all cameras."""
        return self.solved.stored.all_findings

    def document(self) -> dict[str, Any]:
        """Return the JSON form."""
        return self.solved.document()


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
            commit(path, keep(solved, session, path), Who(None, datetime.now().astimezone()))
    return Answer(solved, session.cell)


def show(answer: Answer) -> None:
    """Print the result for a person."""
    print_lines(result_lines(answer.solved.stored, answer.cell, unwrapped, WIDTH))
