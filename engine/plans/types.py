"""A plan: the stations still to visit, each with its move, its reason and what it will bring."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

from ..arrays import Array
from ..cautions import PLAN
from ..cell.session import PlannedStation

FORMAT = 1  # version of the document
ENOUGH = 0.95  # [-] what leaves more of U of a pick than this is not worth the stop
LITTLE = (
    "Further stations help little: U of a pick {now} → about {after} mm by all of these. The "
    "result says what would help more."
)


@dataclass(frozen=True, slots=True)
class Spiral:
    """A fixed pattern about the middle of the view, this project's own.

    The stops wind outwards by the golden angle up to ``radius_mm`` from the middle while the board
    moves away through ``depth_mm`` along the camera's axis. At each the board leans outwards by
    ``tilt_deg`` against the line of sight, turned about it by −``turn_deg``, 0 and ``turn_deg`` one
    after the other.
    """

    radius_mm: float = 60.0
    depth_mm: float = 120.0
    tilt_deg: float = 25.0
    turn_deg: float = 60.0


@dataclass(frozen=True, slots=True, eq=False)
class Wish:
    """What is asked for.

    ``count`` further stations (None: what brings the session to eight); ``until_mm``: stop when
    the expanded uncertainty at the work volume is expected below it; ``close``: end at the first
    station's pose; ``spiral``: that pattern instead of chosen stations. ``avoid``: flange poses
    (4, 4) not to be offered, because somebody passed over them. ``kept``: poses planned before,
    which stay planned unless others are clearly better.
    """

    count: int | None = None
    until_mm: float | None = None
    close: bool = False
    spiral: Spiral | None = None
    avoid: tuple[Array, ...] = ()
    kept: tuple[Array, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Step:
    """One station to visit.

    ``by``: whether a person is told the jog only, or the pose too. ``pose`` are the fields as the
    pendant would show them and ``base_T_flange`` (4, 4) [mm] what they say. ``work_volume_mm`` and
    ``pick_mm`` are the standard uncertainties expected afterwards; None: not known. ``held``
    (k, axes) are the arm's postures there; None: no jog was worked out. ``beware``: what may go
    wrong on the way; whoever tells the move tells it too.
    """

    by: Literal["jog", "pose"]
    base_T_flange: Array
    pose: tuple[str, ...]
    jog: str
    why: str
    work_volume_mm: float | None = None
    pick_mm: float | None = None
    held: Array | None = None
    beware: str = ""

    def warned(self, text: str) -> Step:
        """Return the station with another warning in front of those it has."""
        return replace(self, beware="; ".join(filter(None, (text, self.beware))))

    def planned(self) -> PlannedStation:
        """Return the station as a session holds it: a pose only where a person may see one."""
        pose = self.pose if self.by == "pose" else None
        return PlannedStation(pose, self.jog or None, self.why, self.beware or None)

    def document(self) -> dict[str, Any]:
        """Return the station as plain data."""
        return {
            "by": self.by,
            "pose": list(self.pose),
            "jog": self.jog,
            "work_volume_mm_after": self.work_volume_mm,
            "beware": self.beware or None,
        }


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """Stations in the order of visiting; ``notes`` say what a person should know about them.

    ``now_mm`` is the standard uncertainty at the work volume before the first of them, None: not
    known; ``now_pick_mm`` that of a pick. ``chosen_mm``: for a spiral, what as many chosen stations
    would reach.
    """

    steps: tuple[Step, ...]
    notes: tuple[str, ...] = ()
    now_mm: float | None = None
    now_pick_mm: float | None = None
    chosen_mm: float | None = None
    cautions: tuple[str, ...] = PLAN

    @property
    def work_volume_mm(self) -> float | None:
        """Standard uncertainty at the work volume after the last station, None: not known."""
        return self.steps[-1].work_volume_mm if self.steps else self.now_mm

    def little(self) -> str:
        """Return that U of a pick hardly falls by all of these stations, or ""."""
        now, after = self.now_pick_mm, self.steps[-1].pick_mm if self.steps else None
        if now is None or after is None or after <= ENOUGH * now:
            return ""
        return LITTLE.format(now=f"{2 * now:.2g}", after=f"{2 * after:.2g}")

    def document(self) -> dict[str, Any]:
        """Return the plan as plain data."""
        return {
            "format": FORMAT,
            "stations": [step.document() for step in self.steps],
            "work_volume_mm": self.work_volume_mm,
        }
