"""`edit`: change one recorded station from the command line."""

from __future__ import annotations

import argparse
from datetime import datetime
from pathlib import Path

from engine.cell.session import Session
from engine.findings import Finding
from engine.sessions.folder import open_session
from engine.sessions.lock import writing
from engine.sessions.session_file import station_document
from engine.steps import edit, record

from ..output import print_findings, print_json


def run(args: argparse.Namespace) -> int:
    """Change one station; 0 when it is stored, 1 when a finding stands in the way."""
    folder = Path(args.dir)
    with writing(folder):
        session = open_session(folder)
        new, findings = _changed(args, session, folder)
    station = None if new is None else edit.existing(new, args.station)
    if args.json:
        stored = None if station is None else station_document(station)
        found = [item.document() for item in findings]
        print_json({"format": 1, "findings": found, "station": stored})
    else:
        print_findings(findings)
        print(f"station {args.station} {'changed' if new is not None else 'NOT CHANGED'}")
    return 0 if new is not None else 1


def _changed(
    args: argparse.Namespace, session: Session, folder: Path
) -> tuple[Session | None, tuple[Finding, ...]]:
    now, number = datetime.now().astimezone(), args.station
    if args.aside is not None:
        return edit.set_aside(session, folder, number, args.aside, None, now), ()
    if args.back:
        return edit.bring_back(session, folder, number, None, now), ()
    if args.note is not None:
        return edit.annotate(session, folder, number, args.note, None, now), ()
    return _corrected(args, session, folder, now)


def _corrected(
    args: argparse.Namespace, session: Session, folder: Path, now: datetime
) -> tuple[Session | None, tuple[Finding, ...]]:
    draft = edit.examine_correction(session, folder, args.station, args.pose)
    if record.outstanding(draft.findings, args.accept, args.reason):
        return None, draft.findings
    new = edit.correct_pose(
        session,
        folder,
        args.station,
        draft,
        accepted=args.accept,
        reason=args.reason,
        now=now,
    )
    return new, draft.findings
