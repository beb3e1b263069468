"""Recording a station: what was typed and what was seen joined, and stored unless a finding stands.

`station_pose.examine_pose` is fast enough to run while somebody types;
`station_image.examine_image` searches the board and belongs in the background. `examine` joins the
two. `record_station` and `add_views` say what is to be stored, and write nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from math import inf
from pathlib import Path
from typing import NamedTuple

from ..boards.grids import numbered
from ..cell.session import Session, Station, seen_by, with_view
from ..cell.stations import Observation
from ..checks.entry import OVERRULED_WITH_REASON
from ..errors import StationbookError, UsageError
from ..estimate.problem import predicted_view
from ..findings import Finding, Level, finding
from ..images.load import decode_levels
from ..sessions.changes import Change, Who
from .station_image import (
    FurtherView,
    ViewDraft,
    examine_file,
    findings_of,
    judged,
    new_files,
    stored_views,
    with_depth,
)
from .station_pose import PoseDraft, predictor_for, together_findings


@dataclass(frozen=True, slots=True, eq=False)
class Draft:
    """One station ready to be stored, with every finding about it; ``views`` of further cameras."""

    pose: PoseDraft
    view: ViewDraft
    findings: tuple[Finding, ...]
    views: tuple[FurtherView, ...] = ()

    def with_views(self, views: Sequence[FurtherView]) -> Draft:
        """Return the draft with what further cameras saw, and the findings about it."""
        findings = (*self.findings, *findings_of(views))
        return replace(self, views=(*self.views, *views), findings=findings)


def examine(
    session: Session,
    folder: Path,
    pose: PoseDraft,
    view: ViewDraft,
    refused: Observation | None = None,
) -> Draft:
    """Join what was typed and what was seen; check the one against the other.

    ``refused``: the stop before, where it did not fit and was not stored, as `observed`.
    """
    view = _numbered(session, folder, pose, view)
    together = together_findings(session, folder, pose, view, refused)
    return Draft(pose, view, (*pose.findings, *view.findings, *together))


def _numbered(session: Session, folder: Path, pose: PoseDraft, view: ViewDraft) -> ViewDraft:
    """Return the view with open numbers settled by where the recorded stations expect the board.

    It says that only a part is seen: the operator accepts that or takes a better image. Then the
    image is judged by the points that it has now.
    """
    cell, detection, data, name = session.cell, view.detection, view.image, view.name or ""
    if detection is None or data is None or pose.base_T_flange is None:
        return view
    if not len(detection.choices):
        return view
    made = predictor_for(session, folder, pose.station)
    if made is None or made.result is None:
        return view
    result = made.result
    T = predicted_view(cell.mount, result.geometric, pose.base_T_flange, result.board)
    told = numbered(detection, cell.board, cell.camera, T)
    if not told.found:
        return view
    found, expected = len(told.ids), len(cell.board.present)
    where = "partly out of view or covered"
    part = finding("board-cut-off", where=where, found=found, expected=expected)
    levels = decode_levels(data, name, cell.camera.bits)
    before, now = (judged(cell, levels, seen, name) for seen in (detection, told))
    others = [item for item in view.findings if item not in before.findings]
    others += [item for item in now.findings if item.code not in (part.code, "points-left-out")]
    whole = replace(
        view,
        findings=(part, *others),
        report=now.report,
        point_ids=told.ids,
        pixels=told.pixels,
        covariances=told.covariances,
        detection=told,
    )
    depth = view.depth
    return whole if depth is None else with_depth(whole, cell, depth.data, depth.name)


class Consent(NamedTuple):
    """Codes of the findings that the operator accepts, and why an overruled error is none."""

    codes: Sequence[str] = ()
    reason: str | None = None


NONE = Consent()


def outstanding(findings: Iterable[Finding], consent: Consent = NONE) -> tuple[Finding, ...]:
    """Return the findings that still keep a station from being stored."""
    accepted, reason = consent

    def stands(item: Finding) -> bool:
        if item.level is Level.NOTE:
            return False
        if item.level is Level.ERROR:
            overruled = item.code in OVERRULED_WITH_REASON and item.code in accepted
            return not (overruled and reason and reason.strip())
        return item.code not in accepted

    return tuple(item for item in findings if stands(item))


def can_be_accepted(item: Finding) -> bool:
    """Tell whether the operator may store the station in spite of ``item``."""
    return item.level is not Level.ERROR or item.code in OVERRULED_WITH_REASON


def accepted_codes(findings: Iterable[Finding], consent: Consent, refused: str) -> tuple[str, ...]:
    """Return those of the accepted codes that findings carry.

    Raises StationbookError, which begins with the word ``refused``, when a finding still stands, so
    that nothing is ever stored by mistake.
    """
    found = tuple(findings)
    if standing := outstanding(found, consent):
        raise StationbookError(f"{refused}: {standing[0].message}", standing[0].remedy)
    codes = {item.code for item in found}
    return tuple(code for code in dict.fromkeys(consent.codes) if code in codes)


def record_station(
    session: Session, folder: Path, draft: Draft, who: Who, consent: Consent = NONE
) -> Change:
    """Return the change that stores one station, a new one or a retake.

    Raises StationbookError when a finding still stands.
    """
    used = accepted_codes(draft.findings, consent, "not stored")
    again = draft.pose.station
    station_id = session.next_id if again is None else again
    names, files = new_files(folder, f"{station_id:03d}", draft.view)
    seen, further = stored_views(session.cell, folder, station_id, draft.views)
    station = Station(
        id=station_id,
        pose=draft.pose.typed.fields if draft.pose.typed else None,
        joints=draft.pose.joints.fields if draft.pose.joints else None,
        image=names.get("image"),
        points=names.get("points"),
        depth=names.get("depth"),
        board_pose=draft.view.board_pose,
        taken=_time_of_stop(session, who.now).isoformat(timespec="seconds"),
        accepted=used,
        operator=who.operator if who.operator != session.operator else None,
        note=(consent.reason or None) if used else None,
        closing=draft.pose.closing,
        views=seen,
    )
    details = {
        "station": station_id,
        "typed": list(station.typed),
        "accepted": list(used),
        "reason": consent.reason,
        "source": draft.view.name,
    }
    action = "record" if again is None else "retake"
    return Change(action, session.with_station(station), details, files | further)


def _time_of_stop(session: Session, now: datetime) -> datetime:
    """Return the time by the clock, or one after the stops before where the clock was set back.

    By their times the program knows at which stop the robot stands.
    """
    last = session.visited[-1].moment if session.stations else -inf
    if now.timestamp() < last:
        with suppress(ValueError, OverflowError):  # a second after the last one that a clock has
            return datetime.fromtimestamp(last + 1.0, now.tzinfo)
    return now


# ---- what further cameras of the cell saw at a station -----------------------------------------


def examine_views(
    session: Session,
    folder: Path,
    pose: PoseDraft,
    files: Sequence[tuple[str, Path]],
    depth: Mapping[str, Path] | None = None,
) -> tuple[FurtherView, ...]:
    """Examine ``files`` by camera name, each against its own camera's earlier views.

    ``depth``: files that 3-D cameras took with them, by camera name. Raises UsageError for a name
    that is no further camera of the cell or stands twice, FileError for a file that cannot be read.
    """
    names, deep = [name for name, _ in files], depth or {}
    if session.cell.camera.name in names:
        raise UsageError(
            f"{session.cell.camera.name!r} is the first camera", "Give its image with --image."
        )
    if twice := [name for name in names if names.count(name) > 1]:
        raise UsageError(f"camera {twice[0]!r} stands twice", "Give one file for each camera.")
    if alone := sorted(deep.keys() - set(names)):
        raise UsageError(f"depth of {alone[0]!r} without its image", "Give it with --view.")
    seen = {
        name: examine_file(seen_by(session, name), folder, path, deep.get(name))
        for name, path in files
    }
    return tuple(judged_view(session, folder, pose, name, view) for name, view in seen.items())


def judged_view(
    session: Session, folder: Path, pose: PoseDraft, name: str, view: ViewDraft
) -> FurtherView:
    """Return what camera ``name`` saw with every finding about it, held against the typed pose."""
    own = seen_by(session, name)
    number = session.next_id if pose.station is None else pose.station
    silent = replace(pose, findings=(), station=number)  # what is said of the pose is said once
    draft = examine(own, folder, silent, view)
    named = tuple(replace(i, message=f"camera {name}: {i.message}") for i in draft.findings)
    return FurtherView(name, draft.view, named)


def add_views(
    session: Session,
    folder: Path,
    station_id: int,
    views: Sequence[FurtherView],
    consent: Consent = NONE,
) -> Change:
    """Return the change that stores views with a station, each in place of that camera's earlier.

    Raises StationbookError when there is no such station or a finding still stands.
    """
    station = session.existing(station_id)
    codes = sorted(accepted_codes(findings_of(views), consent, "not stored"))
    seen, files = stored_views(session.cell, folder, station_id, views)
    for view in seen:
        station = with_view(station, view)
    station = replace(station, accepted=tuple(dict.fromkeys((*station.accepted, *codes))))
    details = {"station": station_id, "cameras": [view.camera for view in seen], "accepted": codes}
    return Change("view", session.with_station(station), details, files)
