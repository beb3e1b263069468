"""The last result of a session, whether it still belongs to it, and what to do next."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path

from engine.cell.result import StoredResult
from engine.cell.session import PlannedStation, Session
from engine.errors import FileError
from engine.estimate.solver import LEAST_STATIONS
from engine.findings import Finding, Level
from engine.plans.types import ENOUGH, Step, Wish
from engine.sessions.results import moved_since, read_result, with_marks
from engine.steps.planning import passed_over, plan_session, revised
from engine.steps.solve import Solved, solve_session
from engine.steps.station_pose import predictor_for


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """What was found for ``session``, as the screen shows it."""

    session: Session
    solved: Solved
    kept: bool = False  # it stands in result.yaml
    marks: Mapping[str, Finding] = field(default_factory=dict)  # cameras that moved since

    @property
    def stored(self) -> StoredResult:
        """The result as it is shown, beside the marks; without them, it is stored."""
        return with_marks(self.solved.stored, self.marks, self.session)

    @property
    def findings(self) -> tuple[Finding, ...]:
        """The findings of all cameras; those of a further one name it."""
        return self.stored.all_findings

    def saying(self, stored: StoredResult) -> Solution:
        """Return the solution as ``stored`` says it now, without the hashes that a file adds."""
        return replace(self, solved=replace(self.solved, stored=replace(stored, inputs=None)))


def lacks_number(stored: StoredResult) -> bool:
    """Tell whether the stations leave a direction open, which one touched point can give."""
    return any(f.code == "unobservable" and f.level is Level.ERROR for f in stored.findings)


def solvable(session: Session | None) -> bool:
    """Tell whether there are enough stations to try."""
    stations = session.stations if session else ()
    return sum(bool(s.use and (s.points or s.board_pose)) for s in stations) >= LEAST_STATIONS


def solve(session: Session, folder: Path) -> Solution:
    """Solve a session; nothing is stored. May take seconds. Raises StationbookError."""
    return Solution(session, solve_session(session, folder), marks=moved_since(session, folder))


def as_stored(solution: Solution, folder: Path) -> Solution:
    """Return what result.yaml says, where it speaks of the session as it is; else ``solution``.

    Stations alone know neither the touches that proved a result, nor the board's old place that a
    quick re-calibration trusted.
    """
    with suppress(FileError):
        result = read_result(folder)
        if result.inputs == solution.solved.inputs:
            return replace(solution.saying(result), kept=True)
    return solution


def foresee(session: Session, folder: Path, solution: Solution | None) -> None:
    """Make ready what the next pose is held against, so that typing need not wait.

    A fit of all stations is taken over; one with an error at some of them is no fit of all.
    """
    whole = (
        solution is not None
        and solution.session is session
        and not session.cell.cameras
        and not any(item.level is Level.ERROR for item in solution.findings)
    )
    predictor_for(session, folder, found=solution.solved.result if solution and whole else None)


@dataclass(frozen=True, slots=True, eq=False)
class Advice:
    """Stations proposed after those of ``session``, and what a person should know about them.

    ``pick_mm`` is U = 2u of a pick now; None: not known.
    """

    session: Session
    steps: tuple[Step, ...]
    notes: tuple[str, ...]
    pick_mm: float | None = None

    @property
    def planned(self) -> tuple[PlannedStation, ...]:
        return tuple(step.planned() for step in self.steps)

    @property
    def enough(self) -> bool:
        """Whether the next station would hardly help any more."""
        after = self.after(0)
        return after is not None and self.pick_mm is not None and after > ENOUGH * self.pick_mm

    def after(self, index: int) -> float | None:
        """Return the U = 2u of a pick [mm] expected after a proposed station, or None."""
        pick = self.steps[index].pick_mm if index < len(self.steps) else None
        return None if pick is None else 2 * pick

    def less(self, planned: PlannedStation) -> Advice:
        return replace(self, steps=tuple(s for s in self.steps if s.planned() != planned))


def advise(session: Session, folder: Path, solution: Solution | None) -> Advice:
    """Revise what is left of the plan, or propose stations; takes up to some seconds.

    Raises StationbookError.
    """
    if solution is not None and solution.session is not session:
        solution = None
    result = None if solution is None else solution.solved.result
    plan = revised(session, folder, result) or plan_session(
        session, folder, Wish(avoid=passed_over(session)), result
    )
    pick = None if solution is None else solution.stored.expanded_mm
    return Advice(session, plan.steps, plan.notes, pick)
