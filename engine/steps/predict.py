"""What the recorded stations say about the next one: a fit made once per change of the session."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from ..arrays import Array
from ..cell.session import Session, Station
from ..cell.stations import Observation
from ..checks.prediction import Predictor, prediction_findings, predictor
from ..errors import StationbookError
from ..findings import Finding
from ..frames import from_position_quaternion
from ..pendant.conventions import JOINTS
from .solve import session_problem

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
        return predictor(problem, _fields(session, stations[-1]))
    except StationbookError:  # a damaged station is told by `check`; it predicts nothing
        return None


def _fields(session: Session, station: Station) -> tuple[str, ...] | None:
    return station.joints if session.cell.pendant.rotation == JOINTS else station.pose


def seen_findings(
    made: Predictor | None, seen: Observation, fields: tuple[str, ...] | None
) -> list[Finding]:
    """Return what the image of ``seen`` says against its typed pose; costs a few milliseconds."""
    return [] if made is None else prediction_findings(made, seen, fields)


def board_pose(values: tuple[float, ...] | None) -> Array | None:
    """Return camera_T_board (4, 4) of a reported pose, or None."""
    return None if values is None else from_position_quaternion(values)
