"""The last result of a session, and whether it still belongs to it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from engine.findings import Finding

if TYPE_CHECKING:
    from engine.sessions.session import Session
    from engine.steps.solve import Solved

LEAST_STATIONS = 3  # two turns between stations are the least that fixes two transforms


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """What was found for ``session``, as the screen shows it.

    ``document`` is the solve document; ``shown`` its transforms as the pendant would show them.
    """

    session: Session
    solved: Solved
    findings: tuple[Finding, ...]
    shown: Mapping[str, Sequence[str]] = field(default_factory=dict)

    @property
    def document(self) -> Mapping[str, Any]:
        """The solve document."""
        return self.solved.document

    @property
    def expanded_mm(self) -> float | None:
        """U = 2u of a pick [mm], or None where it is not known."""
        u: float | None = self.document["uncertainty"]["pick_mm"]
        return None if u is None else 2 * u


def solvable(session: Session | None) -> bool:
    """Tell whether there are enough stations to try."""
    stations = session.stations if session else ()
    return sum(bool(s.use and (s.points or s.board_pose)) for s in stations) >= LEAST_STATIONS


def solve(session: Session, folder: Path) -> Solution:
    """Solve a session; nothing is stored. May take seconds. Raises StationbookError."""
    from engine.pendant.entry import format_pose
    from engine.steps.solve import solve_session

    solved = solve_session(session, folder)
    cell, result = session.cell, solved.result
    shown = {
        key: format_pose(T, cell.pendant)
        for key, T in ((cell.camera_key, result.camera), (cell.board_key, result.board))
        if cell.pendant.rotation not in ("joints", "yaw") and _known(solved.document[key])
    }
    return Solution(session, solved, result.findings, shown)


def _known(placed: Mapping[str, Any] | None) -> bool:
    return (
        placed is not None
        and placed["quaternion_xyzw"] is not None
        and None not in (placed["position_mm"])
    )
