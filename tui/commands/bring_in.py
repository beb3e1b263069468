"""`import`: a table of poses and a folder of images become stations of a session."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from contextlib import nullcontext
from pathlib import Path
from typing import Any

from engine.errors import UsageError
from engine.findings import Level
from engine.pendant.table import Table
from engine.sessions.changes import Change, Who, commit
from engine.sessions.folder import open_session
from engine.sessions.lock import writing
from engine.steps.foreign import convention, stations_of
from engine.steps.importing import Imported, Pairs, image_files, imported, paired
from engine.steps.recording import Consent

from ..clock import now
from ..output import Answer, tell


def run(args: argparse.Namespace) -> int:
    """Show what belongs together; with --store, store it. 1 where a row is refused."""
    folder, file = Path(args.dir), Path(args.table)
    with writing(folder, args.operator) if args.store else nullcontext():
        session = open_session(folder)
        meant = None
        if args.convention or args.unit or args.inverse:
            meant = convention(args.unit, args.convention, args.angle_unit, args.inverse)
        elif args.angle_unit:
            raise UsageError("--angle-unit belongs to --convention", "Name the convention.")
        found = stations_of(session, file, meant)
        files = [] if args.images is None else image_files(Path(args.images))
        pairs = paired(found.rows, files, args.pair)
        who = Who(args.operator, now())
        store = _Store(folder, who) if args.store else None
        done = list(
            imported(session, folder, pairs.items, who, Consent(args.accept, args.reason), store)
        )  # fmt: skip
    document = _document(pairs, done, found, args.store)
    tell(args, Answer(document, _lines(args, pairs, done, found)))
    return 0 if all(item.station is not None for item in done) else 1


class _Store:
    """Commits one change after the other, each on top of the one before."""

    def __init__(self, folder: Path, who: Who) -> None:
        self.folder, self.who = folder, who
        self.opened: str | None = None  # SHA-256 of session.yaml as the last change left it

    def __call__(self, change: Change) -> None:
        self.opened = commit(self.folder, change, self.who, self.opened)


def _document(pairs: Pairs, done: Sequence[Imported], table: Table, stored: bool) -> dict[str, Any]:
    rows = [
        {
            "row": item.pair.row.number,
            "pose": item.pair.row.pose,
            "joints": item.pair.row.joints,
            "image": None if item.pair.file is None else item.pair.file.name,
            "station": item.station,
            "already": item.already,
            "refused": item.refused or None,
            "findings": [found.document() for found in item.findings],
        }
        for item in done
    ]
    return {
        "read_as": table.form,
        "paired_by": pairs.by,
        "stored": stored,
        "rows": rows,
        "images_left": [file.name for file in pairs.left],
        "columns_unused": list(table.unused),
    }


def _lines(
    args: argparse.Namespace, pairs: Pairs, done: Sequence[Imported], table: Table
) -> list[str]:
    lines = [f"read as: {table.form}; images paired by: {pairs.by or 'no images'}"]
    lines += [f"column {name!r} says nothing here" for name in table.unused]
    lines += ["", f"{'line':>5}  {'image':24} {'station':8} pose"]
    for item in done:
        row, file = item.pair.row, item.pair.file
        state = "REFUSED" if item.station is None else f"{item.station}"
        image = file.name if file else row.image or "-"
        lines.append(f"{row.number:5d}  {image[:24]:24} {state:8} {row.pose or row.joints or ''}")
        if said := "already stored" if item.already else item.refused:
            lines.append(f"{'':7}{said}")
        codes = [found.code for found in item.findings if found.level is not Level.NOTE]
        if item.station is not None and codes:
            lines.append(f"{'':7}accepted: {', '.join(dict.fromkeys(codes))}")
    lines += [f"no row wants {file.name}" for file in pairs.left]
    refused = sum(item.station is None for item in done)
    already = sum(item.already for item in done)
    good = len(done) - refused - already
    word = (
        "stored" if args.store else "would be stored; --store does it" if good else "can be stored"
    )
    there = f"{already} stored already, " if already else ""
    return [*lines, "", f"{good} of {len(done)} rows {word}, {there}{refused} refused"]
