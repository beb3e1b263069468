"""Rechecking a camera against an earlier session, by the stations of a new one."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from ..diagnosis.together import SolvedTogether
from ..errors import FileError, UsageError
from ..estimate.problem import Problem
from ..estimate.result import Result
from ..findings import finding
from ..proof.recheck import Recheck, mount_notes
from ..proof.recheck_cameras import recheck_cameras
from ..proof.revisit import RECHECK_COUNT, stations_to_revisit
from ..proof.same_cell import check_same
from ..sessions.cameras import cell_of
from ..sessions.folder import observations, open_session
from ..sessions.session import Session
from .solve import session_problems, solve_problems

CAUTIONS = (
    "Manual mode at reduced speed, nobody else inside the fence; after a bump the cell may not be "
    "as it was.",
    "Type only with the robot stopped and the enabling switch released.",
    "The robot maker's rules, the local rules and licensed practice come first.",
)


@dataclass(frozen=True, slots=True, eq=False)
class Earlier:
    """An earlier session, solved anew: its full covariance is not in result.yaml.

    ``problems`` by camera name, the first camera first; ``solved`` in the same order.
    """

    folder: Path
    session: Session
    problems: dict[str, Problem]
    solved: SolvedTogether

    @property
    def problem(self) -> Problem:
        """The first camera's problem."""
        return next(iter(self.problems.values()))

    @property
    def result(self) -> Result:
        """The first camera's result."""
        return self.solved.results[0]

    def of(self, name: str) -> Result | None:
        """Return the result of a camera, or None where there is none."""
        names = list(self.problems)
        return self.solved.results[names.index(name)] if name in names else None


def earlier(folder: Path) -> Earlier:
    """Return the earlier session in ``folder``. Raises FileError where it gives no result."""
    session = open_session(folder)
    problems = session_problems(session, folder)
    solved = solve_problems(session, problems)
    if not any(result.solved and result.noise is not None for result in solved.results):
        raise FileError(
            folder,
            "this session gives no result to compare with",
            "Name a session that has one, or do the full job.",
        )
    return Earlier(folder, session, problems, solved)


def recheck_session(
    session: Session, folder: Path, against: Path, visit: int | None = None
) -> dict[str, Recheck]:
    """Return whether each camera moved since the session in ``against``, by name, the first first.

    A further camera without new stations is left out. Without any station yet, or with ``visit``,
    says which (so many) stations to visit again. Raises UsageError where the sessions belong to
    different cells, FileError for what cannot be read.
    """
    old, first = earlier(against), session.cell.camera.name
    check_same(old.session.cell, session.cell)
    if visit is not None or not observations(session, folder):
        return {first: nothing_yet(old, RECHECK_COUNT if visit is None else visit)}
    problems = session_problems(session, folder)
    for name in list(problems)[1:]:
        check_same(cell_of(old.session.cell, name), cell_of(session.cell, name))
        if name not in old.problems:
            raise FileError(
                against,
                f"camera {name!r} saw no station in this session",
                "Name a session that has a result of it, or set its views aside.",
            )
    answers = recheck_cameras(old.solved, [problems.get(name) for name in old.problems])
    named = zip(old.problems, answers, strict=True)
    return {name: answer for name, answer in named if answer is not None}


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
