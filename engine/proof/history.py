"""How a cell's results drift over months: every result against the first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from .compare import Difference


@dataclass(frozen=True, slots=True, eq=False)
class Entry:
    """One session: its name, when it was made (ISO 8601), and its difference from the first."""

    name: str
    created: str
    verdict: str
    proven: bool
    since_first: Difference | None

    def document(self) -> dict[str, Any]:
        """Return the entry as plain data."""
        movement = None if self.since_first is None else self.since_first.movement
        return {
            "name": self.name,
            "created": self.created,
            "verdict": self.verdict,
            "proven": self.proven,
            "position_mm": None if movement is None else movement.position_mm,
            "angle_deg": None if movement is None else movement.angle_deg,
            "work_volume_mm": None if movement is None else movement.work_volume_mm,
            "u_work_volume_mm": None if movement is None else movement.u_work_volume_mm,
            "agree": None if self.since_first is None else self.since_first.agree,
        }


def draw_history(entries: Sequence[Entry], tolerance_mm: float, path: Path) -> bytes:
    """Return the figure of a history in the format of ``path`` (svg, png or pdf).

    Drift at the work volume since the first result with U = 2u, over the day of each session, and
    the tolerance as a line. Raises ValueError for another format.
    """
    import io
    from datetime import datetime

    import matplotlib as mpl
    from matplotlib.figure import Figure

    days = [datetime.fromisoformat(entry.created).replace(tzinfo=None) for entry in entries]
    moves = [entry.since_first.movement if entry.since_first else None for entry in entries]
    drift = [0.0 if move is None else move.work_volume_mm for move in moves]
    expanded = [0.0 if move is None else 2 * move.u_work_volume_mm for move in moves]
    figure = Figure(figsize=(7.0, 3.5), layout="constrained")
    axes = figure.add_subplot()
    axes.errorbar(days, drift, yerr=expanded, fmt="o-", color="#0b6e6e", capsize=3)  # type: ignore[arg-type]
    axes.axhline(tolerance_mm, color="#1d2a33", linestyle="--", label="tolerance")
    axes.set_ylabel("drift at the work volume, mm (bars: U)")
    axes.set_ylim(bottom=0.0)
    axes.legend()
    figure.autofmt_xdate()
    out = io.BytesIO()
    with mpl.rc_context({"svg.hashsalt": "stationbook"}):
        figure.savefig(out, format=path.suffix.lstrip(".").lower())
    return out.getvalue()
