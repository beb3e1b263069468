"""`record`: one station from the command line, through the same checks as on the screen."""

from __future__ import annotations

import argparse
from datetime import datetime
from pathlib import Path

from engine.errors import PoseError, UsageError
from engine.findings import Finding
from engine.sessions.document import station_document
from engine.sessions.folder import open_session
from engine.sessions.lock import writing
from engine.sessions.session import Session
from engine.steps import record
from engine.steps.edit import existing

from ..output import print_findings, print_json


def run(args: argparse.Namespace) -> int:
    """Record one station; 0 when it is stored, 1 when a finding stands in the way."""
    folder = Path(args.dir)
    if args.pose is None and args.joints is None:
        raise UsageError(
            "nothing typed", "Give --pose TEXT, or --joints TEXT where joints are typed."
        )
    with writing(folder, who=args.operator):
        session = open_session(folder)
        draft = _examined(args, session, folder)
        standing = record.outstanding(draft.findings, args.accept, args.reason)
        station = None
        if not standing:
            _, station = record.store(
                session,
                folder,
                draft,
                accepted=args.accept,
                reason=args.reason,
                operator=args.operator,
                now=datetime.now().astimezone(),
            )
    if args.json:
        stored = None if station is None else station_document(station)
        findings = [item.document() for item in draft.findings]
        print_json({"format": 1, "findings": findings, "station": stored})
    else:
        print_findings(draft.findings)
        if station is not None:
            print(f"station {station.id} stored")
        else:
            print(f"NOT STORED: {_how_to_go_on(standing)}")
    return 0 if station is not None else 1


def _examined(args: argparse.Namespace, session: Session, folder: Path) -> record.Draft:
    before = args.retake
    if before is not None:
        existing(session, before)
    earlier = record.known(session, before=before)
    pose = record.examine_pose(
        session, args.pose, args.joints, closing=args.closing, earlier=earlier
    )
    view = _view(args, session, folder)
    return record.examine(session, folder, pose, view, closing=args.closing, retake=args.retake)


def _view(args: argparse.Namespace, session: Session, folder: Path) -> record.ViewDraft:
    if args.image is not None:
        return record.examine_image(session, folder, Path(args.image))
    if args.points is not None:
        return record.examine_points(session, Path(args.points))
    if args.board_pose is not None:
        try:
            return record.examine_board_pose(args.board_pose)
        except PoseError as error:
            raise UsageError(error.problem, error.remedy) from error
    return record.no_view()


def _how_to_go_on(standing: tuple[Finding, ...]) -> str:
    codes = list(dict.fromkeys(item.code for item in standing))
    hard = dict.fromkeys(item.code for item in standing if not record.can_be_accepted(item))
    if hard:
        return f"{', '.join(hard)} must be put right first."
    words = " ".join(f"--accept {code}" for code in codes)
    needs_reason = any(code in record.OVERRULED_WITH_REASON for code in codes)
    return f"put it right, or accept with {words}{' --reason TEXT' if needs_reason else ''}."
