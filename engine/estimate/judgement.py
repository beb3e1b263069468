"""The findings that a fit gives rise to."""

from __future__ import annotations

import numpy as np
from scipy.stats import chi2

from ..findings import Finding, finding
from ..frames import displacement
from ..robots.model import ASSUMED_ACCURACY_MM
from .fit import Fit
from .observability import observability_findings, weak_findings
from .pick import PickModel
from .problem import Problem
from .result import Result
from .solver import LEAST_STATIONS, Solution

GEOMETRY_SIGNIFICANCE = 1e-3  # [-] chance that a robot as good as stated is called worse
LEAST_TOLD = 1e-9  # [-] information over that of the prior; rounding gives less, even negative
LEAST_TOUCHES = 4  # touch points that prove a result, common practice, no source


def all_findings(
    found: Solution, result: Result, pick: PickModel, without_ties: Fit | None
) -> tuple[Finding, ...]:
    """Return what the estimator itself notices about a fit."""
    items = observability_findings(found, without_ties)
    if result.uncertainty.pick_mm is not None:
        items += weak_findings(found, pick, result.covariance)
        items += tolerance_findings(result)
    items += outlier_findings(result)
    items += turned_findings(result)
    items += robot_findings(found, result)
    items.append(finding("not-proven", least=LEAST_TOUCHES))
    return tuple(items)


def too_few(problem: Problem) -> Finding:
    """Return the finding of a problem that has too few usable stations."""
    usable = sum(
        seen.camera_T_board is not None or (seen.pixels is not None and len(seen.pixels) > 3)
        for seen in problem.observations
    )
    return finding("too-few", count=usable, least=LEAST_STATIONS)


def tolerance_findings(result: Result) -> list[Finding]:
    """Return `tolerance` for position and angle where U exceeds it."""
    u, limit = result.uncertainty, result.tolerance
    items = []
    if u.pick_mm is not None and 2 * u.pick_mm > limit.position_mm:
        items.append(_beyond(2 * u.pick_mm, "mm", limit.position_mm, _what_helps(result)))
    if u.angle_deg is not None and 2 * u.angle_deg > limit.angle_deg:
        items.append(
            _beyond(2 * u.angle_deg, "°", limit.angle_deg, "Add stations with larger tilts.")
        )
    return items


def _beyond(expanded: float, unit: str, limit: float, remedy: str) -> Finding:
    return finding(
        "tolerance",
        expanded=f"{expanded:.2g}",
        unit=unit,
        tolerance=f"{limit:g}",
        remedy_text=remedy,
    )


def _what_helps(result: Result) -> str:
    """Return whether stations or the robot limit the pick."""
    u = result.uncertainty
    if u.pick_mm is None or u.work_volume_mm is None or u.work_volume_mm > 0.7 * u.pick_mm:
        return "Add stations with larger tilts, nearer to the work volume."
    return (
        "The robot's own accuracy sets most of this: have the robot calibrated, or enter the "
        "accuracy it really has as robot.accuracy_mm."
    )


def outlier_findings(result: Result) -> list[Finding]:
    """Return `outlier` for each station that was left out of the fit."""
    items = []
    for station in result.stations:
        if station.used or station.left_out_mm is None or station.left_out_deg is None:
            continue
        items.append(
            finding(
                "outlier",
                station=station.id,
                distance_mm=f"{station.left_out_mm:.2f}",
                angle_deg=f"{station.left_out_deg:.2f}",
            )
        )
    return items


def turned_findings(result: Result) -> list[Finding]:
    """Return `board-turned` for each turn that was undone, with its stations."""
    names = sorted({station.turn for station in result.stations if station.turn})
    return [
        finding(
            "board-turned",
            stations=[s.id for s in result.stations if s.turn == name],
            turn=name,
        )
        for name in names
    ]


def robot_findings(found: Solution, result: Result) -> list[Finding]:
    """Return `accuracy-assumed`, `robot-geometry`, `pick-differs` and `reach-unchecked`."""
    robot, items = found.problem.robot, list[Finding]()
    if robot is None or robot.accuracy_mm is None:
        items.append(finding("accuracy-assumed", accuracy_mm=f"{ASSUMED_ACCURACY_MM:g}"))
    items += _geometry_finding(found)
    move = displacement(result.camera, result.geometric)
    sd = np.sqrt(np.trace(result.full_covariance[3:6, 3:6]))
    if np.linalg.norm(move[3:]) > sd and result.known.all():
        items.append(finding("pick-differs", distance_mm=f"{float(np.linalg.norm(move[3:])):.2f}"))
    return items


def _geometry_finding(found: Solution) -> list[Finding]:
    """Return `robot-geometry` where the estimated errors are larger than accuracy_mm explains.

    The data's own information J about the errors, in units of their prior, and its right-hand side
    b = J · (estimate without prior) give b ~ N(0, k²J² + J) for errors k times as large as stated,
    whatever scale the fit took. In the directions of J (values v) the test sums b²/(v² + v), each
    weighted with what the data tell, v/(1 + v): a scaled chi-square (Satterthwaite 1946) for k = 1.
    """
    p, sd = len(found.systematic.sd), found.systematic.sd
    if not p:
        return []
    precision = np.linalg.inv(found.fit.covariance[12:, 12:])
    told = precision - np.diag(np.exp(-found.fit.noise.log_scale) / sd**2)
    v, directions = np.linalg.eigh(told * np.outer(sd, sd))
    v = np.maximum(v, LEAST_TOLD)
    b = directions.T @ (sd * (precision @ found.fit.state.errors))
    weight = v / (1.0 + v)
    size = float((b**2 / (1.0 + v) ** 2).sum())
    scale, degrees = (weight**2).sum() / weight.sum(), weight.sum() ** 2 / (weight**2).sum()
    if size <= scale * chi2.isf(GEOMETRY_SIGNIFICANCE, degrees):
        return []
    k = np.sqrt((size - (v / (1.0 + v) ** 2).sum()) / (weight**2).sum())
    worse = f"{found.systematic.accuracy_mm * float(k):.2g}"
    return [finding("robot-geometry", error_mm=worse, suggested=worse)]
