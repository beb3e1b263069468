"""Solving a session: the estimate, what the diagnosis makes of it, and the stored result."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from ..cell.result import StoredResult
from ..cell.session import Session, seen_by
from ..diagnosis.diagnose import diagnosed
from ..diagnosis.together import SolvedTogether, diagnosed_together
from ..estimate.problem import Problem, problem_from
from ..estimate.result import Result
from ..proof.touch import missing_numbers
from ..sessions.changes import Change, result_change
from ..sessions.folder import basis, observations
from ..sessions.results import input_hashes, result_document


@dataclass(frozen=True, slots=True, eq=False)
class Solved:
    """A result, how it is shown and stored, and the hashes of what it was computed from.

    ``others`` are the results of further cameras by name; ``stored`` holds them too.
    """

    result: Result
    stored: StoredResult
    inputs: dict[str, str]
    others: Mapping[str, Result] = field(default_factory=dict)

    def document(self) -> dict[str, Any]:
        """Return the result as plain data, as `solve` prints it."""
        return result_document(self.stored)


def solve_session(session: Session, folder: Path) -> Solved:
    """Return the result of the session in ``folder``; nothing is written.

    Raises FileError when a file that a station names is missing or damaged.
    """
    problems = session_problems(session, folder)  # first: its errors name the station
    inputs = input_hashes(session, folder)
    results = solve_problems(session, problems).results
    parts = [result.stored() for result in results]
    return solved_of(session, inputs, dict(zip(problems, results, strict=True)), parts)


def solved_of(
    session: Session,
    inputs: dict[str, str],
    results: Mapping[str, Result],
    parts: Sequence[StoredResult],
) -> Solved:
    """Return the results of the cameras as one; ``parts`` in the same order, the first one first.

    ``inputs`` are the hashes of what they were computed from. A further camera that saw no station
    has no part.
    """
    (_, first), *others = results.items()
    further = dict(zip(list(results)[1:], parts[1:], strict=True))
    cameras = {camera.name: further.get(camera.name) for camera in session.cell.cameras}
    stored = replace(parts[0], basis=basis(session), cameras=cameras)
    return Solved(first, stored, inputs, dict(others))


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
    return {s.id: s.typed for s in session.stations if s.use and s.typed}


def keep(solved: Solved, session: Session, folder: Path) -> Change | None:
    """Store the result of ``session``, the one before beside it; None: it is stored already."""
    document = solved.document() | {"inputs": solved.inputs}
    return result_change("solve", session, folder, document)
