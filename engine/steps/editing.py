"""Changing what is recorded: correct a pose, set a station aside, bring it back, add a remark.

Every function returns the change and writes nothing. Nothing is lost: the journal keeps what was
typed before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from ..cell.session import Session, Station
from ..errors import StationbookError
from ..sessions.changes import Change
from ..sessions.folder import stored_points
from .recording import Draft, accepted_codes, examine
from .station_image import ViewDraft
from .station_pose import Known, examine_line, known


def set_aside(session: Session, station_id: int, reason: str) -> Change:
    """Leave a station out of the solution; the reason is kept as its note."""
    why = reason.strip()
    if not why:
        raise StationbookError("no reason given", "Say in a few words why it is set aside.")
    station = replace(session.existing(station_id), use=False, note=why)
    return _changed("set aside", session, station, reason=why)


def bring_back(session: Session, station_id: int) -> Change:
    """Use a station again that was set aside."""
    return _changed("bring back", session, replace(session.existing(station_id), use=True))


def annotate(session: Session, station_id: int, note: str) -> Change:
    """Keep a remark with a station; an empty one removes it."""
    station = replace(session.existing(station_id), note=note.strip() or None)
    return _changed("note", session, station, note=note.strip())


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
    old = session.existing(station_id)
    beside = joints or (" ".join(old.joints) if old.joints else None)
    before = known(session, before=old.id) if earlier is None else earlier
    pose = examine_line(session, text, beside, closing=old.closing, earlier=before)
    view = stored_view(session, folder, old)
    return examine(session, folder, pose, view, closing=old.closing, retake=old.id)


def stored_view(session: Session, folder: Path, station: Station) -> ViewDraft:
    """Return what a recorded station's camera saw, without findings of its own."""
    points = stored_points(session, folder, station)
    ids, pixels = (None, None) if points is None else points
    return ViewDraft((), point_ids=ids, pixels=pixels, board_pose=station.board_pose)


def correct_pose(
    session: Session,
    station_id: int,
    draft: Draft,
    *,
    accepted: Sequence[str] = (),
    reason: str | None = None,
) -> Change:
    """Replace the typed pose of a station by one that `examine_correction` examined.

    Raises StationbookError when a finding still stands.
    """
    old = session.existing(station_id)
    used = accepted_codes(draft.findings, accepted, reason, "not changed")
    station = replace(
        old,
        pose=draft.pose.typed.fields if draft.pose.typed else old.pose,
        joints=draft.pose.joints.fields if draft.pose.joints else old.joints,
        accepted=used,
        note=reason if used and reason else old.note,
    )
    return _changed(
        "correct",
        session,
        station,
        replaced=list(old.typed),
        typed=list(station.typed),
        accepted=list(used),
        reason=reason,
    )


def _changed(action: str, session: Session, station: Station, **details: object) -> Change:
    return Change(action, session.with_station(station), {"station": station.id, **details})
