"""What further cameras of the cell saw at a station: examined as the first camera's view is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from ..cell.cameras import seen_by, with_view
from ..cell.session import Session, Station
from ..cell.stations import station_pose
from ..errors import StationbookError, UsageError
from ..sessions.folder import commit
from .edit import existing
from .record import PoseDraft, examine, outstanding
from .seen import ViewDraft, examine_file
from .stored import FurtherView, findings_of, stored_views


def examine_views(
    session: Session,
    folder: Path,
    pose: PoseDraft,
    files: Sequence[tuple[str, Path]],
    *,
    closing: bool = False,
    station: int | None = None,
) -> tuple[FurtherView, ...]:
    """Examine ``files`` by camera name, each against its own camera's earlier views.

    ``station``: the recorded one that they belong to; None: the next. Raises UsageError for a name
    that is no further camera of the cell or stands twice, FileError for a file that cannot be read.
    """
    names = [name for name, _ in files]
    if session.cell.camera.name in names:
        raise UsageError(
            f"{session.cell.camera.name!r} is the first camera", "Give its image with --image."
        )
    if twice := [name for name in names if names.count(name) > 1]:
        raise UsageError(f"camera {twice[0]!r} stands twice", "Give one file for each camera.")
    return tuple(
        judged_view(
            session,
            folder,
            pose,
            name,
            examine_file(seen_by(session, name), folder, path),
            closing=closing,
            station=station,
        )
        for name, path in files
    )


def judged_view(
    session: Session,
    folder: Path,
    pose: PoseDraft,
    name: str,
    view: ViewDraft,
    *,
    closing: bool = False,
    station: int | None = None,
) -> FurtherView:
    """Return what camera ``name`` saw with every finding about it, held against the typed pose.

    ``station`` as in `examine_views`.
    """
    own = seen_by(session, name)
    silent = replace(pose, findings=())  # what is to be said of the pose is said once
    number = session.next_id if station is None else station
    draft = examine(own, folder, silent, view, closing=closing, retake=number)
    named = tuple(replace(i, message=f"camera {name}: {i.message}") for i in draft.findings)
    return FurtherView(name, view, named)


def recorded_pose(session: Session, station: Station) -> PoseDraft:
    """Return the pose of a recorded station as a draft without findings."""
    return PoseDraft(None, None, station_pose(session.cell, station), ())


def add_views(
    session: Session,
    folder: Path,
    station_id: int,
    views: Sequence[FurtherView],
    *,
    accepted: Sequence[str] = (),
    operator: str | None = None,
    now: datetime,
) -> tuple[Session, Station]:
    """Store views with a recorded station, each in place of that camera's earlier one.

    Raises StationbookError when there is no such station or a finding still stands.
    """
    station = existing(session, station_id)
    findings = findings_of(views)
    standing = outstanding(findings, accepted, None)
    if standing:
        raise StationbookError(f"not stored: {standing[0].message}", standing[0].remedy)
    seen, files = stored_views(session.cell, folder, station_id, views)
    for view in seen:
        station = with_view(station, view)
    codes = {item.code for item in findings} & set(accepted)
    station = replace(station, accepted=tuple(dict.fromkeys((*station.accepted, *sorted(codes)))))
    action = {
        "action": "view",
        "who": operator or session.operator,
        "station": station_id,
        "cameras": [view.camera for view in seen],
        "accepted": sorted(codes),
    }
    new = session.with_station(station)
    commit(folder, new, action, files, now)
    return new, station
