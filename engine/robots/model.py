"""The robot as a cell file describes it, and whether that describes an arm at all."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from ..errors import StationbookError

RobotKind = Literal["spherical-wrist", "scara", "level-flange", "chain"]
JointType = Literal["turn", "lift"]
SIX_AXIS_KEYS = ("a1", "a2", "b", "c1", "c2", "c3", "c4")
SCARA_KEYS = ("l1", "l2", "z0")
AXES = {"spherical-wrist": 6, "scara": 4, "level-flange": 4}

ASSUMED_ACCURACY_MM = 0.5  # mm; an uncalibrated six-axis arm (Slamani, Nubiola, Bonev 2012: < 0.65)
ASSUMED_REPEATABILITY_MM = 0.05  # mm; the middle of 0.01 to 0.1 mm, common practice, no source
LEAST_REPEATABILITY_MM = 0.005  # mm; no arm comes back better, common practice, no source


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
        return len(self.links) if self.kind == "chain" else AXES.get(self.kind, 4)

    @property
    def accuracy(self) -> float:
        """Absolute accuracy [mm, RMS of position]; the assumed one where none is given."""
        return ASSUMED_ACCURACY_MM if self.accuracy_mm is None else self.accuracy_mm

    @property
    def repeatability(self) -> float:
        """Repeatability [mm]; the assumed one where none is given, and never better than any."""
        given = self.repeatability_mm
        return ASSUMED_REPEATABILITY_MM if given is None else max(given, LEAST_REPEATABILITY_MM)


def checked(robot: Robot) -> Robot:
    """Return ``robot`` after checking it; raises StationbookError with key, value and remedy."""
    if robot.kind == "chain":
        _check_links(robot)
    elif robot.kind in AXES:
        _check_geometry(robot)
    else:
        kinds = ", ".join([*AXES, "chain"])
        raise StationbookError(f"robot.kind: {robot.kind!r} is not known", f"Use one of {kinds}.")
    _check_joints(robot)
    _check_coupling(robot)
    return robot


def _check_geometry(robot: Robot) -> None:
    needed = SCARA_KEYS if robot.kind == "scara" else SIX_AXIS_KEYS
    missing = [key for key in needed if key not in robot.geometry_mm]
    extra = [key for key in robot.geometry_mm if key not in needed]
    if missing or extra:
        wrong = f"{', '.join(missing)} missing" if missing else f"{', '.join(extra)} not known"
        raise StationbookError(
            f"robot.geometry_mm: {wrong}", f"A {robot.kind} robot needs {', '.join(needed)}."
        )
    _check_finite("robot.geometry_mm", list(robot.geometry_mm.values()))


def _check_links(robot: Robot) -> None:
    if robot.convention not in ("standard", "modified"):
        raise StationbookError(
            f"robot.convention: {robot.convention!r} is not known", "Use standard or modified."
        )
    if not robot.links:
        raise StationbookError("robot.links: empty", "Give one link per joint.")
    for number, link in enumerate(robot.links, start=1):
        key = f"robot.links, link {number}"
        _check_finite(key, [link.a_mm, link.alpha_deg, link.d_mm, link.offset_deg])
        if link.type not in ("turn", "lift"):
            raise StationbookError(f"{key}: type {link.type!r} is not known", "Use turn or lift.")
    for key in ("base_T_first_mm_deg", "last_T_flange_mm_deg"):
        values = getattr(robot, key)
        if values is not None and len(values) != 6:
            raise StationbookError(
                f"robot.{key}: {len(values)} numbers", "Give x y z in mm and three angles in deg."
            )
        _check_finite(f"robot.{key}", values or ())


def _check_joints(robot: Robot) -> None:
    for key in ("offsets_deg", "directions", "limits"):
        given = getattr(robot, key)
        if given and len(given) != robot.axes:
            name = "limits_deg" if key == "limits" else key
            raise StationbookError(
                f"robot.{name}: {len(given)} entries", f"This robot has {robot.axes} joints."
            )
    _check_finite("robot.offsets_deg", robot.offsets_deg)
    wrong = [value for value in robot.directions if value not in (1, -1)]
    if wrong:
        raise StationbookError(f"robot.directions: {wrong[0]!r}", "A direction is 1 or -1.")
    for number, (low, high) in enumerate(robot.limits, start=1):
        if math.isnan(low) or math.isnan(high) or low >= high:
            raise StationbookError(
                f"robot.limits_deg: J{number} has [{low:g}, {high:g}]",
                "Give the lower limit first.",
            )


def _check_coupling(robot: Robot) -> None:
    names = [f"J{k}" for k in range(1, robot.axes + 1)]
    for driven, carrier in (robot.coupling or {}).items():
        if driven not in names or carrier not in names or driven == carrier:
            raise StationbookError(
                f"robot.coupling: {{{driven}: {carrier}}} does not name two joints of this robot",
                "Write it as {J3: J2}.",
            )
        if carrier in (robot.coupling or {}):
            raise StationbookError(
                f"robot.coupling: {carrier} carries {driven} and is carried itself",
                "A joint that carries another must not be coupled.",
            )


def _check_finite(key: str, values: Sequence[float]) -> None:
    wrong = [value for value in values if not math.isfinite(value)]
    if wrong:
        raise StationbookError(f"{key}: {wrong[0]} is not a finite number", "Give a number.")
