"""`edit`: change one recorded station from the command line."""

from __future__ import annotations

import argparse
from datetime import datetime
from pathlib import Path

from engine.cell.session import Session
from engine.findings import Finding
from engine.sessions.changes import Change, Who, commit
from engine.sessions.folder import STATION, open_session
from engine.sessions.lock import writing
from engine.steps.editing import annotate, bring_back, correct_pose, examine_correction, set_aside
from engine.steps.recording import outstanding

from ..output import print_findings, print_json


def run(args: argparse.Namespace) -> int:
    """Change one station; 0 when it is stored, 1 when a finding stands in the way."""
    folder = Path(args.dir)
    with writing(folder):
        session = open_session(folder)
        change, findings = _changed(args, session, folder)
        commit(folder, change, Who(None, datetime.now().astimezone()))
    station = None if change is None else change.session.existing(args.station)
    if args.json:
        stored = None if station is None else STATION.write(station)
        found = [item.document() for item in findings]
        print_json({"format": 1, "findings": found, "station": stored})
    else:
        print_findings(findings)
        print(f"station {args.station} {'NOT CHANGED' if station is None else 'changed'}")
    return 1 if station is None else 0


def _changed(
    args: argparse.Namespace, session: Session, folder: Path
) -> tuple[Change | None, tuple[Finding, ...]]:
    """Return what changes, None where a finding stands in the way, and the findings."""
    number = args.station
    if args.aside is not None:
        return set_aside(session, number, args.aside), ()
    if args.back:
        return bring_back(session, number), ()
    if args.note is not None:
        return annotate(session, number, args.note), ()
    draft = examine_correction(session, folder, number, args.pose)
    if outstanding(draft.findings, args.accept, args.reason):
        return None, draft.findings
    change = correct_pose(session, number, draft, accepted=args.accept, reason=args.reason)
    return change, draft.findings
