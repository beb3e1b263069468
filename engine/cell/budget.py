"""What the uncertainty of a pick is made of, as it is stored and told."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

# [-] of cases in which all corners of the work volume keep U of a pick. What is accepted is to be
# off by more in less than 1 %, and half of that is left to what no model of arm or lens holds.
KEPT = 0.995
KEPT_WORDS = f"{100 * KEPT:g} %"


@dataclass(frozen=True, slots=True)
class Part:
    """One contribution to the uncertainty of a pick: standard uncertainty at the worst corner."""

    name: str
    u_mm: float


@dataclass(frozen=True, slots=True)
class StoredBudget:
    """What u of a pick is made of; the squares of the parts add up (GUM).

    U of a pick is ``coverage_factor`` times their root, so that all corners of the work volume keep
    it in the share `KEPT` of cases. ``wider``: how much of that, over 2, is due to few stations, as
    in every other U; results of earlier versions hold nothing else in the factor. ``drift_u_mm`` is
    none of the parts: u of what a slow drift of camera or board, too small to show, may add to a
    pick after the last station. ``closing_stop``: whether one was made to show it.
    """

    parts: tuple[Part, ...] = ()
    degrees_of_freedom: float | None = None
    coverage_factor: float | None = None
    wider: float | None = None
    drift_u_mm: float | None = None
    closing_stop: bool | None = None

    @property
    def total_mm(self) -> float:
        """u of a pick [mm]: the root of the sum of the squares of all parts."""
        return sqrt(sum(part.u_mm**2 for part in self.parts))

    @property
    def k(self) -> float:
        """U of a pick over u."""
        return self.coverage_factor or 2.0

    @property
    def stated_wider(self) -> float:
        """How much larger u is stated than the covariance says, so that U = 2u holds 95 %."""
        return self.wider or self.k / 2.0

    @property
    def stated_mm(self) -> float:
        """u of a pick [mm] as any other is stated: without what all corners at once take more."""
        return self.stated_wider * self.total_mm

    def drift_words(self) -> str:
        """Return what a slow drift may add that is not in U, and whether it was looked for."""
        if self.closing_stop is None:
            return ""
        told = "Not in U: a slow drift of camera or board over the session"
        how = "with the closing stop" if self.closing_stop else "without a closing stop"
        if self.drift_u_mm is None:
            return f"{told}; {how} none would show along some direction."
        size = 2.0 * self.stated_wider * self.drift_u_mm
        return f"{told}; {how} up to {size:.2g} mm of it at a pick would not show (95 %)."

    def share(self, part: Part) -> str:
        """Return what share of u² a part is, in words."""
        total = self.total_mm
        if not total:
            return "–"
        percent_of = 100.0 * (part.u_mm / total) ** 2
        return "below 1 %" if percent_of < 0.5 else f"{percent_of:.0f} %"
