"""`record`: one station, through the same checks as on the screen."""

from __future__ import annotations

import argparse
from pathlib import Path

from engine.cell.session import Session, Station
from engine.cell.stations import station_pose
from engine.checks.entry import OVERRULED_WITH_REASON
from engine.errors import PoseError, UsageError
from engine.findings import Finding
from engine.sessions.changes import Change, Who, commit
from engine.sessions.folder import STATION, open_session
from engine.sessions.lock import writing
from engine.steps.correcting import correct_pose, examine_correction
from engine.steps.recording import (
    Consent,
    Draft,
    add_views,
    can_be_accepted,
    examine,
    examine_views,
    outstanding,
    record_station,
)
from engine.steps.refused import last_refused, note_refused
from engine.steps.station_image import (
    DEPTH_ALONE,
    DEPTH_NEEDS,
    FurtherView,
    ViewDraft,
    examine_board_pose,
    examine_image,
    examine_points,
    findings_of,
    no_view,
    photographed,
    read_depth,
)
from engine.steps.station_pose import PoseDraft, examine_pose, known

from ..clock import now
from ..output import tell_stored

# findings, those that stand in the way, and the station if it was stored
Outcome = tuple[tuple[Finding, ...], tuple[Finding, ...], Station | None]


def run_record(args: argparse.Namespace) -> int:
    """Record one station; 0 when it is stored, 1 when a finding stands in the way.

    Of a stop that does not fit the journal keeps a note, for the stop after it.
    """
    folder = Path(args.dir)
    _check_given(args)
    with writing(folder, who=args.operator):
        session = open_session(folder)
        if args.station is not None:
            findings, standing, station = _added(args, session, folder)
        else:
            findings, standing, station = _recorded(args, session, folder)
    if station is None:
        return tell_stored(args, findings, None, f"NOT STORED: {_how_to_go_on(standing)}")
    return tell_stored(args, findings, STATION.write(station), f"station {station.id} stored")


def _check_given(args: argparse.Namespace) -> None:
    """Raise UsageError for options that do not belong together."""
    typed = args.pose is not None or args.joints is not None
    if args.station is None:
        if not typed:
            raise UsageError(
                "nothing typed", "Give --pose TEXT, or --joints TEXT where joints are typed."
            )
        return
    if not args.view:
        raise UsageError("--station adds views", "Add --view CAMERA FILE, or leave --station out.")
    if typed or args.image or args.points or args.board_pose or args.depth or args.closing:
        raise UsageError(
            "--station only adds views", "To record the stop anew, use --retake in its place."
        )


def _recorded(args: argparse.Namespace, session: Session, folder: Path) -> Outcome:
    draft, consent = _examined(args, session, folder), Consent(args.accept, args.reason)
    draft = draft.with_views(_views(args, session, folder, draft.pose))
    standing, who = outstanding(draft.findings, consent), Who(args.operator, now())
    if standing:
        commit(folder, note_refused(session, folder, draft), who)
        return draft.findings, standing, None
    change = record_station(session, folder, draft, who, consent)
    stored = session.next_id if args.retake is None else args.retake
    if args.photo is not None:
        change = photographed(change, folder, stored, Path(args.photo))
    commit(folder, change, who)
    return draft.findings, (), change.session.existing(stored)


def _views(
    args: argparse.Namespace, session: Session, folder: Path, pose: PoseDraft
) -> tuple[FurtherView, ...]:
    files = [(name, Path(file)) for name, file in args.view]
    deep = {name: Path(file) for name, file in args.view_depth}
    return examine_views(session, folder, pose, files, deep)


def _added(args: argparse.Namespace, session: Session, folder: Path) -> Outcome:
    """Examine views of further cameras and add them to a recorded station."""
    station = session.existing(args.station)
    there = station_pose(session.cell, station)
    pose = PoseDraft(None, None, there, (), station.id, station.closing)
    views = _views(args, session, folder, pose)
    findings, consent = findings_of(views), Consent(args.accept)
    standing = outstanding(findings, consent)
    if standing:
        return findings, standing, None
    change = add_views(session, folder, station.id, views, consent)
    commit(folder, change, Who(args.operator, now()))
    return findings, (), change.session.existing(station.id)


def _examined(args: argparse.Namespace, session: Session, folder: Path) -> Draft:
    if args.retake is not None:
        session.existing(args.retake)
    earlier = known(session, retake=args.retake)
    pose = examine_pose(session, args.pose, args.joints, closing=args.closing, earlier=earlier)
    view = _view(args, session, folder)
    before = last_refused(session, folder, view) if args.retake is None else None
    return examine(session, folder, pose, view, before)


def _view(args: argparse.Namespace, session: Session, folder: Path) -> ViewDraft:
    depth = None if args.depth is None else read_depth(Path(args.depth))
    if args.image is not None:
        return examine_image(session, folder, Path(args.image), depth)
    if args.points is not None:
        return examine_points(session, Path(args.points), depth)
    if depth is not None:
        raise UsageError(DEPTH_ALONE, DEPTH_NEEDS)
    if args.board_pose is not None:
        try:
            return examine_board_pose(args.board_pose)
        except PoseError as error:
            raise UsageError(error.problem, error.remedy) from error
    return no_view(seen_by_others=bool(args.view))


def _how_to_go_on(standing: tuple[Finding, ...]) -> str:
    codes = list(dict.fromkeys(item.code for item in standing))
    hard = dict.fromkeys(item.code for item in standing if not can_be_accepted(item))
    if hard:
        return f"{', '.join(hard)} must be put right first."
    words = " ".join(f"--accept {code}" for code in codes)
    needs_reason = any(code in OVERRULED_WITH_REASON for code in codes)
    return f"put it right, or accept with {words}{' --reason TEXT' if needs_reason else ''}."


# ---- what of `edit` needs as much --------------------------------------------------------------


def corrected(
    args: argparse.Namespace, session: Session, folder: Path
) -> tuple[Change | None, tuple[Finding, ...]]:
    """Return the change of a station's pose, None where a finding stands in the way; findings."""
    draft = examine_correction(session, folder, args.station, args.pose)
    consent = Consent(args.accept, args.reason)
    if outstanding(draft.findings, consent):
        return None, draft.findings
    change = correct_pose(session, args.station, draft, consent)
    return change, draft.findings
