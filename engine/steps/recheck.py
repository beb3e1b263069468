"""Rechecking a camera against an earlier session, by the stations of a new one."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from ..diagnosis.diagnose import solve
from ..errors import FileError, UsageError
from ..estimate.problem import Problem, problem_from
from ..estimate.result import Result
from ..findings import finding
from ..proof.recheck import Recheck, mount_notes, recheck
from ..proof.revisit import RECHECK_COUNT, stations_to_revisit
from ..proof.same_cell import check_same
from ..sessions.folder import observations, open_session
from ..sessions.session import Session
from .solve import typed_texts

CAUTIONS = (
    "Manual mode at reduced speed, nobody else inside the fence; after a bump the cell may not be "
    "as it was.",
    "Type only with the robot stopped and the enabling switch released.",
    "The robot maker's rules, the local rules and licensed practice come first.",
)


@dataclass(frozen=True, slots=True, eq=False)
class Earlier:
    """An earlier session, solved anew: its full covariance is not in result.yaml."""

    folder: Path
    session: Session
    problem: Problem
    result: Result


def earlier(folder: Path) -> Earlier:
    """Return the earlier session in ``folder``. Raises FileError where it gives no result."""
    session = open_session(folder)
    problem = problem_from(session.cell, observations(session, folder))
    result = solve(problem, typed_texts(session))
    if not result.solved or result.noise is None:
        raise FileError(
            folder,
            "this session gives no result to compare with",
            "Name a session that has one, or do the full job.",
        )
    return Earlier(folder, session, problem, result)


def recheck_session(
    session: Session, folder: Path, against: Path, visit: int | None = None
) -> Recheck:
    """Return whether the camera moved since the session in ``against``.

    Without any station yet, or with ``visit``, says which (so many) stations to visit again. Raises
    UsageError where the sessions belong to different cells, FileError for what cannot be read.
    """
    old = earlier(against)
    check_same(old.session.cell, session.cell)
    seen = observations(session, folder)
    if not seen or visit is not None:
        return nothing_yet(old, RECHECK_COUNT if visit is None else visit)
    return recheck(old.result, problem_from(session.cell, seen))


def nothing_yet(old: Earlier, count: int) -> Recheck:
    """Return the answer before the first station: where to go."""
    if count < 1:
        raise UsageError(f"{count} stations to visit is too few", "Visit 1 or more.")
    ids = stations_to_revisit(old.result, old.problem, count)
    poses = "; ".join(f"{station}: {shown_pose(old.session, station)}" for station in ids)
    where = finding("recheck-stations", stations=ids, count=len(ids), poses=poses)
    return Recheck(
        None, "unclear", None, None, None, (), (where, *mount_notes(old.session.cell.board))
    )


def shown_pose(session: Session, station_id: int) -> str:
    """Return what the pendant showed at a station, with labels: "X 612.40 Y -85.10 ..."."""
    station = session.station(station_id)
    if station is None:
        return ""
    if station.pose is None:
        return " ".join(station.joints or ())
    labels = session.cell.pendant.labels
    return " ".join(f"{label} {text}" for label, text in zip(labels, station.pose, strict=False))
