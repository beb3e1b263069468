"""`edit`: one station changed by hand, or its pose corrected through the checks of a typed one."""

from __future__ import annotations

import argparse
from pathlib import Path

from engine.cell.session import Session
from engine.findings import Finding
from engine.sessions.changes import Change, Who, commit
from engine.sessions.folder import STATION, open_session
from engine.sessions.lock import writing
from engine.steps.editing import annotate, bring_back, set_aside

from ..clock import now
from ..output import tell_stored


def run(args: argparse.Namespace) -> int:
    """Change one station; 0 when it is stored, 1 when a finding stands in the way."""
    folder = Path(args.dir)
    with writing(folder):
        session = open_session(folder)
        change, findings = _changed(args, session, folder)
        commit(folder, change, Who(None, now()))
    station = None if change is None else change.session.existing(args.station)
    said = "NOT CHANGED" if station is None else "changed"
    stored = None if station is None else STATION.write(station)
    return tell_stored(args, findings, stored, f"station {args.station} {said}")


def _changed(
    args: argparse.Namespace, session: Session, folder: Path
) -> tuple[Change | None, tuple[Finding, ...]]:
    """Return what changes, None where a finding stands in the way, and the findings."""
    if args.aside is not None:
        return set_aside(session, args.station, args.aside), ()
    if args.back:
        return bring_back(session, args.station), ()
    if args.photo is None and args.note is not None:
        return annotate(session, args.station, args.note), ()
    from . import (
        record,  # here: a remark needs none of the checks, which take twice as long to load
    )

    if args.photo is not None:
        return record.with_photo(args, session, folder), ()
    return record.corrected(args, session, folder)
