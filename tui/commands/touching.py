"""`tip`, `frame` and `proof`: what touching tells of the tool, of a pallet, of the result."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path

from engine.cautions import NEW_VALUES, TOUCH
from engine.cell.rule import POINTER
from engine.cell.session import Session
from engine.errors import UsageError
from engine.findings import Finding
from engine.proof.conclusion import Proof
from engine.proof.touch import read_touches
from engine.sessions.changes import Who, commit
from engine.sessions.folder import open_session
from engine.sessions.lock import writing
from engine.sessions.store import encoded, write_output
from engine.steps import proving as steps
from engine.steps.importing import table_rows
from engine.steps.pointing import TipFound, frame_found, tip_found
from engine.steps.recording import Consent, outstanding

from ..clock import now
from ..output import Answer, cautions, finding_texts, say, tell
from ..result_text import frame_lines
from ..words import proof_said

NOT_STORED = "THE TOUCH IS NOT STORED: put it right, or accept with --accept touch-off."


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
    said = found.findings
    if args.use:
        with writing(folder, args.operator):
            session = open_session(folder)
            found = tip_found(session, folder, poses)
            commit(folder, found.change, Who(args.operator, now()))
        said = (*found.findings, *steps.joints_asked(session, read_touches(folder)))
    lines = [*tip_lines(found, args.use), *finding_texts(said), *cautions(TOUCH)]
    return tell(args, Answer(found.document() | {"stored": args.use}, lines, said))


def tip_lines(found: TipFound, stored: bool) -> list[str]:
    """Return a tip for a person: place, U on each axis, and every touch."""
    tip = found.tip
    x, y, z = tip.tip_mm
    u = [2.0 * float(v) ** 0.5 for v in tip.covariance.diagonal()]
    lines = [
        f"tip in the flange: X {x:.3f}  Y {y:.3f}  Z {z:.3f} mm, "
        f"U {u[0]:.3f}  {u[1]:.3f}  {u[2]:.3f} mm (k = 2)",
        f"one touch: {tip.touch_mm:.3f} mm on each axis (standard uncertainty)",
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
    hint = "next: the same with --as pendant gives the values to type"
    lines = text.splitlines() if text and args.out is None else [*frame_lines(found), hint]
    status = tell(args, Answer(document, lines))
    if args.json or args.out is not None or text is None:  # else they stand in the text
        for caution in cautions(NEW_VALUES):
            say(caution)
    return status


def run_proof(args: argparse.Namespace) -> int:
    folder, who = Path(args.dir), Who(args.operator, now())
    _check(args)
    if args.hold_out is not None:
        return _held_out(args, folder)
    if args.no_write:
        return _concluded(args, steps.prove(open_session(folder), folder)[0])
    with writing(folder, who=args.operator):
        said = _recorded(args, folder, who)
        if isinstance(said, Answer):
            tell(args, said)
            return 1
        if said is not None:
            asked = steps.joints_asked(open_session(folder), read_touches(folder))
            return _said(args, *said, () if args.forget is not None else asked)
        session = open_session(folder)
        proof, result = steps.prove(session, folder)
        commit(folder, steps.proof_kept(session, folder, result), who)
    return _concluded(args, proof)


def _check(args: argparse.Namespace) -> None:
    touched = args.touch is not None or args.seen is not None
    if touched and args.pose is None:
        raise UsageError("the pose of the touch is missing", "Add --pose TEXT.")
    if args.pose is not None and not touched:
        raise UsageError(
            "--pose belongs to a touch", "Add --touch ID for a board point, or --seen TEXT."
        )
    if args.joints is not None and not touched:
        raise UsageError("--joints belongs to a touch", "Add --touch ID, or --seen TEXT.")
    if args.tip_u is not None and args.tip is None:
        raise UsageError("--tip-u belongs to a tip", 'Add --tip "X Y Z", in mm in the flange.')
    if args.no_write and (touched or args.view or args.tip or args.forget is not None):
        raise UsageError("--no-write goes with nothing to record", "Leave one of them away.")


def _recorded(args: argparse.Namespace, folder: Path, who: Who) -> tuple[str, int] | Answer | None:
    """Record what the words give; return what it was, None where nothing was.

    A touch that something speaks against is not stored but told, until that is accepted.
    """
    session = open_session(folder)
    done: tuple[str, int] | None = None
    for item in list(_changes(args, session, folder, who)):
        doubts: tuple[Finding, ...] = ()
        if item.change.action == "proof touch":
            doubts = outstanding(steps.touch_judged(session, folder, item), Consent(args.accept))
        if doubts:
            what, which = done or (None, None)
            document = {"recorded": what, "id": which}
            before = [] if done is None else [f"recorded: {what} {which}"]
            return Answer(document, [*before, *finding_texts(doubts), NOT_STORED], doubts)
        commit(folder, item.change, who)
        what = item.change.action.removeprefix("proof ")
        done = ("forgotten touch" if what == "forget" else what), item.which
    return done


def _changes(
    args: argparse.Namespace, session: Session, folder: Path, who: Who
) -> Iterator[steps.Recorded]:
    """Yield what is to be recorded, each on top of the one before; nothing is written."""
    found = read_touches(folder)
    if args.tip is not None:
        change = steps.pointer_set(session, found, args.tip, args.tip_u)
        yield change
        found = change.found
    if args.view is not None:
        change = steps.view_added(session, folder, found, Path(args.view), args.looked, who.now)
        yield change
        found = change.found
    if args.touch is not None or args.seen is not None:
        yield steps.touch_added(
            session,
            folder,
            found,
            args.pose,
            point=args.touch,
            in_view=args.in_view,
            seen=args.seen,
            looked=args.looked,
            joints=args.joints,
            role="missing-number" if args.fix else "proof",
            who=who,
        )
    if args.forget is not None:
        yield steps.touch_forgotten(session, found, args.forget)


def _said(args: argparse.Namespace, what: str, which: int, asked: tuple[Finding, ...]) -> int:
    lines = [*finding_texts(asked), f"recorded: {what} {which}"]
    if args.fix:
        lines.append("next: stationbook solve, which then takes this touch as the missing number")
    return tell(args, Answer({"recorded": what, "id": which}, lines + cautions(TOUCH), asked))


def _concluded(args: argparse.Namespace, proof: Proof) -> int:
    lines = proof_lines(proof) + finding_texts(proof.findings) + cautions(TOUCH)
    return tell(args, Answer(proof.document(), lines, proof.findings))


def proof_lines(proof: Proof) -> list[str]:
    """Return a proof for a person: what is proven, every touch, and repeats."""
    lines = [proof_said(proof), *([proof.decision.words(POINTER)] if proof.errors else [])]
    lines.append("touch    X mm    Y mm    Z mm   error mm    U mm   agrees  point")
    for item in proof.errors:
        x, y, z = item.error
        agrees = "yes" if item.agrees else "NO"
        lines.append(
            f"{item.touch:5d} {x:+7.2f} {y:+7.2f} {z:+7.2f} {item.size_mm:10.2f} "
            f"{item.expanded_mm:7.2f}   {agrees:6}  {item.point}"
        )
    for repeat in proof.repeats:
        lines.append(
            f"{repeat.point}: {repeat.count} touches, accuracy "
            f"{repeat.accuracy_mm:.2f} mm, repeatability RP {repeat.repeatability_mm:.2f} mm"
        )
    return [*lines, *filter(None, [proof.stored().left_out_words])]


def _held_out(args: argparse.Namespace, folder: Path) -> int:
    found, said = steps.hold_out(open_session(folder), folder, tuple(args.hold_out))
    stations = [item.document() for item in found]
    document = {"stations": stations}
    lines = [
        f"station {item.station}: {item.distance_mm:.2f} mm (U {item.expanded_mm:.2f}), "
        f"{item.angle_deg:.3f}° (U {item.expanded_deg:.3f})"
        for item in found
    ]
    return tell(args, Answer(document, [*lines, *finding_texts([said])], [said]))
