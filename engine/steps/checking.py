"""Checking a whole session: every recorded station again, and all of them together."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from ..cell.session import Session, Station
from ..cell.stations import station_pose
from ..checks.entry import RecordedPose
from ..diagnosis.diagnose import CAUSES
from ..errors import PoseError
from ..findings import Finding, finding
from ..pendant.entry import pose_from_fields
from ..sessions.journal import read_journal, unfinished
from ..sessions.places import SESSION_FILE
from ..sessions.yaml_text import read_bytes, sha256
from .solve import solve_session
from .station_pose import Known, pose_findings

RECORDED = ("record", "retake")  # actions after which the journal's station is in the session


def check_session(session: Session, folder: Path) -> list[Finding]:
    """Return every finding on a session: causes first, then station by station, then the rest.

    A wrong value or convention puts stations out of reach, too near or elsewhere: the cause comes
    before what follows from it. Warnings that the operator accepted when recording are not
    repeated. Raises FileError when a file that a station names is missing or damaged.
    """
    found = list(_station_findings(session))
    gone = _gone(session, folder)
    found += gone
    leftover = unfinished(folder)
    if leftover and not gone:
        what = ", ".join(dict.fromkeys(str(line.get("action", "?")) for line in leftover))
        found.append(finding("journal-unfinished", count=len(leftover), what=what))
    if session.cell.robot is None:
        found.append(finding("reach-unchecked"))
    if any(item.code == "format" for item in found):
        return found
    whole = solve_session(session, folder).findings()
    causes = [item for item in whole if item.code in CAUSES]
    return [*causes, *found, *(item for item in whole if item.code not in CAUSES)]


def _gone(session: Session, folder: Path) -> list[Finding]:
    """Return `stations-gone` where the file lacks stations that the journal knows were stored.

    A line was stored where a later one began from it, or where the file is none of the journal's.
    """
    own = [line for line in read_journal(folder) if line["file"] == SESSION_FILE]
    now = sha256(read_bytes(folder / SESSION_FILE))
    if not own or own[-1]["after"] == now:
        return []
    began = {line["before"] for line in own}
    foreign = all(line["after"] != now for line in own)
    stored = [line for line in own if foreign or line["after"] in began]
    noted = {line.get("station") for line in stored if line.get("action") in RECORDED}
    ids = sorted(i for i in noted if isinstance(i, int) and session.station(i) is None)
    if not ids:
        return []
    return [finding("stations-gone", count=len(ids), ids=", ".join(map(str, ids)))]


def _station_findings(session: Session) -> Iterator[Finding]:
    recorded: list[RecordedPose] = []
    for station in session.stations:
        if not station.use:
            continue
        try:
            found = _one_station(session, station, recorded)
        except PoseError as error:
            found = [
                finding("format", field=error.field, problem=error.problem, remedy=error.remedy)
            ]
        for item in found:
            if item.code not in station.accepted:
                yield replace(item, station=station.id)


def _one_station(session: Session, station: Station, recorded: list[RecordedPose]) -> list[Finding]:
    """Check one station against those before it, and add its pose to them."""
    cell = session.cell
    pose = station_pose(cell, station)
    found: list[Finding] = []
    if pose is not None:
        typed = pose_from_fields(station.pose, cell.pendant) if station.pose else None
        found += pose_findings(cell, station, typed, pose, Known(recorded))
        recorded.append(RecordedPose(station.id, pose))
    if station.points is None and station.board_pose is None and not station.views:
        found.append(finding("board-missing", "no-image"))
    return found
