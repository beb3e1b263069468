"""`solve --all`: every session below a folder, on all cores; one table of what changed."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from time import monotonic

from engine.errors import FileError, UsageError
from engine.plant.archive import session_folders
from engine.sessions.schema import program_version
from engine.steps.archive import Again, finished, record_of, solved_again

from ..clock import now
from ..output import BAD_INPUT, print_json, say
from ..words import again_lines, duration

TELL_EVERY = 2.0  # s between lines of progress


def run(args: argparse.Namespace) -> int:
    """Solve all; 2 where one could not be, 1 where one is no longer accepted."""
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
    if args.json:
        print_json(_document(done, args.store))
    else:
        print("\n".join(again_lines(done, root, args.store)))
    if any(item.error for item in done):
        return BAD_INPUT
    return 1 if any(item.worse for item in done) else 0


def _document(done: Sequence[Again], stored: bool) -> dict[str, object]:
    rows = [{name: getattr(item, name) for name in Again.__slots__} for item in done]
    for row, item in zip(rows, done, strict=True):
        row |= {"codes_gone": list(item.codes_gone), "codes_new": list(item.codes_new),
                "changed": item.changed}  # fmt: skip
    return {"format": 1, "program": program_version(), "stored": stored, "sessions": rows}
