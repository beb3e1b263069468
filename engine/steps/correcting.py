"""Correcting what was typed: by another text, or as a finding suggests when that is asked for.

Every function returns the change and writes nothing. Nothing is lost: the journal keeps what was
typed before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from ..cell.session import Session, Station
from ..errors import UsageError
from ..findings import Finding
from ..pendant.entry import parse_active
from ..pendant.settings import FLANGE
from ..sessions.changes import Change
from ..sessions.numbers import stored_points
from .editing import changed
from .recording import NONE, Consent, Draft, accepted_codes, examine
from .solve import Solved, solve_session
from .station_image import points_view
from .station_pose import Known, examine_line, known


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
    (None: as they were). ``earlier`` saves computing `known(session, correct=station_id)` again.
    """
    old = session.existing(station_id)
    beside = joints or (" ".join(old.joints) if old.joints else None)
    before = known(session, correct=old.id) if earlier is None else earlier
    pose = examine_line(session, text, beside, closing=old.closing, earlier=before)
    points = stored_points(session, folder, old)
    view = replace(points_view(points), board_pose=old.board_pose)
    return examine(session, folder, pose, view)


def correct_pose(
    session: Session, station_id: int, draft: Draft, consent: Consent = NONE
) -> Change:
    """Replace the typed pose of a station by one that `examine_correction` examined.

    Raises StationbookError when a finding still stands.
    """
    old = session.existing(station_id)
    used = accepted_codes(draft.findings, consent, "not changed")
    station = replace(
        old,
        pose=draft.pose.typed.fields if draft.pose.typed else old.pose,
        joints=draft.pose.joints.fields if draft.pose.joints else old.joints,
        accepted=used,
        note=(consent.reason if used else None) or old.note,
    )
    return changed(
        "correct",
        session,
        station,
        replaced=list(old.typed),
        typed=list(station.typed),
        accepted=list(used),
        reason=consent.reason,
    )


TYPED = "typed-value"
PENDANT = ("rotation-convention", "unit", "joints-disagree")  # they name a setting of the pendant
FIXABLE = (TYPED, "pairing", *PENDANT)  # findings whose suggestion `fix` applies
ACTIVE = ("active_tool", "active_frame")  # keys of the pendant that stops with joints tell
UNDONE = "it is undone already in every solution; nothing is left to change"
BY_HAND = {  # findings whose remedy no program can apply
    "board-pitch": "measure the board and correct board.pitch_mm in the cell",
    "board-turned": UNDONE,
    "lens": "use the right lens data in the cell",
    "board-moved": "repeat the stations before or after the move",
    "camera-moved": "repeat the stations before or after the move",
    "inverse-pose": "type the flange in the base, as the pendant shows it",
    "outlier": "set the station aside, or retake it",
}


def can_apply(item: Finding) -> bool:
    """Tell whether `fix` can write what a finding suggests."""
    return item.code in FIXABLE and item.suggested is not None


def fix(session: Session, folder: Path, code: str, station: int | None) -> tuple[Change, str]:
    """Apply what finding ``code`` suggests (at ``station``): the change, and in words what it is.

    Nothing is written. Solves the session to learn what is suggested. Raises UsageError where no
    such finding stands or nothing can be applied, StationbookError where the corrected pose does
    not pass the checks.
    """
    if code in BY_HAND:
        raise UsageError(f"{code} cannot be fixed here", BY_HAND[code].capitalize() + ".")
    standing = _standing(solve_session(session, folder))
    found = [
        item
        for item in standing
        if item.code == code
        and (station is None or item.station == station or station in (item.stations or ()))
    ]
    if not found:
        codes = ", ".join(dict.fromkeys(item.code for item in standing)) or "none"
        place = "" if station is None else f" at station {station}"
        raise UsageError(f"no finding {code}{place} to fix", f"Findings that stand: {codes}.")
    applicable = [item for item in found if can_apply(item)]
    if not applicable:
        raise UsageError(f"{code} suggests nothing that can be applied", found[0].remedy)
    if code == TYPED:
        return _typed_value(session, folder, applicable, station)
    if code == "pairing":
        return _pairing(session, applicable[0])
    return _pendant(session, applicable[0])


def _standing(solved: Solved) -> list[Finding]:
    """Return the first camera's findings, and the typing slips that only further cameras show."""
    found = list(solved.stored.findings)
    known = {item.station for item in found if item.code == TYPED}
    for result in solved.others.values():
        slips = [i for i in result.findings if i.code == TYPED and i.station not in known]
        known |= {item.station for item in slips}
        found += slips
    return found


def _typed_value(
    session: Session, folder: Path, found: Sequence[Finding], station: int | None
) -> tuple[Change, str]:
    """Replace the fields that the findings name, through the checks that every pose passes."""
    if station is None:
        raise UsageError("say which station to fix", "Add --station N.")
    old = session.existing(station)
    labels, new = session.cell.pendant.labels, list(old.typed)
    for item in found:
        if item.field in labels and item.suggested is not None:
            new[labels.index(item.field)] = item.suggested
    draft = examine_correction(session, folder, station, " ".join(new))
    # The suggestion came from the images of all stations: they have had their say.
    draft = replace(draft, findings=draft.pose.findings)
    accepted = [item.code for item in draft.findings if item.code in old.accepted]
    change = correct_pose(session, station, draft, Consent(accepted))
    changes = ", ".join(f"{item.field} {item.typed} → {item.suggested}" for item in found)
    return change, f"station {station}: {changes}"


def _pairing(session: Session, found: Finding) -> tuple[Change, str]:
    """Give every image to the station whose pose it fits; one left without is set aside."""
    ids, suggested = list(found.stations or ()), str(found.suggested)
    if suggested[0] in "+-":
        rows = range(len(ids))
        fits = {ids[k]: ids[k + int(suggested)] for k in rows if k + int(suggested) in rows}
        what = f"images of stations {ids[0]} to {ids[-1]} shifted by {suggested}"
    else:
        fits = dict(zip(ids, map(int, suggested.split(", ")), strict=True))
        what = f"images of stations {', '.join(map(str, ids))} given to {suggested}"
    new = session
    for source, goal in fits.items():
        new = new.with_station(_with_view(session.existing(goal), session.existing(source)))
    note = "no image of its own after the images were paired again"
    for lost in set(ids) - set(fits.values()):
        empty = _with_view(session.existing(lost), Station(lost))
        new = new.with_station(replace(empty, use=False, note=note))
    return Change("fix pairing", new, {"stations": ids, "shift": suggested}), what


def _with_view(station: Station, source: Station) -> Station:
    """Return the station with what the first camera saw at ``source``."""
    seen = ("image", "points", "board_pose", "depth")
    return replace(station, **{name: getattr(source, name) for name in seen})


def _pendant(session: Session, found: Finding) -> tuple[Change, str]:
    """Correct the pendant's settings in the session's copy of the cell."""
    key, value = str(found.field), found.suggested
    pendant = session.cell.pendant
    new_value = parse_active(f"as fitted: {value}", FLANGE, pendant) if key in ACTIVE else value
    pendant = replace(pendant, **{key: new_value})  # type: ignore[arg-type]
    new = replace(session, cell=replace(session.cell, pendant=pendant))
    details = {"key": f"pendant.{key}", "replaced": found.typed, "typed": value}
    what = f"pendant.{key}: {found.typed} → {value} (in this session only)"
    return Change("fix cell", new, details), what
