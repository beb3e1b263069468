"""How far a typed pose lies from the poses recorded before: duplicates and small moves."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..findings import Finding, finding
from ..frames import rotation_angle
from ..pendant.entry import rounding
from ..pendant.settings import Pendant
from .thresholds import (
    DUPLICATE_STEPS,
    OFF_PLAN_DEG,
    OFF_PLAN_MM,
    SMALL_MOVE_DEG,
    SMALL_MOVE_MM,
)

Array = NDArray[np.float64]

_STEP_PER_U = math.sqrt(12.0)  # a display step a has the standard uncertainty a / sqrt(12) (GUM)


@dataclass(frozen=True, slots=True, eq=False)
class RecordedPose:
    """A pose recorded before: the station's id and base_T_flange (4, 4) [mm]."""

    id: int
    base_T_flange: Array


def between(pose: Array, others: Array) -> tuple[Array, Array]:
    """Return distances (n,) [mm] and rotation angles (n,) [rad] from ``pose`` to ``others``."""
    distance = np.linalg.norm(others[:, :3, 3] - pose[:3, 3], axis=1)
    angle = rotation_angle(np.swapaxes(others[:, :3, :3], 1, 2) @ pose[:3, :3])
    return distance, angle


def motion_findings(
    pose: Array, recorded: Sequence[RecordedPose], pendant: Pendant, *, closing: bool = False
) -> list[Finding]:
    """Return `duplicate` (against all recorded poses) or `small-move` (against the last one).

    A closing station returns to the first one on purpose and is exempt from both.
    """
    if not recorded or closing:
        return []
    distance, angle = between(pose, np.stack([item.base_T_flange for item in recorded]))
    u_mm, u_rad = rounding(pendant)
    same = (distance <= DUPLICATE_STEPS * _STEP_PER_U * u_mm * math.sqrt(3)) & (
        angle <= DUPLICATE_STEPS * _STEP_PER_U * u_rad * math.sqrt(3)
    )
    if same.any():
        index = int(np.flatnonzero(same)[-1])
        variant = "previous" if index == len(recorded) - 1 else None
        return [finding("duplicate", variant, other=recorded[index].id)]
    angle_deg = math.degrees(angle[-1])
    if distance[-1] < SMALL_MOVE_MM and angle_deg < SMALL_MOVE_DEG:
        return [
            finding(
                "small-move",
                distance_mm=f"{distance[-1]:.1f}",
                angle_deg=f"{angle_deg:.1f}",
                other=recorded[-1].id,
                least_mm=f"{SMALL_MOVE_MM:g}",
                least_deg=f"{SMALL_MOVE_DEG:g}",
            )
        ]
    return []


def closing_findings(pose: Array, recorded: Sequence[RecordedPose]) -> list[Finding]:
    """Return `closing-elsewhere` where a closing stop is far from the first recorded pose."""
    if not recorded:
        return []
    distance, angle = between(pose, recorded[0].base_T_flange[None])
    angle_deg = math.degrees(angle[0])
    if distance[0] <= OFF_PLAN_MM and angle_deg <= OFF_PLAN_DEG:
        return []
    distance_mm, turn = f"{distance[0]:.0f}", f"{angle_deg:.1f}"
    first = recorded[0].id
    return [finding("closing-elsewhere", first=first, distance_mm=distance_mm, angle_deg=turn)]


def off_plan_findings(pose: Array, planned: Array, number: int) -> list[Finding]:
    """Return the note `off-plan` where ``pose`` is far from planned station ``number``."""
    distance, angle = between(pose, planned[None])
    angle_deg = math.degrees(angle[0])
    if distance[0] <= OFF_PLAN_MM and angle_deg <= OFF_PLAN_DEG:
        return []
    return [
        finding(
            "off-plan",
            distance_mm=f"{distance[0]:.0f}",
            angle_deg=f"{angle_deg:.1f}",
            planned=number,
        )
    ]
