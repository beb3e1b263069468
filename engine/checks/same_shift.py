"""Whether stations that do not fit are off by one and the same shift: another tool or frame.

A tool or frame that was changed between two stops, a board that slipped or a camera that was
knocked move all later stops alike: in the flange or in the base. Two slips of the finger do not.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..arrays import Array
from ..cell.mount import EYE_TO_HAND
from ..cell.stations import Observation
from ..errors import SolveError
from ..estimate import Problem, estimated
from ..estimate.information import predict_flange
from ..findings import Finding, finding
from ..frames import displaced, displacement, inverse
from ..tails import f_isf
from .entry import SMALL_MOVE_DEG, SMALL_MOVE_MM, between
from .prediction import PREDICTED_LEAST

ALIKE = 1e-3  # [-] chance that two equal shifts are taken for two different ones
LARGER = 3.0  # [-] times what they differ by, at least: then they are hardly alike by accident
STEP = 1e-5  # [rad, mm] of numerical derivatives

Shift = Callable[[Array, Array], Array]


def _in_flange(typed: Array, predicted: Array) -> Array:
    return inverse(predicted) @ typed


def _in_base(typed: Array, predicted: Array) -> Array:
    return typed @ inverse(predicted)


@dataclass(frozen=True, slots=True, eq=False)
class _Off:
    """How far a typed pose is from the predicted one: ``shift`` (4, 4), ``covariance`` (6, 6)."""

    shift: Array
    covariance: Array

    @property
    def size(self) -> float:
        """Squared size against its own noise [-]."""
        return _squared(displacement(self.shift, np.eye(4)), self.covariance)


def same_shift_findings(
    problem: Problem,
    doubted: Sequence[int],
    seen: Observation,
    refused: Observation | None = None,
) -> list[Finding]:
    """Return `does-not-fit` where ``seen`` is off by the same shift as the last doubted stop.

    ``doubted``: ids of the last stations of ``problem``, recorded although they did not fit; the
    stations before them predict. ``refused``: a stop since then that did not fit and was not
    recorded. Nothing where those are too few, or the shifts differ.
    """
    if refused is not None and _at_one_place(refused, seen):
        refused = None  # what was misread there once is misread again
    before = [one for one in problem.observations if one.id not in doubted]
    last = [one for one in problem.observations if one.id in doubted]
    last += [] if refused is None else [refused]
    if not last or len(before) < PREDICTED_LEAST:
        return []
    good = replace(problem, observations=tuple(before))
    result = estimated(good)
    try:
        flanges = [(one, *predict_flange(result, good, one)) for one in (last[-1], seen)]
    except SolveError:
        return []
    degrees = max(6.0 * len(before) - 12.0, 6.0)
    found = {}
    for where, shift in (("flange", _in_flange), ("base", _in_base)):
        first, second = (_off(shift, *flange) for flange in flanges)
        apart = _squared(
            displacement(second.shift, first.shift), first.covariance + second.covariance
        )
        limit = 6.0 * f_isf(ALIKE, 6, degrees)
        least = LARGER**2 * max(apart, limit)
        if apart < limit and min(first.size, second.size) > least:
            found[where] = apart, second.shift
    if not found:
        return []
    off = displacement(found[min(found, key=lambda name: found[name][0])][1], np.eye(4))
    variant = f"same-{next(iter(found))}" if len(found) == 1 else "same-either"
    on_flange, fixed = ("board", "camera") if problem.mount == EYE_TO_HAND else ("camera", "board")
    return [
        finding(
            "does-not-fit",
            variant,
            other=f"station {last[-1].id}" if refused is None else "the one refused before it",
            distance_mm=float(np.linalg.norm(off[3:])),
            angle_deg=float(np.degrees(np.linalg.norm(off[:3]))),
            tool=str(problem.pendant.active_tool),
            frame=str(problem.pendant.active_frame),
            on_flange=on_flange,
            fixed=fixed,
        )
    ]


def _at_one_place(first: Observation, second: Observation) -> bool:
    distance, angle = between(first.base_T_flange, second.base_T_flange[None])
    return bool(distance[0] < SMALL_MOVE_MM and np.degrees(angle[0]) < SMALL_MOVE_DEG)


def _off(shift: Shift, one: Observation, predicted: Array, covariance: Array) -> _Off:
    """Return the shift of a typed pose, and the covariance that the prediction gives it."""
    there = shift(one.base_T_flange, predicted)
    near = np.array([displaced(predicted, STEP * axis) for axis in np.eye(6)])
    moved = np.array([shift(one.base_T_flange, one_near) for one_near in near])
    J = (displacement(moved, there) / STEP).T
    return _Off(there, J @ covariance @ J.T)


def _squared(off: Array, covariance: Array) -> float:
    return float(off @ np.linalg.solve(covariance, off))
