"""Solving a session: the estimate, what the diagnosis makes of it, and the stored result."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from ..cell.cameras import seen_by
from ..cell.session import Session
from ..diagnosis.diagnose import diagnosed
from ..diagnosis.together import SolvedTogether, diagnosed_together
from ..estimate.problem import Problem, problem_from
from ..estimate.result import Result
from ..findings import Finding, all_findings
from ..pendant.conventions import JOINTS
from ..proof.touch import missing_numbers
from ..sessions.folder import observations
from ..sessions.results import add_result, basis, input_hashes


@dataclass(frozen=True, slots=True, eq=False)
class Solved:
    """A result with the document that says so, and the hashes of what it was computed from.

    ``others`` are the results of further cameras by name; the document holds them too.
    """

    result: Result
    document: dict[str, Any]
    inputs: dict[str, str]
    others: Mapping[str, Result] = field(default_factory=dict)

    def findings(self) -> tuple[Finding, ...]:
        """Return all findings; those of a further camera name it."""
        return all_findings(self.document)


def solve_session(session: Session, folder: Path) -> Solved:
    """Return the result of the session in ``folder``; nothing is written.

    Raises FileError when a file that a station names is missing or damaged.
    """
    problems = session_problems(session, folder)  # first: its errors name the station
    inputs = input_hashes(session, folder)
    solved = solve_problems(session, problems)
    first, *further = solved.results
    others = dict(zip(list(problems)[1:], further, strict=True))
    further_documents = {name: result.document() for name, result in others.items()}
    document = first.document() | {"basis": basis(session)}
    document |= cameras_document(session, further_documents)
    return Solved(first, document, inputs, others)


def cameras_document(session: Session, others: Mapping[str, dict[str, Any]]) -> dict[str, Any]:
    """Return the key ``cameras`` of a solve document; nothing where the cell has one camera.

    ``others`` are the solve documents of further cameras by name.
    """
    names = [camera.name for camera in session.cell.cameras]
    if not names:
        return {}
    return {"cameras": {name: others.get(name) for name in names}}


def solve_problems(session: Session, problems: Mapping[str, Problem]) -> SolvedTogether:
    """Return the estimates of the cameras of a session, all together where there are several."""
    texts = typed_texts(session)
    if len(problems) == 1:
        return SolvedTogether(tuple(diagnosed(problem, texts) for problem in problems.values()))
    return diagnosed_together(list(problems.values()), [texts] * len(problems))


def session_problems(session: Session, folder: Path) -> dict[str, Problem]:
    """Return what is to be estimated by camera name, the first camera first. Raises FileError.

    A further camera that saw no station in use has no problem. A touched point belongs to the
    first camera.
    """
    problems = {session.cell.camera.name: session_problem(session, folder)}
    for camera in session.cell.cameras:
        own = seen_by(session, camera.name)
        if seen := observations(own, folder):
            problems[camera.name] = problem_from(own.cell, seen)
    return problems


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
