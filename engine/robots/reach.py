"""Whether a robot can stand at a pose, and how near to its limits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..arrays import Array
from ..findings import Finding, finding
from ..frames import checked_transform, displacement
from .arms import is_level, named_alike, wrist_bend
from .kinematics import LEVEL_RAD, Kinematics, kinematics, nearest, tilt
from .model import Robot

REACH_MM = 0.1  # [mm] least distance beyond reach that rounding on the pendant cannot explain
REACH_DEG = 0.5  # [deg] three times the 0.16° of an uncalibrated arm (Slamani et al. 2012)
LIMIT_EXCESS = 0.1  # [deg, mm] beyond a limit that rounding of the pose explains
NEAR_LIMIT = 3.0  # [deg, mm] worth a note, common practice, no source
WRIST_STRAIGHT_DEG = 5.0  # [deg] J5 from straight: J4 turns 11 times as fast; common practice


@dataclass(frozen=True, slots=True)
class JointAtLimit:
    """One joint against its nearest limit, in [deg] or [mm]; margin < 0: outside."""

    joint: str
    value: float
    limit: float
    margin: float
    unit: str


@dataclass(frozen=True, slots=True, eq=False)
class ReachReport:
    """What a pose asks of the robot.

    Attributes:
        solutions: (k, axes) postures within the limits, shown values [rad, mm].
        best: (axes,) the one that continues from the typed posture where that is known,
            otherwise the one with the largest margin; None when k is 0.
        broken: where every posture breaks a limit: the joint of the one that breaks it least;
            where the typed one does: the joint that breaks it most.
        nearest_limit: the joint of ``best`` with the smallest margin; None without limits.
        wrist: (joint, value [deg]) of the wrist where ``best`` holds it nearly straight, or None.
        miss_mm, miss_deg: how far off the nearest posture found within the limits holds the
            flange; 0 where the pose is within reach or only limits forbid it.
    """

    solutions: Array
    best: Array | None = None
    broken: JointAtLimit | None = None
    nearest_limit: JointAtLimit | None = None
    wrist: tuple[str, float] | None = None
    miss_mm: float = 0.0
    miss_deg: float = 0.0


def reach(robot: Robot, T: ArrayLike, near: ArrayLike | None = None) -> ReachReport:
    """Return what base_T_flange ``T`` (4, 4) [mm] asks of ``robot``.

    ``near`` (axes,) is the posture in which it stands, as typed, shown values [rad, mm]. Raises
    StationbookError for a robot or a transform that is none.
    """
    arm, T = kinematics(robot), checked_transform(T, "pose")
    if near is not None and arm.joints.room(np.asarray(near, float)) <= -LIMIT_EXCESS:
        typed = np.asarray(near, float)
        return ReachReport(typed[None][:0], broken=_tightest(arm, typed))
    found = arm.branches(T, near=near)
    if len(found):
        return _within(arm, found, near)
    beyond = arm.branches(T, limited=False)
    if len(beyond):
        room = arm.joints.room(beyond)
        slack = beyond[room > -LIMIT_EXCESS]
        if len(slack):
            return _within(arm, slack, near)
        return ReachReport(beyond[:0], broken=_tightest(arm, beyond[int(np.argmax(room))]))
    q = nearest(arm, named_alike(robot, T, arm.forward(np.zeros(arm.axes))))
    miss_mm, miss_deg = _difference(arm, q, T)
    if miss_mm <= max(robot.accuracy, REACH_MM) and miss_deg <= REACH_DEG:
        return _within(arm, arm.joints.centred(q)[None], near)
    return ReachReport(found[:0], miss_mm=miss_mm, miss_deg=miss_deg)


def out_of_reach(robot: Robot, poses: Array, joints: Sequence[Array | None]) -> NDArray[np.bool_]:
    """Tell at which of the poses (n, 4, 4) [mm] ``robot`` cannot stand; ``joints`` as typed there.

    As `reach` says, which is asked only where the postures of all poses at once leave doubt.
    """
    arm = kinematics(robot)
    ways = zip(arm.branches_of(poses), joints, strict=True)
    doubted = [q is not None or not (arm.joints.room(way) > 0.0).any() for way, q in ways]
    asked = zip(doubted, poses, joints, strict=True)
    return np.array([doubt and reach(robot, T, q).best is None for doubt, T, q in asked], bool)


def _within(arm: Kinematics, found: Array, near: ArrayLike | None) -> ReachReport:
    largest = int(np.argmax(arm.joints.room(found)))
    best = found[largest] if near is None else _next(arm, found, near)
    return ReachReport(
        solutions=found,
        best=best,
        nearest_limit=_tightest(arm, best),
        wrist=_straight_wrist(arm, best),
    )


def _next(arm: Kinematics, found: Array, near: ArrayLike) -> Array:
    """Return the posture that continues from ``near``: its largest turn is the least."""
    start = np.asarray(near, float)
    found = arm.joints.continued(start, found)
    way = np.where(arm.joints.turning, np.abs(found - start), 0.0).max(axis=1)
    return np.asarray(found[int(np.argmin(way))])


def _tightest(arm: Kinematics, q: Array) -> JointAtLimit | None:
    margins = arm.joints.margins(q) * arm.joints.degrees
    k = int(np.argmin(margins))
    if not np.isfinite(margins[k]):
        return None
    low, high, value = np.array([*arm.joints.limits[k], q[k]]) * arm.joints.degrees[k]
    return JointAtLimit(
        joint=arm.joints.names[k],
        value=float(value),
        limit=float(low if value - low < high - value else high),
        margin=float(margins[k]),
        unit="deg" if arm.joints.turning[k] else "mm",
    )


def _straight_wrist(arm: Kinematics, q: Array) -> tuple[str, float] | None:
    bend = wrist_bend(arm, arm.jacobian(q))
    if bend is None or abs(bend) > np.sin(np.deg2rad(WRIST_STRAIGHT_DEG)):
        return None
    return arm.joints.names[4], float(np.rad2deg(q[4]))


def _difference(arm: Kinematics, q: Array, T: Array) -> tuple[float, float]:
    held = arm.forward(q)
    xi = displacement(named_alike(arm.robot, T, held), held)
    return float(np.linalg.norm(xi[3:])), float(np.rad2deg(np.linalg.norm(xi[:3])))


def reach_findings(robot: Robot, T: ArrayLike, *, near: ArrayLike | None = None) -> list[Finding]:
    """Return the findings reach, joint-limit and its notes on base_T_flange ``T`` (4, 4) [mm]."""
    report, found = reach(robot, T, near), list[Finding]()
    if report.best is None and report.broken is not None:
        return [_at_limit(report.broken, None)]
    if report.best is None:
        return [finding("reach", detail=_detail(robot, np.asarray(T, float), report))]
    limit = report.nearest_limit
    if limit is not None and limit.margin < NEAR_LIMIT:
        found.append(_at_limit(limit, "near"))
    if report.wrist is not None:
        joint, value = report.wrist
        found.append(finding("joint-limit", "singular", field=joint, joint=joint, value=value))
    return found


def _at_limit(limit: JointAtLimit, variant: str | None) -> Finding:
    return finding(
        "joint-limit",
        variant,
        field=limit.joint,
        joint=limit.joint,
        value=limit.value,
        limit=limit.limit,
        margin=max(limit.margin, 0.0),
        unit=limit.unit,
    )


def _detail(robot: Robot, T: Array, report: ReachReport) -> str:
    if is_level(robot) and tilt(T) > LEVEL_RAD:
        return f"the flange would be tilted by {np.rad2deg(tilt(T)):.1f}°, this arm holds it level"
    return f"the nearest pose it reaches is {report.miss_mm:.1f} mm and {report.miss_deg:.1f}° away"
