"""Whether image and typed pose of a station belong together, as the recorded stations tell.

They tell by a fit that is made once per change of the session.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from ..arrays import Array
from ..cell.session import Session
from ..cell.stations import Observation, station_pose
from ..checks.entry import IMAGE_UNCHANGED_PX, SMALL_MOVE_DEG, SMALL_MOVE_MM, between
from ..checks.prediction import Predictor, prediction_findings, predictor
from ..errors import StationbookError
from ..findings import Finding, finding
from ..frames import from_position_quaternion
from ..sessions.folder import stored_points
from .solve import session_problem
from .station_image import ViewDraft
from .station_pose import PoseDraft

RECENT = 40  # stations that predict; older ones would change the prediction by less than its noise

KEPT = 4  # predictors kept: one for each camera of a cell, and one for a retake

_latest: list[tuple[Session, Path, int | None, Predictor | None]] = []


def predictor_for(session: Session, folder: Path, retake: int | None = None) -> Predictor | None:
    """Return the predictor of the stations in use, without ``retake``; None where it has nothing.

    Costs a solve, so the last few are kept: asking again for the same session costs nothing.
    May run in the background right after a station was stored.
    """
    for known, where, left_out, made in _latest:
        if where == folder and left_out == retake and known == session:
            return made
    made = _made(session, folder, retake)
    _latest[:] = [*_latest, (session, folder, retake, made)][-KEPT:]
    return made


def _made(session: Session, folder: Path, retake: int | None) -> Predictor | None:
    stations = tuple(s for s in session.stations if s.use and s.id != retake)[-RECENT:]
    if not stations:
        return None
    try:
        problem = session_problem(replace(session, stations=stations), folder)
        return predictor(problem, stations[-1].typed or None)
    except StationbookError:  # a damaged station is told by `check`; it predicts nothing
        return None


def together_findings(
    session: Session,
    folder: Path,
    pose: PoseDraft,
    view: ViewDraft,
    *,
    closing: bool = False,
    retake: int | None = None,
) -> list[Finding]:
    """Return what is to be said of a typed pose and an image that is held against it.

    Costs a few milliseconds once `predictor_for` this session was made.
    """
    found: list[Finding] = []
    if pose.base_T_flange is not None and view.pixels is not None and not closing:
        found += _unchanged_view(session, folder, pose.base_T_flange, view, retake)
    if not any(item.code == "same-image" for item in found):
        found += _misfit(session, folder, pose, view, retake)
    return found


def _misfit(
    session: Session, folder: Path, pose: PoseDraft, view: ViewDraft, retake: int | None
) -> list[Finding]:
    """Return `does-not-fit` where the recorded stations say that the image shows another pose."""
    if pose.base_T_flange is None or (view.pixels is None and view.board_pose is None):
        return []
    made = predictor_for(session, folder, retake)
    if made is None:
        return []
    board = view.board_pose
    seen = Observation(
        id=session.next_id if retake is None else retake,
        base_T_flange=pose.base_T_flange,
        point_ids=view.point_ids,
        pixels=view.pixels,
        camera_T_board=None if board is None else from_position_quaternion(board),
    )
    fields = pose.typed or pose.joints
    return prediction_findings(made, seen, None if fields is None else fields.fields)


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
            distance_mm=distance[0],
            angle_deg=angle_deg,
        )
    ]
