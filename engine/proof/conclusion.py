"""What touching points says about a result, and stations that the fit never saw.

The camera says where a point is (p_camera, carried into the base by the delivered transform), the
robot says where its pointer's tip touched it. Their difference is what a pick would be off there.
Its uncertainty has parts: what the result claims (its covariance and the robot's systematic error,
shared by all touches), what is new at every touch (the image, the robot's noise at the stops), and
the pointer. U = 2u (GUM). Two questions are asked of every point, and of the mean of all:

- Does the result hold what it claims? It is refuted where an error is larger than all parts
  together explain. It is shown only where the root mean square of all errors, and their mean, are
  explained without the pointer, and every error by a pointer as good as the claim: a worse one
  refutes less, but proves nothing more.
- Is the pick within the tolerance? By the rule that the cell names, with U of the touch alone.

Positioning accuracy and repeatability are in the forms of ISO 9283:1998 (from memory): accuracy is
the distance of the barycentre of repeated touches from where they should be, repeatability RP =
mean + 3 S of their distances from the barycentre.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from ..arrays import Array
from ..cell.cell import EYE_TO_HAND, Cell, Mount, Tolerance, WorkVolume
from ..cell.result import (
    SIMPLE,
    Decision,
    Frames,
    Pointer,
    RepeatedPoint,
    StoredProof,
    StoredResult,
    TouchedPoint,
    chance_beyond,
    conforms,
    most_expanded,
)
from ..errors import UsageError
from ..estimate.assemble import LEAST_TOUCHES
from ..estimate.information import predict_flange
from ..estimate.problem import Problem
from ..estimate.result import Result
from ..findings import Finding, by_gravity, finding
from ..frames import AXES, apply, displacement, point_rows
from ..sessions.results import PROOF
from ..tails import chi2_isf, chi2_sf, t_isf
from .stated import Stated
from .touch import Placed, Touches, placed_touches, touched_at

SPREAD = 0.5  # [-] of each side of the work volume that the points must span; common practice
AS_GOOD = 2.0**0.5  # [-] by which a pointer that is as good as the claim widens it
SIGNIFICANCE = 0.01  # [-] chance of a false word about all touches, or all stations, together
CODES = ("not-proven", "proven", "proof-disagrees", "proof-tolerance", "proof-bias")


@dataclass(frozen=True, slots=True, eq=False)
class Spread:
    """Covariances (3, 3) [mm²] of one error, base axes.

    ``shared`` by all touches: what the result claims of itself and of the robot; ``own`` new at
    each touch; ``pointer`` of the pointer's tip.
    """

    shared: Array
    own: Array
    pointer: Array

    @property
    def expanded_mm(self) -> float:
        """U of everything together [mm]."""
        return _expanded(self.shared + self.own + self.pointer)

    @property
    def claimed_mm(self) -> float:
        """U that a perfect pointer would leave [mm]."""
        return _expanded(self.shared + self.own)

    @property
    def measured_mm(self) -> float:
        """U of the touch as a measurement of how far a pick is off [mm]."""
        return _expanded(self.own + self.pointer)


def _expanded(covariance: Array) -> float:
    return 2.0 * float(np.sqrt(np.trace(covariance)))


@dataclass(frozen=True, slots=True, eq=False)
class PointError:
    """One touch compared: ``error`` (3,) [mm], camera minus robot, base axes, and its spread.

    ``p_base`` (3,) where it was touched, ``p_camera`` (3,) where it was seen, camera frame.
    """

    touch: int
    point: str
    p_base: Array
    p_camera: Array
    error: Array
    spread: Spread

    @property
    def size_mm(self) -> float:
        """Length of the error [mm]."""
        return float(np.linalg.norm(self.error))

    @property
    def expanded_mm(self) -> float:
        """U of the error [mm]."""
        return self.spread.expanded_mm

    @property
    def agrees(self) -> bool:
        """Whether the error lies within its expanded uncertainty."""
        return self.size_mm <= self.expanded_mm

    def conforms(self, tolerance: Tolerance) -> bool:
        """Whether the pick is within the tolerance there, by its rule."""
        measured, limit = self.spread.measured_mm, tolerance.position_mm
        return conforms(self.size_mm, measured, limit, tolerance.rule)

    def chance_beyond(self, limit_mm: float) -> float:
        """Return the chance [-] that the pick is beyond the limit there."""
        return chance_beyond(self.size_mm, self.spread.measured_mm / 2.0, limit_mm)

    def chance_within(self, limit_mm: float) -> float:
        """Return the chance [-] that the pick is within the limit there.

        What is measured is longer than the error itself: the squares of both kinds of error add up.
        """
        u = self.spread.measured_mm / 2.0
        size = float(np.sqrt(max(self.size_mm**2 - u**2, 0.0)))
        return 1.0 - chance_beyond(size, u, limit_mm)


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
        spread=_spread(placed, result, mount, pointer, looked[:3, :3]),
    )


def _spread(
    placed: Placed, result: Stated, mount: Mount, pointer: Pointer, turned: Array
) -> Spread:
    """Return the covariances of one error; ``turned`` (3, 3) from the transform's axes to base."""
    rows = turned @ point_rows(result.camera, placed.p_camera[None])[0]
    shared = result.wider**2 * rows @ result.covariance @ rows.T
    own = placed.camera_variance / 3.0 * np.eye(3)
    own = own + _stop(result, placed.base_T_flange[:3, :3] @ np.array(pointer.tip_mm))
    if mount != EYE_TO_HAND:
        own = own + _stop(result, turned @ apply(result.camera, placed.p_camera[None])[0])
    return Spread(
        shared=shared + result.systematic_mm**2 / 3.0 * np.eye(3),
        own=own,
        pointer=pointer_covariance(pointer, placed.base_T_flange[:3, :3]),
    )


def pointer_covariance(pointer: Pointer, turned: Array) -> Array:
    """Return the covariance (3, 3) [mm²] of a touched point, base axes; ``turned``: the flange."""
    if pointer.covariance_mm2 is None:
        return pointer.u_mm**2 * np.eye(3)
    return np.asarray(turned @ np.array(pointer.covariance_mm2, float) @ turned.T)


def _stop(result: Stated, lever: Array) -> Array:
    """Return what one stop's robot noise gives a point ``lever`` (3,) [mm] away, (3, 3) [mm²]."""
    turns = float(lever @ lever) * np.eye(3) - np.outer(lever, lever)
    return result.robot_mm**2 * np.eye(3) + result.robot_rad**2 * turns


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
class Bias:
    """What all touches have in common: the mean error (3,) [mm], camera minus robot, base axes.

    ``count`` different points. ``t`` (3,) the mean over what the scatter of the points explains,
    None for too few of them; ``expanded_mm`` U of the mean. ``refutes``: it is larger than all
    parts of the uncertainty together explain; ``hidden``: only the pointer's part explains it.
    """

    mean: Array
    count: int
    t: Array | None
    expanded_mm: float
    refutes: bool
    hidden: bool

    @property
    def shared(self) -> bool:
        """Whether the points are off alike, more than their scatter explains."""
        if self.t is None:
            return False
        return bool(np.abs(self.t).max() > t_isf(SIGNIFICANCE / 6.0, self.count - 1))

    def words(self) -> str:
        """Return "0.34 mm, base Z −0.34 mm": the size, and the parts that are there."""
        size = float(np.linalg.norm(self.mean))
        parts = [
            f"base {axis} {v:+.2f} mm".replace("-", "−")
            for axis, v in zip(AXES, self.mean, strict=True)
            if abs(v) >= 0.3 * size
        ]
        return ", ".join([f"{size:.2f} mm", *parts])


def bias(errors: Sequence[PointError]) -> Bias | None:
    """Return what all touches have in common; None without any. Repeats count as one point.

    The mean is tested against the covariance of all its parts (chi-squared), and along each axis
    against the scatter of the points (Student's t), all at `SIGNIFICANCE`.
    """
    names = list(dict.fromkeys(item.point for item in errors))
    if not names:
        return None
    groups = [[item for item in errors if item.point == name] for name in names]
    each = np.array([np.mean([item.error for item in group], axis=0) for group in groups])
    mean, count = each.mean(axis=0), len(each)
    spreads = [group[0].spread for group in groups]
    claimed = np.mean([s.shared for s in spreads], axis=0)
    claimed = claimed + np.sum([s.own for s in spreads], axis=0) / count**2
    whole = claimed + spreads[0].pointer  # its tip is off the same way at every touch
    limit = chi2_isf(SIGNIFICANCE, 3)
    beyond = [float(mean @ np.linalg.solve(C, mean)) > limit for C in (whole, claimed)]
    t = None
    if count >= LEAST_TOUCHES:
        scatter = np.maximum(each.std(axis=0, ddof=1), 1e-6)  # mm; no touches agree better
        t = mean / scatter * np.sqrt(count)
    return Bias(mean, count, t, _expanded(whole), beyond[0], beyond[1] and not beyond[0])


@dataclass(frozen=True, slots=True, eq=False)
class Proof:
    """What touching says: errors by touch, repeats, findings; ``proven`` only where all agree."""

    errors: tuple[PointError, ...]
    repeats: tuple[RepeatedPoint, ...]
    pointer: Pointer
    tolerance_mm: float
    decision: Decision
    bias: Bias | None
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
        errors, t = [item.error for item in self.errors], self.bias.t if self.bias else None
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
            decision=self.decision,
            bias_t=None if t is None else tuple(t.tolist()),
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
        claimed_mm=item.spread.claimed_mm,
        measured_mm=item.spread.measured_mm,
    )


def concluded(
    errors: Sequence[PointError],
    cell: Cell,
    pointer: Pointer,
    *,
    frames: Frames | None = None,
    wrong: Sequence[Finding] = (),
    fixed: bool = False,
) -> Proof:
    """Return what the touched points prove about a result in ``cell``.

    ``frames``: what is known of tool and frame; None: as the cell tells. ``wrong``: errors of tool,
    frame or robot file, shown by joints beside the poses. ``fixed``: the same pointer set a number
    that the stations do not show. It is off at these points by as much as it was there, so nothing
    is proven along that direction.
    """
    alike, tolerance = bias(errors), cell.tolerance
    missing = missing_for_proof(errors, alike, cell, pointer)
    if fixed:
        missing.append(finding("not-proven", "own-pointer"))
    wrong = [*wrong, *_wrong(errors, alike, tolerance.position_mm)]
    proven = not missing and not wrong
    said = [_proven(errors, cell, frames)] if proven else []
    if alike is not None and alike.shared and not alike.refutes:
        t = float(alike.t[np.abs(alike.t).argmax()]) if alike.t is not None else 0.0
        said.append(finding("proof-bias", shift=alike.words(), t=t, count=alike.count))
    return Proof(
        errors=tuple(errors),
        repeats=repeated(errors),
        pointer=pointer,
        tolerance_mm=tolerance.position_mm,
        decision=Decision(tolerance.rule, tolerance.set_by, _chance(errors, proven, tolerance)),
        bias=alike,
        proven=proven,
        findings=tuple(by_gravity([*wrong, *missing, *said])),
    )


def _proven(errors: Sequence[PointError], cell: Cell, frames: Frames | None) -> Finding:
    pendant = cell.pendant
    frames = frames or Frames(str(pendant.active_tool), str(pendant.active_frame))
    return finding(
        "proven",
        count=_places(errors),
        worst=_worst(errors),
        frame=frames.frame,
        tool=frames.tool,
        how=frames.how,
    )


def _chance(errors: Sequence[PointError], proven: bool, tolerance: Tolerance) -> float | None:
    """Return the chance that what is said of the tolerance is wrong; None where nothing is said."""
    limit = tolerance.position_mm
    broken = [item for item in errors if not item.conforms(tolerance)]
    if broken:
        return min(item.chance_within(limit) for item in broken)
    return max(item.chance_beyond(limit) for item in errors) if proven else None


def missing_for_proof(
    errors: Sequence[PointError], alike: Bias | None, cell: Cell, pointer: Pointer
) -> list[Finding]:
    """Return what is missing before agreement proves anything."""
    found = []
    count = _places(errors)
    if count < LEAST_TOUCHES:
        found.append(finding("not-proven", "few", count=count, least=LEAST_TOUCHES))
    narrow = _narrow(errors, cell.work_volume) if count else []
    if count >= LEAST_TOUCHES and narrow:
        found.append(finding("not-proven", "spread", spans="; ".join(narrow)))
    tip, limit = 2.0 * np.sqrt(3.0) * pointer.u_mm, cell.tolerance.position_mm
    if tip > most_expanded(limit, cell.tolerance.rule):
        found.append(finding("not-proven", "pointer", expanded=tip, tolerance=limit))
    return [*found, *_not_shown(errors, alike, cell.tolerance)]


def _not_shown(
    errors: Sequence[PointError], alike: Bias | None, tolerance: Tolerance
) -> list[Finding]:
    """Return what the touches neither refute nor show: claims and tolerance that U leaves open."""
    found, limit = list[Finding](), tolerance.position_mm
    sizes = np.array([item.size_mm for item in errors])
    claimed = np.array([item.spread.claimed_mm for item in errors])
    agree = all(item.agrees for item in errors)
    if agree and ((sizes**2).sum() > (claimed**2).sum() or (sizes > AS_GOOD * claimed).any()):
        worst = int((sizes / claimed).argmax())
        found.append(finding("not-proven", "hidden", touch=errors[worst].touch, worst=sizes[worst],
                             claimed=claimed[worst]))  # fmt: skip
    if alike is not None and alike.hidden:
        found.append(finding("not-proven", "hidden-bias", shift=alike.words()))
    open_ = [item for item in errors if not item.conforms(tolerance) and item.size_mm <= limit]
    if open_:
        found.append(_too_near(open_, tolerance))
    return found


def _too_near(errors: Sequence[PointError], tolerance: Tolerance) -> Finding:
    """Return that these touches lie within the tolerance, but not by its rule."""
    worst = max(errors, key=lambda item: item.size_mm + item.spread.measured_mm)
    touches, U, limit = _touches(errors), worst.spread.measured_mm, tolerance.position_mm
    if tolerance.rule == SIMPLE:
        return finding("not-proven", "third", touches=touches, expanded=U, tolerance=limit)
    size = worst.size_mm
    return finding(
        "not-proven", "guarded", touches=touches, worst=size, expanded=U, tolerance=limit
    )


def _wrong(errors: Sequence[PointError], alike: Bias | None, tolerance: float) -> list[Finding]:
    """Return `proof-disagrees` and `proof-tolerance` where points say so."""
    found = []
    if off := [item for item in errors if not item.agrees]:
        worst = max(off, key=lambda item: item.size_mm / item.expanded_mm)
        size, U = worst.size_mm, worst.expanded_mm
        found.append(finding("proof-disagrees", touches=_touches(off), worst=size, expanded=U))
    if alike is not None and alike.refutes:
        said, U = alike.words(), alike.expanded_mm
        found.append(finding("proof-disagrees", "bias", shift=said, expanded=U))
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
