"""What touching points says about a result, and stations that the fit never saw.

The camera says where a point is (p_camera, carried into the base by the delivered transform), the
robot says where its pointer's tip touched it. Their difference is what a pick would be off there.
Its uncertainty joins the result's own covariance, the image, the pointer, the robot's noise at the
stops and its systematic error; U = 2u (GUM). Positioning accuracy and repeatability are in the
forms of ISO 9283:1998 (from memory): accuracy is the distance of the barycentre of repeated touches
from where they should be, repeatability RP = mean + 3 S of their distances from the barycentre.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from ..arrays import Array
from ..cell.cell import EYE_TO_HAND, Cell, Mount, WorkVolume
from ..cell.result import Pointer, RepeatedPoint, StoredProof, StoredResult, TouchedPoint
from ..errors import UsageError
from ..estimate.assemble import LEAST_TOUCHES
from ..estimate.information import predict_flange
from ..estimate.problem import Problem, point_rows
from ..estimate.result import Result
from ..findings import Finding, by_gravity, finding
from ..frames import AXES, apply, displacement
from ..sessions.results import PROOF
from ..tails import chi2_sf
from .stated import Stated
from .touch import Placed, Touches, placed_touches, touched_at

SPREAD = 0.5  # [-] of each side of the work volume that the points must span; common practice
CODES = ("not-proven", "proven", "proof-disagrees", "proof-tolerance")


@dataclass(frozen=True, slots=True, eq=False)
class PointError:
    """One touch compared: ``error`` (3,) [mm], camera minus robot, base axes, and U of its length.

    ``p_base`` (3,) where it was touched, ``p_camera`` (3,) where it was seen; ``agrees``: the
    error lies within U.
    """

    touch: int
    point: str
    p_base: Array
    p_camera: Array
    error: Array
    expanded_mm: float

    @property
    def size_mm(self) -> float:
        """Length of the error [mm]."""
        return float(np.linalg.norm(self.error))

    @property
    def agrees(self) -> bool:
        """Whether the error lies within its expanded uncertainty."""
        return self.size_mm <= self.expanded_mm


def point_error(placed: Placed, result: Stated, mount: Mount, pointer: Pointer) -> PointError:
    """Return how far camera and robot disagree about one touched point."""
    tip = np.array(pointer.tip_mm)
    p_base = touched_at(placed.base_T_flange, tip)
    looked = np.eye(4) if mount == EYE_TO_HAND or placed.looked is None else placed.looked
    base_T_camera = looked @ result.camera
    error = apply(base_T_camera, placed.p_camera[None])[0] - p_base
    return PointError(
        touch=placed.touch,
        point=placed.point,
        p_base=p_base,
        p_camera=placed.p_camera,
        error=error,
        expanded_mm=2.0 * float(np.sqrt(_variance(placed, result, mount, tip, pointer.u_mm))),
    )


def _variance(placed: Placed, result: Stated, mount: Mount, tip: Array, tip_u_mm: float) -> float:
    """Return the variance [mm²] of one error: the trace of its covariance."""
    rows = point_rows(result.camera, placed.p_camera[None])[0]
    total = float(np.trace(rows @ result.covariance @ rows.T)) + placed.camera_variance
    total += 3.0 * tip_u_mm**2 + result.systematic_mm**2 + _stop(result, tip)
    if mount != EYE_TO_HAND:
        total += _stop(result, apply(result.camera, placed.p_camera[None])[0])
    return total


def _stop(result: Stated, lever: Array) -> float:
    """Return the variance [mm²] that one stop's robot noise gives a point ``lever`` away (3,)."""
    return 3.0 * result.robot_mm**2 + 2.0 * result.robot_rad**2 * float(lever @ lever)


def repeated(errors: Sequence[PointError]) -> tuple[RepeatedPoint, ...]:
    """Return accuracy and repeatability of every point that was touched twice or more."""
    found = []
    for point in dict.fromkeys(item.point for item in errors):
        group = np.array([item.error for item in errors if item.point == point])
        if len(group) < 2:
            continue
        centre = group.mean(axis=0)
        off = np.linalg.norm(group - centre, axis=1)
        spread = float(off.mean() + 3.0 * off.std(ddof=1))
        found.append(RepeatedPoint(point, len(group), float(np.linalg.norm(centre)), spread))
    return tuple(found)


def point_errors(
    cell: Cell, found: Touches, pointer: Pointer, result: Stated, folder: Path
) -> tuple[PointError, ...]:
    """Return the error of every touch that serves as proof, in the order touched.

    Where the board looks the same turned, each view takes the turn under which its touches agree
    best: the wrong ones are off by the size of the board. Raises FileError.
    """
    errors: list[PointError] = []
    touches = found.of_role("proof")
    for view in dict.fromkeys(touch.view for touch in touches):
        group = [touch for touch in touches if touch.view == view]
        choices = [
            [point_error(placed, result, cell.mount, pointer) for placed in alternative]
            for alternative in placed_touches(cell, found, group, result.pixel_px, folder)
        ]
        errors += min(choices, key=lambda items: sum(item.size_mm**2 for item in items))
    return tuple(sorted(errors, key=lambda item: item.touch))


@dataclass(frozen=True, slots=True, eq=False)
class Proof:
    """What touching says: errors by touch, repeats, findings; ``proven`` only where all agree."""

    errors: tuple[PointError, ...]
    repeats: tuple[RepeatedPoint, ...]
    pointer: Pointer
    tolerance_mm: float
    proven: bool
    findings: tuple[Finding, ...]

    @property
    def mean_mm(self) -> float | None:
        """Mean size of the errors [mm], None without any."""
        return float(np.mean([item.size_mm for item in self.errors])) if self.errors else None

    @property
    def max_mm(self) -> float | None:
        """Largest error [mm], None without any."""
        return max((item.size_mm for item in self.errors), default=None)

    def stored(self, inputs: Mapping[str, str] | None = None) -> StoredProof:
        """Return the proof as a result holds it; ``inputs``: hashes of what it rests on."""
        errors = [item.error for item in self.errors]
        return StoredProof(
            proven=self.proven,
            points=tuple(map(_point, self.errors)),
            mean_mm=self.mean_mm,
            max_mm=self.max_mm,
            mean_error_mm=tuple(np.mean(errors, axis=0).tolist()) if errors else None,
            repeated=self.repeats,
            pointer=self.pointer,
            tolerance_mm=self.tolerance_mm,
            inputs=inputs or {},
        )

    def document(self) -> dict[str, Any]:
        """Return the proof as plain data."""
        said = [item.document() for item in self.findings]
        return {"format": 1, **PROOF.write(self.stored()), "findings": said}


def _point(item: PointError) -> TouchedPoint:
    return TouchedPoint(
        touch=item.touch,
        point=item.point,
        place_mm=tuple(item.p_base.tolist()),
        error_mm=tuple(item.error.tolist()),
        size_mm=item.size_mm,
        expanded_mm=item.expanded_mm,
        agrees=item.agrees,
    )


def concluded(
    errors: Sequence[PointError], cell: Cell, pointer: Pointer, *, fixed: bool = False
) -> Proof:
    """Return what the touched points prove about a result in ``cell``.

    ``fixed``: the same pointer set a number that the stations do not show. It is off at these
    points by as much as it was there, so nothing is proven along that direction.
    """
    missing = missing_for_proof(errors, cell, pointer)
    if fixed:
        missing.append(finding("not-proven", "own-pointer"))
    wrong = _wrong(errors, cell.tolerance.position_mm)
    proven = not missing and not wrong
    said = [finding("proven", count=_places(errors), worst=_worst(errors))] if proven else []
    return Proof(
        errors=tuple(errors),
        repeats=repeated(errors),
        pointer=pointer,
        tolerance_mm=cell.tolerance.position_mm,
        proven=proven,
        findings=tuple(by_gravity([*wrong, *missing, *said])),
    )


def missing_for_proof(errors: Sequence[PointError], cell: Cell, pointer: Pointer) -> list[Finding]:
    """Return what is missing before agreement proves anything."""
    found = []
    count = _places(errors)
    if count < LEAST_TOUCHES:
        found.append(finding("not-proven", "few", count=count, least=LEAST_TOUCHES))
    narrow = _narrow(errors, cell.work_volume) if count else []
    if count >= LEAST_TOUCHES and narrow:
        found.append(finding("not-proven", "spread", spans="; ".join(narrow)))
    tip, limit = 2.0 * np.sqrt(3.0) * pointer.u_mm, cell.tolerance.position_mm
    if tip > limit:
        found.append(finding("not-proven", "pointer", expanded=tip, tolerance=limit))
    return found


def _wrong(errors: Sequence[PointError], tolerance: float) -> list[Finding]:
    """Return `proof-disagrees` and `proof-tolerance` where points say so."""
    found = []
    if off := [item for item in errors if not item.agrees]:
        worst = max(off, key=lambda item: item.size_mm / item.expanded_mm)
        size, U = worst.size_mm, worst.expanded_mm
        found.append(finding("proof-disagrees", touches=_touches(off), worst=size, expanded=U))
    if beyond := [item for item in errors if item.size_mm > tolerance]:
        words, size = _touches(beyond), _worst(beyond)
        found.append(finding("proof-tolerance", touches=words, worst=size, tolerance=tolerance))
    return found


def _touches(errors: Sequence[PointError]) -> str:
    return ", ".join(str(item.touch) for item in errors)


def _places(errors: Sequence[PointError]) -> int:
    """Return how many different points were touched: repeats do not count."""
    return len({item.point for item in errors})


def _worst(errors: Sequence[PointError]) -> float:
    return max(item.size_mm for item in errors)


def _narrow(errors: Sequence[PointError], volume: WorkVolume) -> list[str]:
    """Return the axes of the work volume along which the points span too little, in words."""
    places: Array = np.array(
        [item.p_base if volume.frame == "base" else item.p_camera for item in errors]
    )
    spans = np.ptp(places, axis=0)
    return [
        f"{span:.0f} mm along {volume.frame} {axis}, {SPREAD * size:.0f} mm are needed"
        for axis, span, size in zip(AXES, spans, volume.size_mm, strict=True)
        if span < SPREAD * size
    ]


def amended(
    result: StoredResult, proof: Proof, cell: Cell, inputs: Mapping[str, str]
) -> StoredResult:
    """Return the result with the proof in it, and the verdict that follows.

    What an earlier proof said is replaced. Disagreement takes the acceptance away; agreement never
    gives it to a result whose own uncertainty or findings forbid it.
    """
    kept = [item for item in result.findings if item.code not in CODES]
    judged = result.judged([*proof.findings, *kept], cell.tolerance)
    return replace(judged, proven=proof.proven, proof=proof.stored(inputs))


SIGNIFICANCE = 0.01  # [-] chance that stations which are right are said to disagree, all together


@dataclass(frozen=True, slots=True)
class HeldOut:
    """One station left out: distance of its typed pose from the predicted one, and U of it.

    ``chance`` [-] of a distance as unlikely as this one where all is well.
    """

    station: int
    distance_mm: float
    angle_deg: float
    expanded_mm: float
    expanded_deg: float
    chance: float

    def document(self) -> dict[str, Any]:
        """Return the station as plain data."""
        return {name: getattr(self, name) for name in self.__slots__}


def split(problem: Problem, stations: tuple[int, ...]) -> tuple[Problem, Problem]:
    """Return the problem without ``stations``, and with them alone. Raises UsageError."""
    known = {seen.id for seen in problem.observations}
    unknown = sorted(set(stations) - known)
    if unknown:
        listed = ", ".join(map(str, sorted(known)))
        raise UsageError(f"there is no station {unknown[0]} in use", f"Stations in use: {listed}.")
    kept = tuple(seen for seen in problem.observations if seen.id not in stations)
    out = tuple(seen for seen in problem.observations if seen.id in stations)
    return replace(problem, observations=kept), replace(problem, observations=out)


def held_out(result: Result, problem: Problem, left_out: Problem) -> tuple[HeldOut, ...]:
    """Return each station of ``left_out`` compared with what ``result`` of ``problem`` predicts.

    Raises SolveError where the rest does not solve or an image gives no pose.
    """
    found = []
    for seen in left_out.observations:
        expected, covariance = predict_flange(result, problem, seen)
        off = displacement(seen.base_T_flange, expected)
        sd = np.sqrt([np.trace(covariance[k, k]) for k in (slice(3), slice(3, 6))])
        found.append(
            HeldOut(
                station=seen.id,
                distance_mm=float(np.linalg.norm(off[3:])),
                angle_deg=float(np.degrees(np.linalg.norm(off[:3]))),
                expanded_mm=float(2 * sd[1]),
                expanded_deg=float(np.degrees(2 * sd[0])),
                chance=chi2_sf(float(off @ np.linalg.solve(covariance, off)), 6),
            )
        )
    return tuple(found)


def held_out_finding(found: tuple[HeldOut, ...]) -> Finding:
    """Return whether the stations left out agree, at `SIGNIFICANCE` for all of them together."""
    mm, deg = max(item.distance_mm for item in found), max(item.angle_deg for item in found)
    off = [item.station for item in found if item.chance < SIGNIFICANCE / len(found)]
    if off:
        return finding("hold-out", "disagrees", stations=off, worst_mm=mm, worst_deg=deg)
    return finding("hold-out", count=len(found), worst_mm=mm, worst_deg=deg)
