"""What touching points says about a result, and stations that the fit never saw.

Two questions are asked of every point (`touch_errors`), and of the mean of all:

- Does the result hold what it claims? It is refuted where an error is larger than all parts
  together explain. It is shown only where every error, and their mean, are explained without the
  pointer: a worse one refutes less, but proves nothing more.
- Is the pick within the tolerance? By the rule that the cell names, with U of the touch alone. It
  is beyond where more speaks for that than for the pointer's own error.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from ..arrays import Array
from ..cell.cell import Cell, WorkVolume
from ..cell.mount import EYE_TO_HAND
from ..cell.result import SHOWN, Frames, StoredResult
from ..cell.rule import SIMPLE, Decision, Tolerance, most_expanded
from ..cell.touched import REFUTED, Pointer, RepeatedPoint, StoredProof, TouchedPoint
from ..errors import UsageError
from ..estimate.information import predict_flange
from ..estimate.noticed import LEAST_TOUCHES
from ..estimate.problem import Problem
from ..estimate.result import Result
from ..findings import Finding, by_gravity, finding
from ..frames import AXES, displacement
from ..pendant.conventions import YAW
from ..pendant.entry import format_pose
from ..sessions.results import PROOF
from ..tails import chi2_sf
from .stated import Stated
from .touch import Touches, flange_pose
from .touch_errors import (
    SIGNIFICANCE,
    Bias,
    PointError,
    bias,
    point_beside,
    point_errors,
    repeated,
)

SPREAD = 0.5  # [-] of each side of the work volume that the points must span; common practice
UPRIGHT = 0.9  # [-] of a common error that lies along base Z, to look for its cause in a height
CODES = ("not-proven", "proven", "proof-disagrees", "proof-tolerance", "proof-bias", SHOWN)


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
    left_out: tuple[int, ...] = ()

    @property
    def mean_mm(self) -> float | None:
        """Mean size of the errors [mm], None without any."""
        return float(np.mean([item.size_mm for item in self.errors])) if self.errors else None

    @property
    def max_mm(self) -> float | None:
        """Largest error [mm], None without any."""
        return max((item.size_mm for item in self.errors), default=None)

    @property
    def failed(self) -> bool:
        """Whether touches speak against the result, which is more than that they prove nothing."""
        return any(item.code in REFUTED for item in self.findings)

    def stored(self, inputs: Mapping[str, str] | None = None) -> StoredProof:
        """Return the proof as a result holds it; ``inputs``: hashes of what it rests on."""
        mean, t = (self.bias.mean, self.bias.t) if self.bias else (None, None)
        return StoredProof(
            proven=self.proven,
            points=tuple(map(_point, self.errors)),
            mean_mm=self.mean_mm,
            max_mm=self.max_mm,
            mean_error_mm=None if mean is None else tuple(mean.tolist()),
            repeated=self.repeats,
            pointer=self.pointer,
            tolerance_mm=self.tolerance_mm,
            inputs=inputs or {},
            decision=self.decision,
            bias_t=None if t is None else tuple(t.tolist()),
            left_out=self.left_out,
        )

    def refused(self, mark: Finding) -> Proof:
        """Return the proof of a result that ``mark`` bars: what agreed then proves nothing now."""
        kept = (item for item in self.findings if item.code != "proven")
        decision = replace(self.decision, chance_wrong=None)
        return replace(self, proven=False, decision=decision, findings=(mark, *kept))

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
    rests: bool = False,
) -> Proof:
    """Return what the touched points prove about a result in ``cell``.

    ``frames``: what is known of tool and frame; None: as the cell tells. ``wrong``: errors of tool,
    frame or robot file, shown by joints beside the poses. ``fixed``: the same pointer set a number
    that the stations do not show. It is off at these points by as much as it was there, so nothing
    is proven along that direction. ``rests``: the result rests on such a number.
    """
    alike, tolerance = bias(_together(errors)), cell.tolerance
    missing = missing_for_proof(errors, alike, cell, pointer)
    if fixed:
        missing.append(finding("not-proven", "own-pointer"))
    found = [*wrong, *_wrong(errors, alike, cell)]
    proven = not missing and not found
    chance = None if wrong else _chance(errors, proven, tolerance)
    said = [_proven(errors, cell, frames)] if proven else []
    if rests and not (fixed or found or _either_way_up(errors, cell, pointer)):
        said += _number_shown(errors, tolerance)
    if alike is not None and alike.shared and not (alike.refutes or alike.hidden):
        t = float(alike.t[np.abs(alike.t).argmax()]) if alike.t is not None else 0.0
        said.append(finding("proof-bias", shift=alike.words(), t=t, count=alike.count))
    return Proof(
        errors=tuple(errors),
        repeats=repeated(errors),
        pointer=pointer,
        tolerance_mm=tolerance.position_mm,
        decision=Decision(tolerance.rule, tolerance.set_by, chance),
        bias=alike,
        proven=proven,
        findings=tuple(by_gravity([*found, *missing, *said])),
    )


def _together(errors: Sequence[PointError]) -> Sequence[PointError]:
    """Return the touches that tell what all have in common: those near the median of all.

    Others are named by themselves: a few misread digits are no shift of the result.
    """
    if not errors:
        return errors
    middle = np.median([item.error for item in errors], axis=0)
    near = [e for e in errors if float(np.linalg.norm(e.error - middle)) <= e.expanded_mm]
    return near if len(near) > len(errors) / 2.0 else errors


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


def _number_shown(errors: Sequence[PointError], tolerance: Tolerance) -> list[Finding]:
    """Return that a touch shows the number that was told, by the touch that shows it best."""
    kept = [item for item in errors if item.agrees and item.conforms(tolerance)]
    if not kept or len(kept) < len(errors):
        return []
    best = min(kept, key=lambda item: item.size_mm + item.spread.measured_mm)
    U = best.spread.measured_mm
    return [finding("number-shown", touch=best.touch, distance=best.size_mm, expanded=U)]


def _chance(errors: Sequence[PointError], proven: bool, tolerance: Tolerance) -> float | None:
    """Return the chance that what is said of the tolerance is wrong; None where nothing is said.

    Of touches that break it halfway between the mean and the least: all of them are to be within,
    and the worst of several is worse than the pick there by chance (`bench_decisions.py`).
    """
    limit = tolerance.position_mm
    broken = [item for item in errors if not item.conforms(tolerance)]
    if broken:
        within = [item.chance_within(limit) for item in broken]
        return float(np.mean(within) + min(within)) / 2.0
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
    return [
        *found,
        *_either_way_up(errors, cell, pointer),
        *_not_shown(errors, alike, cell.tolerance),
    ]


def _either_way_up(errors: Sequence[PointError], cell: Cell, pointer: Pointer) -> list[Finding]:
    """Return that touches agree whichever way up the flange is: board and tip are at one height.

    Were it told wrong, camera and touched points would be off by twice their heights over it.
    """
    height = cell.board.height_mm
    if cell.mount != EYE_TO_HAND or cell.pendant.rotation != YAW or height is None or not errors:
        return []
    apart, hidden = abs(height - pointer.tip_mm[2]), max(item.expanded_mm for item in errors) / 2.0
    if apart > hidden:
        return []
    return [finding("not-proven", "either-way-up", distance=apart, least=hidden)]


def _not_shown(
    errors: Sequence[PointError], alike: Bias | None, tolerance: Tolerance
) -> list[Finding]:
    """Return what the touches neither refute nor show: claims and tolerance that U leaves open."""
    found, limit = list[Finding](), tolerance.position_mm
    off = [item for item in errors if not item.agrees]
    if off and _may_be_chance(off, len(errors)):
        touches, worst, count = _touches(off), _farthest(off), len(errors)
        size, U = worst.size_mm, worst.expanded_mm
        found.append(
            finding("not-proven", "chance", touches=touches, worst=size, expanded=U, count=count)
        )
    sizes = np.array([item.size_mm for item in errors])
    claimed = np.array([item.spread.claimed_mm for item in errors])
    agree = all(item.agrees for item in errors)
    if agree and (sizes > claimed).any():
        most = int((sizes / claimed).argmax())
        found.append(finding("not-proven", "hidden", touch=errors[most].touch, worst=sizes[most],
                             claimed=claimed[most]))  # fmt: skip
    if alike is not None and alike.hidden:
        found.append(finding("not-proven", "hidden-bias", shift=alike.words()))
    broken = [item for item in errors if not item.conforms(tolerance)]
    open_ = [item for item in broken if not _beyond(item, limit)]
    if open_:
        found.append(_too_near(open_, tolerance))
    return found


def _beyond(item: PointError, limit_mm: float) -> bool:
    """Tell whether a touch breaks the tolerance, and is not as likely off by the pointer alone."""
    return item.size_mm > limit_mm and item.chance_within(limit_mm) <= 0.5


def _may_be_chance(off: Sequence[PointError], count: int) -> bool:
    """Tell whether touches beyond their U are no farther off than chance makes one of ``count``."""
    return all(item.chance >= SIGNIFICANCE / count for item in off)


def _farthest(errors: Sequence[PointError]) -> PointError:
    """Return the touch that lies farthest beyond its U."""
    return max(errors, key=lambda item: item.size_mm / item.expanded_mm)


def _too_near(errors: Sequence[PointError], tolerance: Tolerance) -> Finding:
    """Return that these touches are not shown to be within the tolerance, by its rule."""
    worst = max(errors, key=lambda item: item.size_mm + item.spread.measured_mm)
    touches, limit, size = _touches(errors), tolerance.position_mm, worst.size_mm
    U, seen, rule = worst.spread.measured_mm, worst.spread.seen_mm, tolerance.owned_rule
    if tolerance.rule == SIMPLE:
        return finding("not-proven", "third", touches=touches, expanded=U, seen=seen,
                       tolerance=limit, rule=rule)  # fmt: skip
    return finding("not-proven", "guarded", touches=touches, worst=size, expanded=U, seen=seen,
                   tolerance=limit, rule=rule)  # fmt: skip


def _wrong(errors: Sequence[PointError], alike: Bias | None, cell: Cell) -> list[Finding]:
    """Return `proof-disagrees` and `proof-tolerance` where points say so.

    What all have in common comes first: of an arm that cannot tilt, along base Z, where a measured
    height alone tells the camera's place, it is that height or what the pendant calls down.
    """
    found, tolerance = list[Finding](), cell.tolerance.position_mm
    if alike is not None and alike.refutes:
        said, U, mean = alike.words(), alike.expanded_mm, alike.mean
        told = cell.board.height_mm is not None and cell.level
        by_height = told and abs(mean[2]) > UPRIGHT * float(np.linalg.norm(mean))
        way = "height" if by_height else "bias"
        found.append(finding("proof-disagrees", way, shift=said, expanded=U))
    off = [item for item in errors if not item.agrees]
    if off and not _may_be_chance(off, len(errors)):
        touches, worst = _touches(off), _farthest(off)
        size, U = worst.size_mm, worst.expanded_mm
        found.append(
            finding("proof-disagrees", "alone", touches=touches, worst=size, expanded=U)
            if _alone(off, errors)
            else finding("proof-disagrees", touches=touches, worst=size, expanded=U)
        )
    if beyond := [item for item in errors if _beyond(item, tolerance)]:
        words, size = _touches(beyond), _worst(beyond)
        found.append(
            finding("proof-tolerance", "alone", touches=words, worst=size, tolerance=tolerance)
            if _alone(beyond, errors)
            else finding("proof-tolerance", touches=words, worst=size, tolerance=tolerance)
        )
    return found


def _alone(some: Sequence[PointError], errors: Sequence[PointError]) -> bool:
    """Tell whether ``some`` are off otherwise than all others, which are more than half of all."""
    others = {item.touch for item in _together(errors)}
    return len(others) < len(errors) and others.isdisjoint(item.touch for item in some)


def judged_touch(
    cell: Cell, found: Touches, number: int, result: Stated, folder: Path
) -> tuple[Finding, ...]:
    """Return what speaks against one touch on a board point: a number misread, or another point.

    It is off by more than its U, and by more than U otherwise than the touches before: what all
    have in common is no slip of one. Raises FileError.
    """
    touch, pointer, pendant = found.existing(number), found.pointer, cell.pendant
    if pointer is None or touch.point is None or touch.role != "proof":
        return ()
    errors = point_errors(cell, found, pointer, result, folder)
    own = next(item for item in errors if item.touch == number)
    before = [item.error for item in errors if item.touch != number]
    other = own.error - np.median(before, axis=0) if before else own.error
    if own.agrees or float(np.linalg.norm(other)) <= own.expanded_mm:
        return ()
    point, off_mm = touch.point, own.size_mm
    said = []
    if not pendant.shows_joints:
        expected = np.array(flange_pose(cell, touch.pose, f"touch {number}", folder))
        expected[:3, 3] += own.error
        shown = format_pose(expected, pendant, touch.pose)
        lengths = zip(pendant.labels[:3], touch.pose, shown, strict=False)
        off = [item for item in lengths if abs(float(item[1]) - float(item[2])) > own.expanded_mm]
        if len(off) == 1:
            field, typed, right = off[0]
            said.append(
                finding(
                    "touch-off",
                    point=point,
                    distance=off_mm,
                    field=field,
                    typed=typed,
                    expected=right,
                )
            )
    nearest = point_beside(cell, found, touch, own, result, folder)
    if nearest is not None:
        said.append(finding("touch-off", "point", point=point, distance=off_mm, nearest=nearest))
    return tuple(said) or (finding("touch-off", "several", point=point, distance=off_mm),)


def _touches(errors: Sequence[PointError]) -> str:
    return ", ".join(str(item.touch) for item in errors)


def _places(errors: Sequence[PointError]) -> int:
    """Return how many different points were touched: repeats do not count.

    Nor does a place that was touched before and has another name: seen again, or in another image.
    """
    counted: dict[str, PointError] = {}
    for item in errors:
        off = [float(np.linalg.norm(item.p_base - one.p_base)) for one in counted.values()]
        if min(off, default=np.inf) > item.expanded_mm:
            counted.setdefault(item.point, item)
    return len(counted)


def _worst(errors: Sequence[PointError]) -> float:
    return max(item.size_mm for item in errors)


def _narrow(errors: Sequence[PointError], volume: WorkVolume) -> list[str]:
    """Return the axes of the work volume along which the points span too little of it, in words."""
    places: Array = np.array(
        [item.p_base if volume.frame == "base" else item.p_camera for item in errors]
    )
    corners = volume.corners()  # what lies beyond them spans nothing
    spans = np.ptp(np.clip(places, corners.min(axis=0), corners.max(axis=0)), axis=0)
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
