"""`recheck`, `compare` and `shift`: results against each other, and what follows from it."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from engine.cautions import CARRIED_POINTS, RECHECK
from engine.cell.session import Session, labelled
from engine.errors import BusyError, FileError, StationbookError, UsageError
from engine.findings import has_error
from engine.proof.compare import Carried
from engine.proof.recheck import Recheck
from engine.sessions.changes import Who, commit
from engine.sessions.folder import open_session
from engine.sessions.lock import writing
from engine.sessions.store import encoded, write_output
from engine.steps.compare import compare, figure, history, shift
from engine.steps.recheck import mark_recheck, note_recheck, recheck_session

from ..clock import now
from ..output import WIDTH, Answer, cautions, finding_texts, say, tell, texts
from ..result_text import difference_lines, history_lines
from ..words import recheck_lines, unwrapped


def run_recheck(args: argparse.Namespace) -> int:
    folder, against = Path(args.dir), Path(args.against)
    session = open_session(folder)
    answers = recheck_session(session, folder, against, args.visit)
    with suppress(BusyError, FileError), writing(folder, session.operator):
        commit(folder, note_recheck(answers, session, folder, against), Who(None, now()))
    not_marked = _mark(answers, folder, against)
    lines: list[str] = []
    for name, answer in answers.items():
        lines += [f"Camera {name}"] if session.cell.cameras else []
        said = recheck_lines(answer, args.against, unwrapped, WIDTH)
        lines += texts(said if args.visit is None else said[1:])  # asked where to go, not whether
    lines += not_marked
    if any(answer.cause != "none" for answer in answers.values()):
        lines += cautions(RECHECK)
    findings = [item for answer in answers.values() for item in answer.findings]
    return tell(args, Answer(recheck_document(answers, session), lines, findings))


def recheck_document(answers: Mapping[str, Recheck], session: Session) -> dict[str, Any]:
    """Return the JSON form: the first camera's answer, and those of further ones by name."""
    found = answers[session.cell.camera.name].document()
    names = [camera.name for camera in session.cell.cameras]
    further = {name: answers[name].document() if name in answers else None for name in names}
    return found | ({"cameras": further} if names else {})


def _mark(answers: Mapping[str, Recheck], folder: Path, against: Path) -> list[str]:
    """Mark the earlier result where its camera moved; return that it could not be, in words."""
    try:
        mark_recheck(answers, folder, against, Who(None, now()))
    except StationbookError as error:
        said = f"The earlier result could not be marked: {error}"
        say(said)
        return [said]
    return []


def run_compare(args: argparse.Namespace) -> int:
    """Compare DIR with each OTHER; with several, or a figure, show the history too."""
    folder, others = Path(args.dir), [Path(other) for other in args.others]
    found = compare(folder, others[0], args.camera)
    entries = history([folder, *others], args.camera) if len(others) > 1 or args.figure else []
    if args.figure:
        figure(entries, folder, Path(args.figure), force=args.force)
    past = {"history": [entry.document() for entry in entries]} if entries else {}
    lines = difference_lines(found, args.others[0]) + (history_lines(entries) if entries else [])
    return tell(args, Answer({**found.document(), **past}, lines))


def run_shift(args: argparse.Namespace) -> int:
    points = None if args.points is None else Path(args.points)
    if args.out is not None and points is None:
        raise UsageError("--out needs the points", "Add --points FILE.")
    against = None if args.against is None else Path(args.against)
    found = shift(Path(args.dir), against, points, args.camera)
    if args.out is not None and not has_error(found.findings):
        write_output(Path(args.out), encoded(found.text()), force=args.force)
    lines = [line for item in found.points for line in point_lines(item, found.labels)]
    answer = Answer(found.document(), lines + finding_texts(found.findings), found.findings)
    status = tell(args, answer)
    for text in cautions(CARRIED_POINTS):
        (say if args.json else print)(text)
    return status


def point_lines(item: Carried, labels: tuple[str, ...]) -> list[str]:
    """Return one point for a person, before and after."""
    before = labelled(labels, item.before.fields)
    if not item.shifted:
        return [f"{item.before.name}: stays", f"    {before}"]
    return [
        f"{item.before.name}: moves {item.distance_mm:.2f} mm, {item.angle_deg:.2f}°; "
        "REDUCED SPEED FIRST",
        f"    before {before}",
        f"    after  {labelled(labels, item.after)}",
    ]
