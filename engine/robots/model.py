"""The robot as a cell file describes it: plain data, no kinematics."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

RobotKind = Literal["spherical-wrist", "scara", "level-flange", "chain"]
JointType = Literal["turn", "lift"]

ASSUMED_ACCURACY_MM = 0.5  # mm; an uncalibrated six-axis arm (Slamani, Nubiola, Bonev 2012: < 0.65)
ASSUMED_REPEATABILITY_MM = 0.05  # mm; the middle of 0.01 to 0.1 mm, common practice, no source


@dataclass(frozen=True, slots=True)
class ChainLink:
    """One link of a `chain` robot in Denavit-Hartenberg form [mm, deg]."""

    a_mm: float
    alpha_deg: float
    d_mm: float
    offset_deg: float = 0.0
    type: JointType = "turn"


@dataclass(frozen=True, slots=True)
class Robot:
    """A robot's geometry, limits and accuracy.

    ``geometry_mm`` holds a1 a2 b c1 c2 c3 c4 (spherical-wrist, level-flange; Brandstötter, Angerer,
    Hofbaur 2014) or l1 l2 z0 (scara). A model angle is direction · shown angle − offset, after
    ``coupling`` ({"J3": "J2"}: the shown J3 moves with J2). ``limits`` are (low, high) of the
    shown joints [deg, or mm for a lift]. ``accuracy_mm`` None: not given; 0: compensated.
    ``last_T_flange_mm_deg`` of an imported chain places the flange after the last link
    (x y z [mm], fixed-xyz angles [deg]); ``base_T_first_mm_deg`` the first joint in the base.
    ``file`` is where it was read from, relative to the cell or session, or None.
    """

    name: str
    kind: RobotKind
    geometry_mm: Mapping[str, float] = field(default_factory=dict)
    offsets_deg: tuple[float, ...] = ()
    directions: tuple[int, ...] = ()
    coupling: Mapping[str, str] | None = None
    limits: tuple[tuple[float, float], ...] = ()
    repeatability_mm: float | None = None
    accuracy_mm: float | None = None
    convention: Literal["standard", "modified"] | None = None
    links: tuple[ChainLink, ...] = ()
    base_T_first_mm_deg: tuple[float, ...] | None = None
    last_T_flange_mm_deg: tuple[float, ...] | None = None
    file: str | None = None

    def __hash__(self) -> int:
        return hash((self.name, self.kind, self.offsets_deg, self.limits, self.links))

    @property
    def axes(self) -> int:
        """Number of joints."""
        if self.kind == "chain":
            return len(self.links)
        return 6 if self.kind == "spherical-wrist" else 4

    @property
    def accuracy(self) -> float:
        """Absolute accuracy [mm, RMS of position]; the assumed one where none is given."""
        return ASSUMED_ACCURACY_MM if self.accuracy_mm is None else self.accuracy_mm

    @property
    def repeatability(self) -> float:
        """Repeatability [mm]; the assumed one where none is given."""
        given = self.repeatability_mm
        return ASSUMED_REPEATABILITY_MM if given is None else given
