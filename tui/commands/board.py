"""`board`: print the calibration board at true scale."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Literal

from engine.errors import UsageError
from engine.report.board_print import board_sheet
from engine.sessions.cell_file import read_cell
from engine.sessions.store import write_bytes_atomic

from ..output import print_json


def run(args: argparse.Namespace) -> int:
    """Write the board of a cell as one PDF, or as one SVG a page."""
    cell = read_cell(Path(args.cell))
    out = Path(args.out)
    fmt = _format(out)
    pages = board_sheet(cell.board, paper=args.paper, fmt=fmt, tiling=args.tiles, title=cell.name)
    paths = _paths(out, len(pages))
    for path, data in zip(paths, pages, strict=True):
        write_bytes_atomic(path, data)
    if args.json:
        print_json({"format": 1, "files": [str(path) for path in paths]})
    else:
        for path in paths:
            print(f"written: {path}")
        print("print at 100 % (no fitting to the page), then measure the 100 mm check ruler")
    return 0


def _format(out: Path) -> Literal["pdf", "svg"]:
    match out.suffix.lower():
        case ".pdf":
            return "pdf"
        case ".svg":
            return "svg"
    raise UsageError(f"--out {out}: unknown kind of file", "Let the name end in .pdf or .svg.")


def _paths(out: Path, count: int) -> list[Path]:
    if count == 1:
        return [out]
    return [out.with_stem(f"{out.stem}-{number}") for number in range(1, count + 1)]
