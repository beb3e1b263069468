"""`cells`: a plant at a glance."""

from __future__ import annotations

import argparse
import csv
import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from engine.errors import UsageError
from engine.findings import counted
from engine.plant.archive import by_cell, summaries
from engine.plant.cells import COLUMNS, CellRow, rows
from engine.plant.summary import Summary
from engine.sessions.store import encoded, no_formula, write_output

from ..clock import now
from ..output import Answer, say, tell
from ..words import figure


def run(args: argparse.Namespace) -> int:
    """One row a cell; 1 where one is overdue or beyond its limit."""
    if args.csv and args.json:
        raise UsageError("--csv and --json are two forms of one answer", "Ask for one.")
    root = Path(args.root)
    found = summaries(root, index=not args.no_index)
    if args.cell is not None:
        found = _of_cell(found, args.cell)
    listed = rows(found, now())
    drifts = {}
    if args.page or args.drift:
        from engine.plant.drift import cell_drift  # fits: the table need not wait for that

        drifts = {name: cell_drift(cell, now()) for name, cell in by_cell(found).items()}
    if args.page:
        from engine.plant.page import plant_page

        page = encoded(plant_page(str(root), listed, drifts, now()))
        write_output(Path(args.page), page, force=args.force)
        say(f"written: {args.page}")
    if args.csv:
        print(_csv(listed), end="")
    else:
        document: dict[str, Any] = {"root": str(root)}
        document["cells"] = [row.document() for row in listed]
        lines = cell_lines(listed, len(found))
        if args.drift:
            document["drift"] = {name: drift.document() for name, drift in drifts.items()}
            for name, drift in drifts.items():
                lines += ["", f"{name}:", *drift.lines()]
        tell(args, Answer(document, lines))
    return 1 if any(row.alarm for row in listed) else 0


def _of_cell(found: Sequence[Summary], cell: str) -> list[Summary]:
    chosen = [item for item in found if item.cell == cell]
    if not chosen:
        known = sorted({item.cell for item in found if item.cell})
        raise UsageError(f"no session of a cell {cell!r}", f"Cells: {', '.join(known[:12])}.")
    return chosen


def cell_lines(listed: Sequence[CellRow], sessions: int) -> list[str]:
    name = max([4, *(len(row.cell) for row in listed)])
    name = min(name, 34)
    said = max([10, *(len(row.recheck_answer or "") for row in listed)])
    lines = [
        f"{'cell':{name}}  {'result':10}  {'U mm':>5} {'of':>5}  {'proven':10} {'recheck':10} "
        f"{'its answer':{said}} {'days':>5}  rating"
    ]
    for row in listed:
        left = "" if row.days_left is None else f"{row.days_left:.0f}"
        proven = (row.proven_on or "yes") if row.proven else "no"
        proven = "FAILED" if row.proof_failed else proven
        lines.append(
            f"{row.cell[:name]:{name}}  {row.result_on or '-':10}  {figure(row.expanded_mm, 2):>5} "
            f"{figure(row.tolerance_mm, 2):>5}  {proven if row.verdict else '-':10} "
            f"{row.recheck_on or '-':10} {row.recheck_answer or '':{said}} {left:>5}  {row.words}"
        )
    alarms = sum(row.alarm for row in listed)
    cells, held = counted(len(listed), "cell"), counted(sessions, "session")
    lines += ["", f"{cells}, {held}, {alarms} to look at first"]
    return lines + [f"  {problem}" for row in listed for problem in row.problems]


def _csv(listed: Sequence[CellRow]) -> str:
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\n")
    table.writerow(COLUMNS)
    for row in listed:
        values = map(row.document().get, COLUMNS)
        table.writerow([no_formula(v) if isinstance(v, str) else v for v in values])
    return out.getvalue()
