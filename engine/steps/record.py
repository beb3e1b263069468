"""Recording one station: examine what was typed, examine what was seen, store both.

`examine_pose` is fast enough to run while somebody types; `examine_image` searches the board and
belongs in the background. `examine` joins the two, and `store` writes the station unless a finding
still stands.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from ..arrays import Array
from ..boards.grids import numbered
from ..cell.session import Session, Station
from ..cell.stations import Observation, station_pose
from ..checks.entry import between
from ..checks.thresholds import IMAGE_UNCHANGED_PX, SMALL_MOVE_DEG, SMALL_MOVE_MM
from ..errors import StationbookError
from ..estimate.model import predicted_view
from ..findings import Finding, Level, finding
from ..sessions.folder import commit, stored_points
from .predict import board_pose, predictor_for, seen_findings
from .seen import (
    ViewDraft,
    examine_board_pose,
    examine_image,
    examine_image_data,
    examine_points,
    no_view,
)
from .stored import FurtherView, findings_of, new_files, stored_views
from .typed import OVERRULED_WITH_REASON, Known, PoseDraft, examine_pose, known

__all__ = [
    "OVERRULED_WITH_REASON",
    "Draft",
    "Known",
    "PoseDraft",
    "ViewDraft",
    "can_be_accepted",
    "examine",
    "examine_board_pose",
    "examine_image",
    "examine_image_data",
    "examine_points",
    "examine_pose",
    "known",
    "no_view",
    "outstanding",
    "store",
]


@dataclass(frozen=True, slots=True, eq=False)
class Draft:
    """One station ready to be stored, with every finding about it; ``views`` of further cameras."""

    pose: PoseDraft
    view: ViewDraft
    findings: tuple[Finding, ...]
    closing: bool = False
    retake: int | None = None
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
    *,
    closing: bool = False,
    retake: int | None = None,
) -> Draft:
    """Join what was typed and what was seen; check the one against the other."""
    together: list[Finding] = []
    view = _numbered(session, folder, pose, view, retake)
    if pose.base_T_flange is not None and view.pixels is not None and not closing:
        together += _unchanged_view(session, folder, pose.base_T_flange, view, retake)
    if pose.base_T_flange is not None and not any(i.code == "same-image" for i in together):
        together += _against_image(session, folder, pose, view, retake)
    return Draft(pose, view, (*pose.findings, *view.findings, *together), closing, retake)


def _numbered(
    session: Session, folder: Path, pose: PoseDraft, view: ViewDraft, retake: int | None
) -> ViewDraft:
    """Return the view with open numbers settled by where the recorded stations expect the board.

    It says that only a part is seen: the operator accepts that or takes a better image.
    """
    cell, detection = session.cell, view.detection
    if detection is None or not len(detection.choices) or pose.base_T_flange is None:
        return view
    made = predictor_for(session, folder, retake)
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
    others = tuple(item for item in view.findings if item.code != "board-missing")
    return replace(
        view,
        findings=(part, *others),
        point_ids=told.ids,
        pixels=told.pixels,
        detection=told,
    )


def _against_image(
    session: Session, folder: Path, pose: PoseDraft, view: ViewDraft, retake: int | None
) -> list[Finding]:
    """Return `does-not-fit` where the recorded stations say that the image shows another pose."""
    if pose.base_T_flange is None or (view.pixels is None and view.board_pose is None):
        return []
    seen = Observation(
        id=session.next_id if retake is None else retake,
        base_T_flange=pose.base_T_flange,
        point_ids=view.point_ids,
        pixels=view.pixels,
        camera_T_board=board_pose(view.board_pose),
    )
    fields = pose.typed or pose.joints
    made = predictor_for(session, folder, retake)
    return seen_findings(made, seen, None if fields is None else fields.fields)


def _unchanged_view(
    session: Session, folder: Path, pose: Array, view: ViewDraft, retake: int | None
) -> list[Finding]:
    """Return `same-image/unchanged` where the pose changed but the board in the image did not."""
    earlier = [s for s in session.stations if s.id != retake and s.points is not None]
    if not earlier or any(item.code == "same-image" for item in view.findings):
        return []
    last = earlier[-1]
    before = station_pose(session.cell, last)
    points = stored_points(session, folder, last)
    if before is None or points is None or view.pixels is None or view.point_ids is None:
        return []
    distance, angle = between(pose, before[None])
    angle_deg = float(np.degrees(angle[0]))
    if distance[0] < SMALL_MOVE_MM and angle_deg < SMALL_MOVE_DEG:
        return []
    _, here, there = np.intersect1d(view.point_ids, points[0], return_indices=True)
    if not len(here):
        return []
    shift = np.linalg.norm(view.pixels[here] - points[1][there], axis=1)
    if shift.max() > IMAGE_UNCHANGED_PX:
        return []
    return [
        finding(
            "same-image",
            "unchanged",
            other=last.id,
            distance_mm=f"{distance[0]:.0f}",
            angle_deg=f"{angle_deg:.1f}",
        )
    ]


def outstanding(
    findings: Iterable[Finding], accepted: Sequence[str], reason: str | None
) -> tuple[Finding, ...]:
    """Return the findings that still keep a station from being stored."""

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


def store(
    session: Session,
    folder: Path,
    draft: Draft,
    *,
    accepted: Sequence[str] = (),
    reason: str | None = None,
    operator: str | None = None,
    now: datetime,
) -> tuple[Session, Station]:
    """Store one station and return the new session and the station.

    Raises StationbookError when a finding still stands, so that nothing is ever stored by mistake.
    """
    standing = outstanding(draft.findings, accepted, reason)
    if standing:
        raise StationbookError(f"not stored: {standing[0].message}", standing[0].remedy)
    station_id = draft.retake if draft.retake is not None else session.next_id
    names, files = new_files(folder, f"{station_id:03d}", draft.view)
    seen, further = stored_views(session.cell, folder, station_id, draft.views)
    used = tuple(code for code in dict.fromkeys(accepted) if _has(draft.findings, code))
    station = Station(
        id=station_id,
        pose=draft.pose.typed.fields if draft.pose.typed else None,
        joints=draft.pose.joints.fields if draft.pose.joints else None,
        image=names.get("image"),
        points=names.get("points"),
        board_pose=draft.view.board_pose,
        taken=now.isoformat(timespec="seconds"),
        accepted=used,
        operator=operator if operator != session.operator else None,
        note=reason if used and reason else None,
        closing=draft.closing,
        views=seen,
    )
    action: dict[str, Any] = {
        "action": "record" if draft.retake is None else "retake",
        "who": operator or session.operator,
        "station": station_id,
        "typed": list(station.pose or station.joints or ()),
        "accepted": list(used),
        "reason": reason,
        "source": draft.view.name,
    }
    new = session.with_station(station)
    commit(folder, new, action, files | further, now)
    return new, station


def _has(findings: Iterable[Finding], code: str) -> bool:
    return any(item.code == code for item in findings)
