"""Whether a cause is an error: what a clean session may show or hardly matters is a warning."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..arrays import Array
from ..cell.budget import Part
from ..cell.mount import EYE_TO_HAND
from ..cell.result import Uncertainty
from ..cell.rule import Tolerance, keeps
from ..estimate.assemble import assembled
from ..estimate.pick import REMAINS, PickModel
from ..estimate.problem import absurd
from ..estimate.result import Result
from ..estimate.solver import Solution, fitted
from ..findings import Finding, Level
from ..frames import displacement, inverse
from .causes import Cause

ERROR_CHANCE = 1.5e-3  # chance in a clean session below which a typed value is an error
# They say why a station does not fit.
EXPLAINED = ("typed-value", "still-moving", "duplicate", "same-image")
STATION_CODES = (*EXPLAINED, "outlier")  # they concern single stations
MOVES = ("board-moved", "camera-moved")
SMALL = (*MOVES, "board-pitch", "board-bowed", "lens")  # may be no error:
WARNED = "what a warning says"  # part of u: what its cause moves, which nobody has put right
DEPTH = "depth-tilted"  # nor this, unless parts are located by that depth
# [-] of U, and of the tolerance: what moves the result by less is told as a warning. A quarter of
# the tolerance is what a measurement may be off that judges by it (common practice, no source).
MATTERS, OF_TOLERANCE = 0.5, 0.25


def weighed(now: Solution, cause: Cause, chance: float) -> tuple[Finding, ...]:
    """Return the cause's findings: warnings of what a clean session may show or hardly matters.

    ``chance``: with which a clean session raises the alarm that led to it. A last stop that is left
    out is an error: it may be the first after a knock, and no stop after it tells.
    """
    codes, last = {item.code for item in cause.findings}, now.problem.observations[-1].id
    doubtful: tuple[str, ...] = STATION_CODES if chance >= ERROR_CHANCE else ()
    small = SMALL if now.problem.by_depth else (*SMALL, DEPTH)
    if codes and codes <= set(small) and not _matters(now, cause):
        doubtful = small
    return tuple(
        replace(item, level=Level.WARNING)
        if item.code in doubtful and not (item.code in STATION_CODES and item.station == last)
        else item
        for item in cause.findings
    )


def _matters(now: Solution, cause: Cause) -> bool:
    """Tell whether the cause, put right, moves parts in the work volume by more than is of account.

    That is a good part of U or of the tolerance, the larger of the two; and of a board, more than
    its mount brings it back to. Where U of a pick is beyond the tolerance, what the cause adds
    counts alike. Where the fit had to leave stations out, it always matters.
    """
    found = cause.found or fitted(cause.problem)
    if found is None or not now.used.all() or absurd(now.fit.noise, now.prior):
        return True
    before, after = assembled(now), assembled(found)
    u, tolerance = after.uncertainty.work_volume_mm, now.problem.tolerance
    if before.pick is None or u is None:
        return True
    codes = {item.code for item in cause.findings}
    largest = _largest(before.pick, _moved(now, found, before, after, codes))
    if not _keeps(before.uncertainty.pick_mm, tolerance):
        largest = max(largest, _added(before, after, cause))
    elif _in_u(codes, now) and not _keeps(_wider(before.uncertainty.pick_mm, largest), tolerance):
        return True
    counts = largest > max(MATTERS * 2.0 * u, OF_TOLERANCE * tolerance.position_mm)
    return counts and not _within_mount(now, cause)


def beside(
    result: Result, solution: Solution, settled: Solution | None, findings: tuple[Finding, ...]
) -> Result:
    """Return the result with what warnings say in its U: what they move is not put right.

    ``solution`` gave the ``result``, ``settled`` has the causes put right. What is not accepted for
    its U, or because of an error, stays as it is.
    """
    pick, stated, made_of = result.pick, result.uncertainty, result.budget
    codes, warned = {item.code for item in findings}, {item.level for item in findings}
    if settled is None or pick is None or made_of is None or stated.pick_mm is None:
        return result
    kept = _keeps(stated.pick_mm, result.tolerance) and warned == {Level.WARNING}
    if not kept or not codes <= set(SMALL) or not _in_u(codes, solution):
        return result
    moved = _moved(solution, settled, result, assembled(settled), codes)
    largest = _largest(pick, moved)
    ratio = _wider(stated.pick_mm, largest) / stated.pick_mm
    own = np.sqrt((ratio**2 - 1.0) * sum(part.u_mm**2 for part in made_of.parts))
    parts = sorted((*made_of.parts, Part(WARNED, float(own))), key=lambda part: -part.u_mm)
    return replace(
        result,
        budget=replace(made_of, parts=tuple(parts)),
        uncertainty=Uncertainty(
            position_mm=_wider(stated.position_mm, float(np.linalg.norm(moved[3:]))),
            angle_deg=_wider(stated.angle_deg, float(np.degrees(np.linalg.norm(moved[:3])))),
            work_volume_mm=_wider(stated.work_volume_mm, largest),
            pick_mm=_wider(stated.pick_mm, largest),
        ),
        findings=tuple(item for item in result.findings if item.code != "what-helps"),
    )


def _keeps(half: float | None, tolerance: Tolerance) -> bool:
    return keeps(half, tolerance.position_mm, tolerance.rule)


def _in_u(codes: set[str], now: Solution) -> bool:
    """Tell whether causes go into U where they are warnings: parts are located by a wrong lens."""
    return bool(codes) and ("lens" not in codes or now.problem.by_depth)


def _wider(half: float | None, moved: float) -> float:
    """Return half of a U that holds what is ``moved`` and known, so not a square (GUM F.2.4.5)."""
    return (half or 0.0) + 0.5 * moved


def _largest(pick: PickModel, moved: Array) -> float:
    """Return how far [mm] a displacement (6,) of the transform moves parts at most."""
    return float(np.linalg.norm(pick.moved @ moved, axis=-1).max())


def _moved(now: Solution, found: Solution, before: Result, after: Result, codes: set[str]) -> Array:
    """Return by what (6,) causes of ``codes``, put right in ``found``, move the transform.

    A camera that moved picks from where it stands in the end, and the poses of the cause, put
    right, are those at which it would have seen the same without having moved.
    """
    camera = after.camera
    if "camera-moved" in codes:
        old, new = (one.problem.observations[-1].base_T_flange for one in (now, found))
        fixed = now.problem.mount == EYE_TO_HAND
        camera = (old @ inverse(new) if fixed else inverse(old) @ new) @ camera
    return displacement(camera, before.camera)


def _added(before: Result, after: Result, cause: Cause) -> float:
    """Return what of U of a pick [mm] ``before`` comes from the cause, put right ``after``.

    Picks by the wrong lens data keep what these do to them until the cell has others.
    """
    by_lens = any(item.code == "lens" for item in cause.findings)
    parts = () if after.budget is None or not by_lens else after.budget.parts
    corners = 1.0 if after.budget is None else after.budget.corners
    remains = sum((corners * part.u_mm) ** 2 for part in parts if part.name == REMAINS)
    with_, without = (one.uncertainty.pick_mm or 0.0 for one in (before, after))
    return 2.0 * float(np.sqrt(max(with_**2 - without**2 + remains, 0.0)))


def _within_mount(now: Solution, cause: Cause) -> bool:
    """Tell whether a board is said to have moved by no more than its mount brings it back to."""
    mount = now.problem.board.mount_repeatability
    if mount is None or not any(item.code == "board-moved" for item in cause.findings):
        return False
    old, new = (
        np.array([seen.base_T_flange for seen in problem.observations])
        for problem in (now.problem, cause.problem)
    )
    on_flange = now.problem.mount == EYE_TO_HAND
    move = inverse(old) @ new if on_flange else old @ inverse(new)
    off = displacement(move @ now.fit.state.board, now.fit.state.board)
    mm, deg = np.linalg.norm(off[:, 3:], axis=1), np.degrees(np.linalg.norm(off[:, :3], axis=1))
    return bool(mm.max() <= mount.position_mm and deg.max() <= mount.angle_deg)
