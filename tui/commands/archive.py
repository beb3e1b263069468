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
            say(f"{len(done)} of {len(folders)}, about {_time(left)} left")
    finished(record)
    done.sort(key=lambda item: item.folder)
    if args.json:
        print_json(_document(done, args.store))
    else:
        print("\n".join(again_lines(done, root, args.store)))
    if any(item.error for item in done):
        return BAD_INPUT
    return 1 if any(item.worse for item in done) else 0


def _time(seconds: float) -> str:
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"


def _document(done: Sequence[Again], stored: bool) -> dict[str, object]:
    rows = [{name: getattr(item, name) for name in Again.__slots__} for item in done]
    for row, item in zip(rows, done, strict=True):
        row |= {"codes_gone": list(item.codes_gone), "codes_new": list(item.codes_new),
                "changed": item.changed}  # fmt: skip
    return {"format": 1, "program": program_version(), "stored": stored, "sessions": rows}


def again_lines(done: Sequence[Again], root: Path, stored: bool) -> list[str]:
    """Return the table for a person: what changed, and how many did not."""
    changed = [item for item in done if item.changed]
    lines = []
    if changed:
        lines.append(f"{'U before':>8} {'U now':>7} {'shift mm':>9} {'in U':>6}  verdict, session")
    for item in changed:
        place = Path(item.folder)
        name = place.relative_to(root) if place != root else place
        if item.error:
            lines.append(f"{'':34}NOT SOLVED, {name}: {item.error}")
            continue
        verdict = item.verdict or ""
        if item.verdict != item.verdict_before:
            verdict = f"{item.verdict_before or 'no result'} -> {item.verdict}"
        codes = [f"+{code}" for code in item.codes_new] + [f"-{code}" for code in item.codes_gone]
        said = f"  {' '.join(codes)}" if codes else ""
        lines.append(
            f"{_mm(item.expanded_mm_before):>8} {_mm(item.expanded_mm):>7} "
            f"{_mm(item.shift_mm):>9} {_mm(item.shift_u):>6}  {verdict}, {name}{said}"
        )
    failed = sum(item.error is not None for item in done)
    worse = sum(item.worse for item in done)
    word = "stored" if stored else "nothing stored; --store does it"
    lines += ["", f"{len(done)} sessions: {len(done) - len(changed)} as before, {len(changed)} "
              f"changed, {worse} no longer accepted, {failed} not solved; {word}"]  # fmt: skip
    return lines


def _mm(value: float | None) -> str:
    return "-" if value is None else f"{value:.3f}"
