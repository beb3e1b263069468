"""Changing what is recorded: correct a pose, set a station aside, bring it back, add a remark.

Nothing is lost: the journal keeps what was typed before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

from ..cell.session import Session, Station
from ..errors import StationbookError
from ..pendant.conventions import JOINTS
from ..sessions.folder import commit, stored_points
from .record import Draft, Known, ViewDraft, examine, examine_pose, known, outstanding


def set_aside(
    session: Session,
    folder: Path,
    station_id: int,
    reason: str,
    operator: str | None,
    now: datetime,
) -> Session:
    """Leave a station out of the solution; the reason is kept as its note."""
    if not reason.strip():
        raise StationbookError("no reason given", "Say in a few words why it is set aside.")
    station = replace(existing(session, station_id), use=False, note=reason.strip())
    return _commit(session, folder, station, "set aside", operator, now, reason=reason.strip())


def bring_back(
    session: Session, folder: Path, station_id: int, operator: str | None, now: datetime
) -> Session:
    """Use a station again that was set aside."""
    station = replace(existing(session, station_id), use=True)
    return _commit(session, folder, station, "bring back", operator, now)


def annotate(
    session: Session, folder: Path, station_id: int, note: str, operator: str | None, now: datetime
) -> Session:
    """Keep a remark with a station; an empty one removes it."""
    station = replace(existing(session, station_id), note=note.strip() or None)
    return _commit(session, folder, station, "note", operator, now, note=note.strip())


def examine_correction(
    session: Session,
    folder: Path,
    station_id: int,
    text: str,
    *,
    joints: str | None = None,
    earlier: Known | None = None,
) -> Draft:
    """Examine a new text for a recorded station's pose, against the image that it has.

    ``text``: the pose, or the joints where those are typed. ``joints``: the joints beside a pose
    (None: as they were). ``earlier`` saves computing `known(session, before=station_id)` again.
    """
    old = existing(session, station_id)
    typed_joints = session.cell.pendant.rotation == JOINTS
    shown = joints or (" ".join(old.joints) if old.joints else None)
    pose = examine_pose(
        session,
        None if typed_joints else text,
        text if typed_joints else shown,
        closing=old.closing,
        earlier=known(session, before=old.id) if earlier is None else earlier,
    )
    view = stored_view(session, folder, old)
    return examine(session, folder, pose, view, closing=old.closing, retake=old.id)


def stored_view(session: Session, folder: Path, station: Station) -> ViewDraft:
    """Return what a recorded station's camera saw, without findings of its own."""
    points = stored_points(session, folder, station)
    ids, pixels = (None, None) if points is None else points
    return ViewDraft((), point_ids=ids, pixels=pixels, board_pose=station.board_pose)


def correct_pose(
    session: Session,
    folder: Path,
    station_id: int,
    draft: Draft,
    *,
    accepted: Sequence[str] = (),
    reason: str | None = None,
    operator: str | None = None,
    now: datetime,
) -> Session:
    """Replace the typed pose of a station by one that `examine_correction` examined.

    Raises StationbookError when a finding still stands.
    """
    old = existing(session, station_id)
    standing = outstanding(draft.findings, accepted, reason)
    if standing:
        raise StationbookError(f"not changed: {standing[0].message}", standing[0].remedy)
    codes = {item.code for item in draft.findings}
    used = tuple(code for code in dict.fromkeys(accepted) if code in codes)
    station = replace(
        old,
        pose=draft.pose.typed.fields if draft.pose.typed else old.pose,
        joints=draft.pose.joints.fields if draft.pose.joints else old.joints,
        accepted=used,
        note=reason if used and reason else old.note,
    )
    return _commit(
        session,
        folder,
        station,
        "correct",
        operator,
        now,
        replaced=list(old.pose or old.joints or ()),
        typed=list(station.pose or station.joints or ()),
        accepted=list(used),
        reason=reason,
    )


def restore(
    current: Session, folder: Path, earlier: Session, operator: str | None, now: datetime, what: str
) -> Session:
    """Put an earlier state of the session back: ``what`` says whether by undo or redo."""
    action = {"action": what, "who": operator or current.operator}
    commit(folder, earlier, action, {}, now)
    return earlier


def existing(session: Session, station_id: int) -> Station:
    """Return the station, or raise StationbookError naming those that exist."""
    station = session.station(station_id)
    if station is None:
        ids = ", ".join(str(item.id) for item in session.stations) or "none yet"
        raise StationbookError(f"there is no station {station_id}", f"Recorded stations: {ids}.")
    return station


def _commit(
    session: Session,
    folder: Path,
    station: Station,
    what: str,
    operator: str | None,
    now: datetime,
    **details: Any,
) -> Session:
    new = session.with_station(station)
    action = {
        "action": what,
        "who": operator or session.operator,
        "station": station.id,
        **details,
    }
    commit(folder, new, action, {}, now)
    return new
