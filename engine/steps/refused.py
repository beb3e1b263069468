"""A stop that did not fit and was not stored: the journal remembers it for the next one.

A tool or frame that was changed puts the next stop off by the same shift, which names it. So it is
remembered until a station is stored. What the journal says is read as untrusted: a line that does
not hold what it should says nothing.
"""

from __future__ import annotations

from pathlib import Path

from ..boards.points_file import plain_table, points_text
from ..cell.session import Session, Station
from ..cell.stations import Observation, station_pose
from ..errors import StationbookError
from ..frames import from_position_quaternion
from ..sessions.changes import Change, remark
from ..sessions.journal import Line, latest
from .recording import Draft
from .station_image import ViewDraft
from .station_pose import MISFIT, observed

ACTION = "refused"  # the word in the journal
STORED = ("record", "retake", "import")  # actions after which nothing before is remembered
MOST_POINTS = 60  # kept of one image: more would not tell the shift better, common practice


def note_refused(session: Session, folder: Path, draft: Draft) -> Change | None:
    """Return the journal's line about a new stop that does not fit; None where none is needed.

    A pose not typed to its end says nothing of the stop, and the same one is not noted twice.
    """
    codes = {item.code for item in draft.findings}
    stop = observed(session, draft.pose, draft.view)
    known = stop is not None and not stop.spatial and draft.pose.station is None
    if MISFIT not in codes or "digits-missing" in codes or not known or stop is None:
        return None
    details: dict[str, object] = {
        "pose": list(draft.pose.typed.fields) if draft.pose.typed else None,
        "joints": list(draft.pose.joints.fields) if draft.pose.joints else None,
        "source": draft.view.name,
        **_seen(draft.view),
    }
    if any(all(line.get(key) == details[key] for key in details) for line in _remembered(folder)):
        return None
    return remark(ACTION, session, folder, details)


def last_refused(session: Session, folder: Path, view: ViewDraft) -> Observation | None:
    """Return the last stop noted as refused since a station was stored, or None.

    ``view``: what is examined now: the stop that was refused with the same is put right now.
    """
    now = _seen(view)
    others = (line for line in _remembered(folder) if any(line.get(k) != now[k] for k in now))
    stops = (_stop(session, line) for line in others)
    return next((stop for stop in stops if stop is not None), None)


def _seen(view: ViewDraft) -> dict[str, object]:
    """Return what was seen, as a line holds it: some of the points, or a reported pose."""
    points = None
    if view.point_ids is not None and view.pixels is not None:
        some = slice(None, None, -(-len(view.point_ids) // MOST_POINTS))
        points = points_text(view.point_ids[some], view.pixels[some])
    return {"points": points, "board_pose": view.board_pose and list(view.board_pose)}


def _remembered(folder: Path) -> list[Line]:
    """Return the lines about refused stops since a station was stored, the newest first."""
    found = []
    for line in latest(folder):
        if line["action"].startswith(STORED):
            break
        if line["action"] == ACTION:
            found.append(line)
    return found


def _stop(session: Session, line: Line) -> Observation | None:
    """Return the stop that a line tells of, or None for one that tells of none."""
    cell, texts = session.cell, line.get("points")
    try:
        pose, joints = (_fields(line.get(key)) for key in ("pose", "joints"))
        flange = station_pose(cell, Station(session.next_id, pose=pose, joints=joints))
        if flange is None:
            return None
        if isinstance(texts, str):
            points = plain_table(texts.encode())
            if points is None or points.ids.max() >= cell.board.count:
                return None
            return Observation(session.next_id, flange, points.ids, points.pixels)
        values = line.get("board_pose")
        if not isinstance(values, list) or len(values) != 7:
            return None
        place = from_position_quaternion([float(value) for value in values])
        return Observation(session.next_id, flange, camera_T_board=place)
    except (StationbookError, TypeError, ValueError):
        return None


def _fields(values: object) -> tuple[str, ...] | None:
    """Return typed fields; raises TypeError for what are none."""
    if values is None:
        return None
    if not isinstance(values, list) or not all(isinstance(value, str) for value in values):
        raise TypeError("no fields")
    return tuple(values)
