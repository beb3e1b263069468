"""Solving a session: the estimate, what the diagnosis makes of it, and the stored result."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from ..diagnosis.diagnose import solve
from ..estimate.problem import Problem, problem_from
from ..estimate.result import Result
from ..pendant.conventions import JOINTS
from ..proof.placing import missing_numbers
from ..sessions.folder import observations
from ..sessions.results import add_result, input_hashes
from ..sessions.session import Session


@dataclass(frozen=True, slots=True, eq=False)
class Solved:
    """A result with the document that says so, and the hashes of what it was computed from."""

    result: Result
    document: dict[str, Any]
    inputs: dict[str, str]


def solve_session(session: Session, folder: Path) -> Solved:
    """Return the result of the session in ``folder``; nothing is written.

    Raises FileError when a file that a station names is missing or damaged.
    """
    problem = session_problem(session, folder)
    inputs = input_hashes(session, folder)
    result = solve(problem, typed_texts(session))
    return Solved(result, result.document(), inputs)


def session_problem(session: Session, folder: Path) -> Problem:
    """Return what is to be estimated from the session in ``folder``. Raises FileError."""
    problem = problem_from(session.cell, observations(session, folder))
    return replace(problem, touched=missing_numbers(session.cell, folder))


def typed_texts(session: Session) -> dict[int, tuple[str, ...]]:
    """Return the texts of each station in use: the pose, or the joints where those are typed."""
    joints = session.cell.pendant.rotation == JOINTS
    texts = {s.id: s.joints if joints else s.pose for s in session.stations if s.use}
    return {station: fields for station, fields in texts.items() if fields is not None}


def keep(solved: Solved, folder: Path, *, who: str | None, now: datetime) -> Path:
    """Store the result in the folder, the one before beside it; hold the folder's lock."""
    return add_result(folder, solved.document, solved.inputs, who=who, now=now)
