"""Stations that the fit never saw: does their typed pose lie where the others put it?"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.stats import chi2

from ..errors import UsageError
from ..estimate.predict import predict_flange
from ..estimate.problem import Problem
from ..estimate.result import Result
from ..findings import Finding, finding
from ..frames import displacement

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
                chance=float(chi2.sf(off @ np.linalg.solve(covariance, off), 6)),
            )
        )
    return tuple(found)


def held_out_finding(found: tuple[HeldOut, ...]) -> Finding:
    """Return whether the stations left out agree, at `SIGNIFICANCE` for all of them together."""
    mm, deg = max(item.distance_mm for item in found), max(item.angle_deg for item in found)
    off = [item.station for item in found if item.chance < SIGNIFICANCE / len(found)]
    if off:
        return finding(
            "hold-out", "disagrees", stations=off, worst_mm=f"{mm:.2f}", worst_deg=f"{deg:.3f}"
        )
    return finding("hold-out", count=len(found), worst_mm=f"{mm:.2f}", worst_deg=f"{deg:.3f}")
