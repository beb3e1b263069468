"""`tip` and `frame`: what touching tells of the tool, and of a conveyor or pallet."""

from __future__ import annotations

import argparse
from pathlib import Path

from engine.cautions import NEW_VALUES, TOUCH
from engine.errors import UsageError
from engine.sessions.changes import Who, commit
from engine.sessions.folder import open_session
from engine.sessions.lock import writing
from engine.sessions.store import encoded, write_output
from engine.steps.importing import table_rows
from engine.steps.pointing import FrameFound, TipFound, frame_found, tip_found

from ..clock import now
from ..output import Answer, cautions, finding_texts, say, tell


def run_tip(args: argparse.Namespace) -> int:
    """Find the tip from touches of one point; with --use it becomes the proof's pointer."""
    folder = Path(args.dir)
    session = open_session(folder)
    poses = list(args.touch)
    if args.table is not None:
        rows = table_rows(session, Path(args.table)).rows
        if bad := next((row for row in rows if row.problem), None):
            raise UsageError(f"line {bad.number}: {bad.problem}", bad.remedy)
        poses += [row.pose or row.joints or "" for row in rows]
    found = tip_found(session, folder, poses)
    if args.use:
        with writing(folder, args.operator):
            found = tip_found(open_session(folder), folder, poses)
            commit(folder, found.change, Who(args.operator, now()))
    lines = [*tip_lines(found, args.use), *finding_texts(found.findings), *cautions(TOUCH)]
    return tell(args, Answer(found.document() | {"stored": args.use}, lines, found.findings))


def tip_lines(found: TipFound, stored: bool) -> list[str]:
    """Return a tip for a person: place, U on each axis, and every touch."""
    tip = found.tip
    x, y, z = tip.tip_mm
    u = [2.0 * float(v) ** 0.5 for v in tip.covariance.diagonal()]
    lines = [
        f"tip in the flange: X {x:.3f}  Y {y:.3f}  Z {z:.3f} mm, "
        f"U {u[0]:.3f}  {u[1]:.3f}  {u[2]:.3f} mm (k = 2)",
        f"one touch: {tip.touch_mm:.3f} mm on each axis (standard deviation)",
    ]
    for place, off in enumerate(tip.off_mm):
        word = "  OFF" if place == tip.off else ""
        lines.append(f"  touch {place + 1}: {off:.3f} mm from where they meet{word}")
    lines.append("stored as the pointer of the proof" if stored else "nothing stored; --use does")
    return lines


def run_frame(args: argparse.Namespace) -> int:
    """Find a frame through three points, and print it in a form of `export`."""
    folder = Path(args.dir)
    session = open_session(folder)
    found = frame_found(
        session, folder, args.name, touched=args.touch, seen=args.seen, looked=args.looked
    )
    text = found.text(args.form, args.unit) if args.form else None
    if args.out is not None:
        if text is None:
            raise UsageError("--out needs a form", "Add --as FORMAT, such as --as pendant.")
        write_output(Path(args.out), encoded(text), force=args.force)
        say(f"written: {args.out}")
    document = found.document() | {"as": args.form, "text": text}
    lines = text.splitlines() if text and args.out is None else frame_lines(found)
    status = tell(args, Answer(document, lines))
    for caution in cautions(NEW_VALUES):
        say(caution)
    return status


def frame_lines(found: FrameFound) -> list[str]:
    """Return a frame for a person."""
    x, y, z = found.base_T_frame[:3, 3]
    u = found.delivered.uncertainty
    position, angle = 2 * (u.position_mm or 0.0), 2 * (u.angle_deg or 0.0)
    lines = [
        f"{found.name} in the base: origin X {x:.3f}  Y {y:.3f}  Z {z:.3f} mm",
        f"U of the origin {position:.3f} mm, of the rotation {angle:.4f}° (k = 2)",
    ]
    if found.delivered.caution:
        lines.append(f"NOT ACCEPTED: {found.delivered.caution}")
    return [*lines, "next: the same with --as pendant gives the values to type"]
