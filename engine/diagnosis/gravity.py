"""Whether a cause is an error: what a clean session may show or hardly matters is a warning."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..arrays import Array
from ..cell.mount import EYE_TO_HAND
from ..cell.rule import keeps
from ..estimate.assemble import assembled
from ..estimate.pick import REMAINS
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
DEPTH = "depth-tilted"  # nor this, unless parts are located by that depth
# [-] of U, and of the tolerance: what moves the result by less is told as a warning. A quarter of
# the tolerance is what a measurement may be off that judges by it (common practice, no source).
MATTERS, OF_TOLERANCE = 0.5, 0.25


def weighed(now: Solution, cause: Cause, chance: float) -> tuple[Finding, ...]:
    """Return the cause's findings: warnings of what a clean session may show or hardly matters.

    ``chance``: with which a clean session raises the alarm that led to it.
    """
    codes = {item.code for item in cause.findings}
    doubtful: tuple[str, ...] = STATION_CODES if chance >= ERROR_CHANCE else ()
    small = SMALL if now.problem.by_depth else (*SMALL, DEPTH)
    if codes and codes <= set(small) and not _matters(now, cause):
        doubtful = small
    return tuple(
        replace(item, level=Level.WARNING) if item.code in doubtful else item
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
    moved = before.pick.moved @ displacement(_at_the_end(now, cause, after.camera), before.camera)
    largest = float(np.linalg.norm(moved, axis=-1).max())
    if not keeps(before.uncertainty.pick_mm, tolerance.position_mm, tolerance.rule):
        largest = max(largest, _added(before, after, cause))
    counts = largest > max(MATTERS * 2.0 * u, OF_TOLERANCE * tolerance.position_mm)
    return counts and not _within_mount(now, cause)


def _at_the_end(now: Solution, cause: Cause, camera: Array) -> Array:
    """Return the camera (4, 4) after the last stop, from ``camera``, where the cause has it first.

    A camera that moved picks from where it stands in the end, and the poses of the cause, put
    right, are those at which it would have seen the same without having moved.
    """
    if not any(item.code == "camera-moved" for item in cause.findings):
        return camera
    old, new = (one.observations[-1].base_T_flange for one in (now.problem, cause.problem))
    fixed = now.problem.mount == EYE_TO_HAND
    return (old @ inverse(new) if fixed else inverse(old) @ new) @ camera


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
