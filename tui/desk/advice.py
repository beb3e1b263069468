"""What to do next: the plan, chosen again as stations come."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from engine.cell.session import PlannedStation, Session
from engine.plans.types import Step, Wish
from engine.steps.planning import passed_over, plan_session, revised
from engine.steps.station_pose import predictor_for

from .solution import Solution

ENOUGH = 0.95  # [-] a next station that leaves more of U than this is not worth the stop


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
        """The proposed stations as a session holds them."""
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
        """Return the advice without one station."""
        return replace(self, steps=tuple(s for s in self.steps if s.planned() != planned))


def advise(session: Session, folder: Path, solution: Solution | None) -> Advice:
    """Revise what is left of the plan, or propose stations; takes up to some seconds.

    Raises StationbookError.
    """
    plan = revised(session, folder) or plan_session(
        session, folder, Wish(avoid=passed_over(session))
    )
    fits = solution is not None and solution.session is session
    pick = solution.stored.expanded_mm if solution is not None and fits else None
    return Advice(session, plan.steps, plan.notes, pick)


def predict(session: Session, folder: Path) -> None:
    """Make what the next pose is checked against, so that typing need not wait for it."""
    predictor_for(session, folder)
