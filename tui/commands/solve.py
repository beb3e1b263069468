"""`solve`: the camera's place, its uncertainty, and what is wrong where it does not fit.

Of one session, of several, or with ``--all`` of every session below a folder.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from time import monotonic

from engine.cell.cell import Cell
from engine.errors import FileError, UsageError
from engine.plant.archive import session_folders
from engine.sessions.changes import Who, commit
from engine.sessions.folder import open_session
from engine.sessions.lock import writing
from engine.sessions.results import moved_since, result_document, with_marks
from engine.sessions.schema import program_version
from engine.steps.archive import Again, finished, record_of, solved_again
from engine.steps.recheck import solve_quickly
from engine.steps.solve import Solved, board_left, keep, solve_session

from ..clock import now
from ..output import BAD_INPUT, WIDTH, Answer, run_over, say, tell, texts
from ..result_text import result_lines
from ..words import again_lines, duration, unwrapped


def run(args: argparse.Namespace) -> int:
    if args.all is not None:
        return _all_again(args)
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
        left = board_left(path) if board_from is None else ()
        if board_from is None:
            solved = solve_session(session, path)
        else:
            solved = solve_quickly(session, path, Path(board_from))
        if write:
            commit(path, keep(solved, session, path), Who(None, now()))
    stored = with_marks(solved.stored, moved_since(session, path), session)
    stored = replace(stored, findings=(*stored.findings, *left))
    return result_answer(replace(solved, stored=stored), session.cell)


def result_answer(solved: Solved, cell: Cell) -> Answer:
    """Return what is said of a result; findings are those of all cameras."""
    lines = texts(result_lines(solved.stored, cell, unwrapped, WIDTH))
    return Answer(result_document(solved.stored.as_told()), lines, solved.stored.all_findings)


TELL_EVERY = 2.0  # s between lines of progress


def _all_again(args: argparse.Namespace) -> int:
    """Solve every session below a folder anew, on all cores; print one table of what changed.

    2 where one could not be solved, 1 where one is no longer accepted.
    """
    if args.dirs or args.board_from:
        raise UsageError("--all takes the sessions below ROOT", "Leave DIR and --board-from away.")
    root = Path(args.all)
    folders = session_folders(root)
    if not folders:
        raise FileError(root, "there is no session below this folder", "Check the name.")
    record = record_of(root, args.store)
    done: list[Again] = []
    start, told = monotonic(), monotonic()
    for item in solved_again(folders, record, jobs=args.jobs, store=args.store, now=now()):
        done.append(item)
        if monotonic() - told > TELL_EVERY:
            told = monotonic()
            left = (told - start) / len(done) * (len(folders) - len(done))
            say(f"{len(done)} of {len(folders)}, about {duration(left)} left")
    finished(record)
    done.sort(key=lambda item: item.folder)
    stored = "stored" if args.store else "nothing stored; --store does it"
    tell(args, Answer(_document(done, args.store), again_lines(done, root, stored)))
    if any(item.error for item in done):
        return BAD_INPUT
    return 1 if any(item.worse for item in done) else 0


def _document(done: Sequence[Again], stored: bool) -> dict[str, object]:
    rows = [{name: getattr(item, name) for name in Again.__slots__} for item in done]
    for row, item in zip(rows, done, strict=True):
        row |= {"codes_gone": list(item.codes_gone), "codes_new": list(item.codes_new),
                "changed": item.changed}  # fmt: skip
    return {"program": program_version(), "stored": stored, "sessions": rows}
