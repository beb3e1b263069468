"""`edit`, `event` and `about`: what is changed by hand, and what is noted of a cell or session.

A pose is corrected through the checks of a typed one.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from engine.cell.session import Session
from engine.findings import Finding
from engine.sessions.changes import Change, Who, commit
from engine.sessions.folder import ABOUT, STATION, open_session
from engine.sessions.lock import writing
from engine.steps.editing import annotate, bring_back, described, event_noted, set_aside

from ..clock import now
from ..output import Answer, tell, tell_stored


def run(args: argparse.Namespace) -> int:
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
    # here: a remark needs none of the checks, which take twice as long to load
    from engine.steps.station_image import photo_kept

    from . import record

    if args.photo is not None:
        return photo_kept(session, folder, args.station, Path(args.photo)), ()
    return record.corrected(args, session, folder)


def run_event(args: argparse.Namespace) -> int:
    folder, time = Path(args.dir), now()
    with writing(folder, args.operator):
        session = open_session(folder)
        change = event_noted(session, folder, args.what, args.on, time.date())
        commit(folder, change, Who(args.operator, time))
    noted = {"event": change.details["event"], "on": change.details["on"]}
    document = {"dir": args.dir, "cell": session.cell.name, **noted}
    said = f"noted for {session.cell.name}: {noted['event']} on {noted['on']}"
    return tell(args, Answer(document, [said, "next: a recheck, as soon as the cell runs again"]))


def run_about(args: argparse.Namespace) -> int:
    """Note for whom, where and how a session was made; without words say what is noted."""
    folder = Path(args.dir)
    given = {
        "customer": args.customer, "place": args.place, "temperature_degc": args.temperature,
        "warm_up_min": args.warm_up, "instruments": args.instrument,
    }  # fmt: skip
    session = open_session(folder)
    if any(value is not None for value in given.values()):
        with writing(folder, args.operator):
            change = described(open_session(folder), **given)
            commit(folder, change, Who(args.operator, now()))
            session = open_session(folder)
    noted = {} if session.about is None else ABOUT.write(session.about)
    lines = [f"{key}: {value}" for key, value in noted.items()] or ["nothing is noted yet"]
    return tell(args, Answer({"dir": args.dir, "about": noted}, lines))
