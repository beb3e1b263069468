"""`check`, `lens` and `focus`: what is recorded, the lens data and single images, judged."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

from engine.cell.cell import Cell
from engine.cell.session import seen_by
from engine.errors import UsageError
from engine.images.load import image_bytes
from engine.images.quality import blur_limit_px
from engine.sessions.cell_file import read_cell
from engine.sessions.changes import Who, commit
from engine.sessions.confirmed import confirm
from engine.sessions.folder import open_session
from engine.sessions.lock import writing
from engine.steps.checking import check_lens, check_session
from engine.steps.correcting import fix
from engine.steps.focus import Sight, bars, focusing
from engine.steps.station_image import NO_SOURCE, JudgedImage, confirmed_source, judged_image

from ..clock import now
from ..output import Answer, finding_texts, run_over, say, tell
from ..result_text import bar_line, lens_lines


def run_check(args: argparse.Namespace) -> int:
    """Check one or several session folders; with --fix apply a suggestion of one first."""
    if args.fix is None and args.station is not None:
        raise UsageError("--station goes with --fix", "Say which finding to fix: --fix CODE.")
    if args.fix is None:
        return run_over(args, check_folder)
    if len(args.dirs) != 1:
        raise UsageError("--fix takes one DIR", "Fix one session after the other.")
    folder = Path(args.dirs[0])
    with writing(folder):
        change, what = fix(open_session(folder), folder, args.fix, args.station)
        commit(folder, change, Who(None, now()))
    found = check_folder(args.dirs[0])
    document = {**found.document, "fixed": what}
    return tell(args, Answer(document, [f"fixed: {what}", *found.lines], found.findings))


def check_folder(folder: str) -> Answer:
    path = Path(folder)
    found = check_session(open_session(path), path)
    return Answer({}, finding_texts(found) or ["no findings"], found)


def run_lens(args: argparse.Namespace) -> int:
    folder = Path(args.dir)
    session = open_session(folder)
    found = check_lens(seen_by(session, args.camera or session.cell.camera.name), folder)
    return tell(args, Answer(found.document(), lens_lines(found), [*found.findings, *found.notes]))


def run_focus(args: argparse.Namespace) -> int:
    """Report on --image, or on every new image of the cell's source until it is interrupted.

    What is wrong with the source is said at once, and again when it changes.
    """
    path = Path(args.cell)
    cell = read_cell(path)
    if args.image is not None:
        judged = judged_image(cell, image_bytes(args.image), Path(args.image).name)
        return _report(args, cell, Sight(judged, bars(judged, cell, {})))
    if cell.camera.source is None:
        raise UsageError(NO_SOURCE, "Set camera.source in the cell, or name one with --image.")
    if args.confirm:
        confirm(path.parent, cell.camera.source, now=now())
    source = confirmed_source(cell, path.parent, depth=False)
    say("waiting for images of the camera; Ctrl+C ends")
    status = 0
    try:
        for sight in focusing(cell, source):
            if sight is not None and sight.trouble:
                say(sight.trouble)
            elif sight is not None:
                status = _report(args, cell, sight)
    except KeyboardInterrupt:
        say("stopped")
    return status


def _report(args: argparse.Namespace, cell: Cell, sight: Sight) -> int:
    judged = sight.judged
    if judged is None:
        return 0
    lines = [judged.name, *map(bar_line, sight.bars), *finding_texts(judged.findings)]
    status = tell(args, Answer(_document(judged, cell), lines, judged.findings))
    sys.stdout.flush()  # whoever sets the lens looks on
    return status


def _document(judged: JudgedImage, cell: Cell) -> dict[str, Any]:
    report = judged.report
    spacing = report.spacing_px
    return {
        "image": judged.name,
        "found": report.found,
        "expected": report.expected,
        "edge_width_px": report.edge_width_px,
        "edge_limit_px": None if spacing is None else blur_limit_px(spacing, cell.board),
        "white_fraction": report.white_fraction,
        "contrast": report.contrast,
        "tilt_deg": report.tilt_deg,
        "smear_px": report.smear_px,
        "u_mm": report.u_mm,
    }
