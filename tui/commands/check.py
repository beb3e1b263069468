"""`check`, `lens` and `focus`: what is recorded, the lens data and single images, judged."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

import numpy as np

from engine.camera.calibration import NAMES, OF_MATRIX
from engine.camera.model import Camera
from engine.cell.cell import Cell
from engine.cell.session import seen_by
from engine.errors import UsageError
from engine.findings import Finding
from engine.images.load import image_bytes
from engine.images.quality import ImageReport, blur_limit_px
from engine.sessions.cell_file import read_cell
from engine.sessions.changes import Who, commit
from engine.sessions.confirmed import confirm
from engine.sessions.folder import open_session
from engine.sessions.lock import writing
from engine.steps.checking import LensCheck, check_lens, check_session
from engine.steps.correcting import fix
from engine.steps.focus import Bar, Sight, bars, focusing
from engine.steps.station_image import confirmed_source, judged_image

from ..clock import now
from ..output import Answer, finding_texts, run_over, say, tell

BAR = 24  # columns of a bar


def run_check(args: argparse.Namespace) -> int:
    """Check one or several session folders; with --fix apply a suggestion first."""
    if args.fix is None and args.station is not None:
        raise UsageError("--station goes with --fix", "Say which finding to fix: --fix CODE.")
    if args.fix is not None:
        return _fixed(args)
    return run_over(args, check_folder)


def _fixed(args: argparse.Namespace) -> int:
    """Apply one suggestion, then check what is recorded now."""
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
    """Return all findings on the session in ``folder``."""
    path = Path(folder)
    found = check_session(open_session(path), path)
    document = {"format": 1, "findings": [item.document() for item in found]}
    return Answer(document, finding_texts(found) or ["no findings"], found)


def run_lens(args: argparse.Namespace) -> int:
    """Compare the cell's lens data with those that the session's own points support."""
    folder = Path(args.dir)
    session = open_session(folder)
    found = check_lens(seen_by(session, args.camera or session.cell.camera.name), folder)
    return tell(args, Answer(found.document(), lens_lines(found), list(found.findings)))


def lens_lines(check: LensCheck) -> list[str]:
    """Return the lens that the stations support, beside the cell's."""
    found = check.found
    K, u = np.array(found.camera.matrix), found.u_px()
    values = (K[0, 0], K[1, 1], K[0, 2], K[1, 2])
    rows = zip(("fx", "fy", "cx", "cy"), values, u, strict=True)
    lines = [f"lens found from {len(found.poses)} stations (U = 2u):"]
    lines += [f"  {name} {value:10.2f} ± {2 * s:.2f} px" for name, value, s in rows]
    for name, value in zip(NAMES[OF_MATRIX:], found.camera.distortion, strict=False):
        shown = f"{value:10.5f} ± {2 * found.u_of(name):.5f}"
        lines.append(f"  {name} {shown if name in found.kept else '        0   not significant'}")
    bows = zip(found.bow_mm, found.u_bow_mm, strict=True)
    lines.append(f"  board's bow {', '.join(f'{b:.2f} ± {2 * s:.2f}' for b, s in bows)} mm")
    lines.append(f"points miss by {found.rms_px:.3f} px with these data")
    if check.cell_residual_px is not None:
        lines[-1] += f", {check.cell_residual_px:.3f} px with the cell's"
        lines += _verdict(check)
    return [*lines, "for cell.yaml:", *cell_lines(found.camera)]


def _verdict(check: LensCheck) -> list[str]:
    if check.fits:
        return ["the cell's lens data fit"]
    what = ", ".join(check.differs) or "solve names the lens"
    return [f"DIFFERS from the cell: {what}", *finding_texts(check.findings)]


def cell_lines(camera: Camera) -> list[str]:
    """Return lens data and uncertainties as a cell takes them."""
    (fx, _, cx), (_, fy, cy), _ = camera.matrix
    bent = ", ".join(f"{value:.6g}" for value in camera.distortion)
    lines = [
        f"  matrix: [[{fx:.3f}, 0, {cx:.3f}], [0, {fy:.3f}, {cy:.3f}], [0, 0, 1]]",
        f"  distortion: [{bent}]",
    ]
    if (u := camera.u) is not None:
        about = f"focal: {u.focal:.2g}, center_px: {u.center_px:.2g}, edge_px: {u.edge_px:.2g}"
        lines.append(f"  u: {{{about}}}")
    return lines


def run_focus(args: argparse.Namespace) -> int:
    """Report on --image, or on every new image of the cell's source until it is interrupted.

    What is wrong with the source is said at once, and again when it changes.
    """
    path = Path(args.cell)
    cell = read_cell(path)
    if args.image is not None:
        judged = judged_image(cell, image_bytes(args.image), Path(args.image).name)
        return _report(args, cell, Sight(judged, bars(judged, cell, {})))
    if args.confirm and cell.camera.source is not None:
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
    report, findings = judged.report, list(judged.findings)
    lines = [judged.name, *map(bar_line, sight.bars), *finding_texts(findings)]
    answer = Answer(_document(report, cell, judged.name, findings), lines, findings)
    status = tell(args, answer)
    sys.stdout.flush()  # whoever sets the lens looks on
    return status


def bar_line(bar: Bar) -> str:
    """Return one figure with its bar; ``|`` marks the best since watching began."""
    filled = ["#" if k < round(BAR * bar.share) else "." for k in range(BAR)]
    best = round(BAR * bar.best)
    if best > round(BAR * bar.share):
        filled[best - 1] = "|"
    return f"  {bar.name:14} {''.join(filled)} {'ok ' if bar.good else 'bad'} {bar.text}"


def _limit(report: ImageReport, cell: Cell) -> float | None:
    return None if report.spacing_px is None else blur_limit_px(report.spacing_px, cell.board)


def _document(
    report: ImageReport, cell: Cell, name: str, findings: list[Finding]
) -> dict[str, Any]:
    return {
        "format": 1,
        "image": name,
        "found": report.found,
        "expected": report.expected,
        "edge_width_px": report.edge_width_px,
        "edge_limit_px": _limit(report, cell),
        "white_fraction": report.white_fraction,
        "contrast": report.contrast,
        "tilt_deg": report.tilt_deg,
        "smear_px": report.smear_px,
        "u_mm": report.u_mm,
        "findings": [item.document() for item in findings],
    }
