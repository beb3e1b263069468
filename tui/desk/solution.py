"""The last result of a session, and whether it still belongs to it."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from engine.cell.result import StoredResult
from engine.cell.session import Session
from engine.errors import FileError
from engine.findings import Finding
from engine.sessions.stored_result import read_result
from engine.steps.solve import Solved, solve_session

LEAST_STATIONS = 3  # two turns between stations are the least that fixes two transforms


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """What was found for ``session``, as the screen shows it."""

    session: Session
    solved: Solved

    @property
    def stored(self) -> StoredResult:
        """The result as it is shown and stored."""
        return self.solved.stored

    @property
    def findings(self) -> tuple[Finding, ...]:
        """The findings of all cameras; those of a further one name it."""
        return self.stored.all_findings

    def saying(self, stored: StoredResult) -> Solution:
        """Return the solution as ``stored`` says it now, without the hashes that a file adds."""
        return replace(self, solved=replace(self.solved, stored=replace(stored, inputs=None)))


def solvable(session: Session | None) -> bool:
    """Tell whether there are enough stations to try."""
    stations = session.stations if session else ()
    return sum(bool(s.use and (s.points or s.board_pose)) for s in stations) >= LEAST_STATIONS


def solve(session: Session, folder: Path) -> Solution:
    """Solve a session; nothing is stored. May take seconds. Raises StationbookError."""
    return Solution(session, solve_session(session, folder))


def as_stored(solution: Solution, folder: Path) -> Solution:
    """Return what result.yaml says, where it speaks of the session as it is; else ``solution``.

    Stations alone know neither the touches that proved a result, nor the board's old place that a
    quick re-calibration trusted.
    """
    with suppress(FileError):
        result = read_result(folder)
        if result.inputs == solution.solved.inputs:
            return solution.saying(result)
    return solution
