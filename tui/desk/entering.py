"""Examining and storing the station that is being entered; both take time."""

from __future__ import annotations

from engine.steps.editing import correct_pose, examine_correction
from engine.steps.planning import with_rest
from engine.steps.recording import Draft, examine, judged_view, record_station
from engine.steps.station_image import no_view
from engine.steps.station_pose import examine_line

from .closing import visited
from .desk import Desk
from .entry import Entry


def examined(desk: Desk, entry: Entry) -> Draft:
    """Examine what was typed so far and what was seen."""
    session, folder, station = desk.opened(), desk.folder, entry.station
    joints, earlier = entry.joints or None, desk.earlier(station)
    if entry.purpose == "correct" and station is not None:
        return examine_correction(
            session, folder, station, entry.text, joints=joints, earlier=earlier
        )
    closing = entry.closing
    pose = examine_line(session, entry.text, joints, closing=closing, earlier=earlier)
    view = entry.view or no_view(seen_by_others=bool(entry.views))
    draft = examine(session, folder, pose, view, closing=closing, retake=station)
    further = [
        judged_view(session, folder, pose, name, seen, closing=closing, station=station)
        for name, seen in entry.views.items()
    ]
    return draft.with_views(further)


def store(desk: Desk, entry: Entry) -> int:
    """Store the entry and return the station's id; raises StationbookError if it cannot be."""
    draft, who = entry.draft or examined(desk, entry), desk.who
    codes, reason, station = entry.codes, entry.reason, entry.station
    if entry.purpose == "correct" and station is not None:
        desk.do(
            f"correct {station}",
            lambda session: correct_pose(session, station, draft, accepted=codes, reason=reason),
        )
        return station
    step = visited(desk, entry)
    done = None if step is None else desk.plan[step]
    rest = [item for item in desk.plan if item != done]
    new_id = desk.opened().next_id if station is None else station
    desk.do(
        f"{entry.purpose} {new_id}",
        lambda session: record_station(
            with_rest(session, rest), desk.folder, draft, who, accepted=codes, reason=reason
        ),
    )
    desk.wished = None
    return new_id
