"""The last result of a session, and whether it still belongs to it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from engine.cell.cameras import cell_of
from engine.cell.cell import Cell
from engine.cell.session import Session
from engine.errors import FileError
from engine.findings import Finding, all_findings
from engine.pendant.entry import format_pose
from engine.sessions.results import read_result
from engine.steps.solve import Solved, solve_session

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
        """U = 2u of a pick [mm] by the worst camera, or None where it is not known."""
        parts = [self.document, *(part for _, part, _ in self.further())]
        values = [part["uncertainty"]["pick_mm"] for part in parts]
        return None if None in values else 2 * max(values)

    def further(self) -> list[tuple[str, Mapping[str, Any], Mapping[str, Sequence[str]]]]:
        """Return name, document and `shown` of each further camera that saw stations."""
        cell = self.session.cell
        parts = (self.document.get("cameras") or {}).items()
        return [(name, part, as_shown(cell_of(cell, name), part)) for name, part in parts if part]

    def with_document(self, document: Mapping[str, Any]) -> Solution:
        """Return the solution as ``document`` states it now."""
        findings = all_findings(document)
        solved = replace(self.solved, document=dict(document))
        shown = as_shown(self.session.cell, document)
        return replace(self, solved=solved, findings=findings, shown=shown)


def solvable(session: Session | None) -> bool:
    """Tell whether there are enough stations to try."""
    stations = session.stations if session else ()
    return sum(bool(s.use and (s.points or s.board_pose)) for s in stations) >= LEAST_STATIONS


def solve(session: Session, folder: Path) -> Solution:
    """Solve a session; nothing is stored. May take seconds. Raises StationbookError."""
    return stated(session, solve_session(session, folder))


def stated(session: Session, solved: Solved) -> Solution:
    """Return a result of ``session`` with its transforms as the pendant would show them."""
    shown = as_shown(session.cell, solved.document)
    return Solution(session, solved, solved.findings(), shown)


def as_stored(solution: Solution, folder: Path) -> Solution:
    """Return what result.yaml says, where it speaks of the session as it is; else ``solution``.

    Stations alone know neither the touches that proved a result, nor the board's old place that a
    quick re-calibration trusted.
    """
    with suppress(FileError):
        document = read_result(folder)
        if document.pop("inputs", None) == solution.solved.inputs:
            return solution.with_document(document)
    return solution


def as_shown(cell: Cell, document: Mapping[str, Any]) -> dict[str, tuple[str, ...]]:
    """Return the transforms of a solve document as the pendant would show them."""
    return {
        key: format_pose(np.array(document[key]["matrix"], float), cell.pendant)
        for key in (cell.camera_key, cell.board_key)
        if cell.pendant.rotation not in ("joints", "yaw") and _known(document[key])
    }


def _known(placed: Mapping[str, Any] | None) -> bool:
    return (
        placed is not None
        and placed["quaternion_xyzw"] is not None
        and None not in (placed["position_mm"])
    )
