"""What touching said about a result, as result.yaml holds it, and how that is told in a word."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Literal

from .rule import Decision

REFUTED = ("proof-disagrees", "proof-tolerance")  # findings by which touches speak against a result
ByTouch = Literal["proven", "failed", "no longer", "not yet", "not known"]
TOUCHED: dict[ByTouch, str] = {  # behind "proven by touch points"
    "proven": "yes",
    "failed": "NO, the proof FAILED: touched points lie elsewhere than the result says",
    "no longer": "no longer: it was, before the camera moved or the session changed",
    "not yet": "not yet",
    "not known": "not known",
}

Place = Annotated[tuple[float, ...], 3]  # x y z


@dataclass(frozen=True, slots=True)
class TouchedPoint:
    """One touch [mm], base axes: the point in words, where it was touched, how far it was seen off.

    ``error_mm`` is camera less touched, with its size and U; ``claimed_mm`` is U without the
    pointer's part, ``measured_mm`` U of the touch alone.
    """

    touch: int
    point: str
    place_mm: Place
    error_mm: Place
    size_mm: float
    expanded_mm: float
    agrees: bool
    claimed_mm: float | None = None
    measured_mm: float | None = None

    @property
    def seen_mm(self) -> Place:
        """Where the camera put the point, base axes."""
        return tuple(a + b for a, b in zip(self.place_mm, self.error_mm, strict=True))


@dataclass(frozen=True, slots=True)
class RepeatedPoint:
    """A point touched more than once: accuracy and repeatability [mm]."""

    point: str
    count: int
    accuracy_mm: float
    repeatability_mm: float


@dataclass(frozen=True, slots=True)
class Pointer:
    """A calibrated pointer: its tip in the flange frame [mm], and u on each axis [mm].

    ``covariance_mm2`` (3, 3), flange axes, of a point touched with it; None: u on each axis alike.
    """

    tip_mm: Place
    u_mm: float
    covariance_mm2: Annotated[tuple[Place, ...], 3] | None = None


@dataclass(frozen=True, slots=True)
class StoredProof:
    """What touching said about the result, and the hashes of what it was concluded from.

    ``bias_t``: Student's t of the mean error along each base axis, by the scatter of the points.
    ``left_out``: touches that were made too, and taken out by hand.
    """

    proven: bool
    points: tuple[TouchedPoint, ...]
    mean_mm: float | None
    max_mm: float | None
    mean_error_mm: Place | None
    repeated: tuple[RepeatedPoint, ...]
    pointer: Pointer
    tolerance_mm: float
    inputs: Mapping[str, str] = field(default_factory=dict)
    decision: Decision | None = None
    bias_t: Place | None = None
    left_out: tuple[int, ...] = ()

    @property
    def left_out_words(self) -> str:
        """Which touches were taken out by hand, as a sentence; "" for none."""
        listed = ", ".join(map(str, self.left_out))
        touches = "touch" if len(self.left_out) == 1 else "touches"
        return f"Left out by hand: {touches} {listed}." if listed else ""
