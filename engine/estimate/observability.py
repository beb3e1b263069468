"""Which directions the stations leave open or weak, in words, and what would settle them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..findings import Finding, finding
from ..frames import Array, displaced, rotation_angle
from ..sessions.cell import EYE_TO_HAND
from .fit import Fit
from .information import flange_information
from .pick import PickModel
from .result import unknown
from .solver import Solution

PURE_SHIFT = np.radians(
    1.0
)  # [rad] stations that turn less than this against each other are shifts
ONE_AXIS = 0.05  # [-] spread of the turns across the main axis over that along it: tilts below 3°
TILT = np.radians(20.0)  # [rad] the tilt that is tried as a remedy: well seen, easily jogged
AXES = ("X", "Y", "Z")


@dataclass(frozen=True, slots=True)
class Motion:
    """How the stations turn: ``kind`` general, one axis or pure shift, and the axis in the base."""

    kind: str
    axis: tuple[float, float, float]


def motion(typed: Array) -> Motion:
    """Return how the flange poses (n, 4, 4) turn against each other."""
    R = typed[:, :3, :3]
    relative = R[:, None] @ np.swapaxes(R[None], -1, -2)
    skewed = (relative - np.swapaxes(relative, -1, -2)).reshape(-1, 3, 3)
    turns = np.stack([skewed[:, 2, 1], skewed[:, 0, 2], skewed[:, 1, 0]], axis=1) / 2
    sizes, axes = np.linalg.eigh(turns.T @ turns)
    main = axes[:, 2] * np.sign(axes[np.abs(axes[:, 2]).argmax(), 2])
    axis = (float(main[0]), float(main[1]), float(main[2]))
    if rotation_angle(relative.reshape(-1, 3, 3)).max() < PURE_SHIFT:
        return Motion("pure shift", axis)
    spread = np.sqrt(max(sizes[1], 0.0) / sizes[2])
    return Motion("one axis" if spread < ONE_AXIS else "general", axis)


def direction_words(axis: Array | tuple[float, float, float]) -> str:
    """Return "base Z" or, off the axes, "base direction (0.6, 0.0, 0.8)"."""
    axis = np.asarray(axis, float)
    largest = int(np.abs(axis).argmax())
    if abs(axis[largest]) > np.cos(np.radians(15.0)):  # within 15°: people call it by the axis
        return f"base {AXES[largest]}"
    return f"base direction ({axis[0]:.1f}, {axis[1]:.1f}, {axis[2]:.1f})"


def observability_findings(found: Solution, without_ties: Fit | None) -> list[Finding]:
    """Return `unobservable` or `unobservable/fixed`, or nothing.

    ``without_ties`` is the fit without the measured numbers, where there are any.
    """
    if unknown(found.fit.covariance[:6, :6]):
        direction, remedy = _open_direction(found)
        return [finding("unobservable", direction=direction, remedy_text=remedy)]
    if without_ties is not None and unknown(without_ties.covariance[:6, :6]):
        direction, _ = _open_direction(found)
        given = " and ".join(tie.name for tie in found.stations.constraints)
        return [finding("unobservable", "fixed", direction=direction, given=given)]
    return []


def _open_direction(found: Solution) -> tuple[str, str]:
    moved = motion(found.stations.typed[found.used])
    carrier = "flange" if found.problem.mount == EYE_TO_HAND else "base"
    if moved.kind == "pure shift":
        return (
            "The camera's place",
            "Add stations that turn and tilt the board by 20° or more about two axes.",
        )
    if moved.kind == "one axis":
        along = direction_words(moved.axis)
        return (
            f"How far camera and board are shifted together along {along}",
            f"Measure the height of point 0 over the {carrier} and enter board.height_mm, or touch "
            "one point that the camera sees; a six-axis robot can tilt the board instead.",
        )
    return (
        "The camera's place and direction",
        "Add stations that turn and tilt the board by 20° or more about two axes.",
    )


def weak_findings(found: Solution, pick: PickModel, covariance: Array) -> list[Finding]:
    """Return `weak-direction` where the camera's part of U alone breaks the tolerance."""
    tolerance = found.problem.tolerance.position_mm
    if 2 * pick.work_volume_mm(covariance) <= tolerance:
        return []
    rows = pick.moved[pick.corner]
    spread = np.einsum("nij,jk,nlk->nil", rows, covariance, rows)
    worst = int(np.einsum("nii->n", spread).argmax())
    sizes, axes = np.linalg.eigh(spread[worst])
    axis = _base_axes(found) @ axes[:, 2]
    expanded = 2.0 * float(np.sqrt(sizes[2]))
    if np.abs(axis[2]) > np.cos(np.radians(30.0)):  # within 30° of upright: people say height
        what = "At the work volume, height over the base (base Z)"
    else:
        what = f"At the work volume, the place along {direction_words(axis * np.sign(axis.sum()))}"
    return [
        finding(
            "weak-direction",
            what=what,
            expanded=f"{expanded:.2g}",
            unit="mm",
            remedy_text=f"Add stations tilted about {_helping_axis(found, rows[worst])}.",
        )
    ]


def _base_axes(found: Solution) -> Array:
    if found.problem.mount == EYE_TO_HAND:
        return np.eye(3)
    return np.asarray(found.stations.typed[found.used][:, :3, :3].mean(axis=0))


def _helping_axis(found: Solution, rows: Array) -> str:
    """Return the base axis about which two tilts of the middle station help the place most."""
    typed = found.stations.typed[found.used]
    middle = typed[np.linalg.norm(typed[:, :3, 3] - typed[:, :3, 3].mean(0), axis=1).argmin()]
    tilts = [sign * TILT * np.eye(6)[axis] for axis in range(3) for sign in (1, -1)]
    candidates = displaced(np.broadcast_to(middle, (6, 4, 4)), np.array(tilts))
    added = flange_information(found, candidates).reshape(3, 2, 12, 12).sum(axis=1)
    base = np.linalg.inv(found.fit.covariance[:12, :12])
    after = np.linalg.inv(base + added)[:, :6, :6]
    left = np.einsum("ij,njk,ik->n", rows, after, rows)
    return f"base {AXES[int(left.argmin())]}"
