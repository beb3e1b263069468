"""Solving a session: the estimate, what the diagnosis makes of it, and the stored result."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from ..cell.cameras import seen_by
from ..cell.session import Session
from ..diagnosis.diagnose import solve
from ..diagnosis.together import SolvedTogether, solve_together
from ..estimate.problem import Problem, problem_from
from ..estimate.result import Result
from ..findings import Finding, all_findings
from ..proof.touch import missing_numbers
from ..sessions.changes import Change
from ..sessions.folder import observations
from ..sessions.results import basis, input_hashes, result_kept


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
        return SolvedTogether(tuple(solve(problem, texts) for problem in problems.values()))
    return solve_together(list(problems.values()), [texts] * len(problems))


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
    return {s.id: s.typed for s in session.stations if s.use and s.typed}


def keep(solved: Solved, session: Session, folder: Path) -> Change | None:
    """Store the result of ``session``, the one before beside it; None: it is stored already."""
    return result_kept(session, folder, solved.document, solved.inputs)
