"""Carrying points over that are fixed to the camera's frame; everything else stays."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ..errors import UsageError
from ..findings import Finding, finding
from ..proof.compare import SIGNIFICANCE, Difference, difference
from ..proof.same_cell import check_same
from ..proof.shift import CAMERA, Carried, carried, read_taught
from .compare import stored


@dataclass(frozen=True, slots=True, eq=False)
class Shifted:
    """Every point before and after, and what is to be said about them."""

    points: tuple[Carried, ...]
    labels: tuple[str, ...]
    findings: tuple[Finding, ...]

    def document(self) -> dict[str, Any]:
        """Return the points as plain data."""
        return {
            "format": 1,
            "points": [
                {
                    "name": item.before.name,
                    "fixed_to": item.before.fixed_to,
                    "shifted": item.shifted,
                    "before": list(item.before.fields),
                    "after": list(item.after),
                    "distance_mm": item.distance_mm,
                    "angle_deg": item.angle_deg,
                    "reduced_speed_first": item.shifted,
                }
                for item in self.points
            ],
            "findings": [item.document() for item in self.findings],
        }


def shift(
    folder: Path, against: Path | None, points: Path | None, camera: str | None = None
) -> Shifted:
    """Return the points of a file after the camera moved from ``against`` to ``folder``.

    ``camera``: which one moved; None: the first. Without a file nothing is shifted. A movement that
    is no larger than chance shifts nothing.
    Raises UsageError for a pendant that shows joints or where the earlier session is not named.
    """
    new = stored(folder, camera)
    pendant = new.session.cell.pendant
    if points is None:
        return Shifted((), pendant.labels, (finding("points-not-shifted", count="All"),))
    if pendant.shows_joints:
        raise UsageError("this pendant shows joints: points cannot be shifted in them", "Teach.")
    taught = read_taught(points, pendant)
    if all(point.fixed_to != CAMERA for point in taught):
        identity = carried(taught, np.eye(4), np.eye(4), new.session.cell.mount, pendant)
        return Shifted(identity, pendant.labels, (finding("points-not-shifted", count="All"),))
    if against is None:
        raise UsageError("the earlier session is not named", "Add --against OLD.")
    old = stored(against, camera)
    check_same(old.session.cell, new.session.cell)
    move = difference(old.result, new.result, new.session.cell)
    if move.chance >= SIGNIFICANCE:
        stay = carried(taught, np.eye(4), np.eye(4), new.session.cell.mount, pendant)
        return Shifted(_unshifted(stay), pendant.labels, (_doubtful(move),))
    mount = new.session.cell.mount
    found = carried(taught, old.result.camera, new.result.camera, mount, pendant)
    return Shifted(found, pendant.labels, tuple(_said(found)))


def _unshifted(found: tuple[Carried, ...]) -> tuple[Carried, ...]:
    return tuple(Carried(item.before, item.before.fields, 0.0, 0.0, False) for item in found)


def _doubtful(move: Difference) -> Finding:
    distance, angle = move.movement.position_mm, move.movement.angle_deg
    return finding("shift-doubtful", distance_mm=distance, angle_deg=angle)


def _said(found: tuple[Carried, ...]) -> list[Finding]:
    shifted = [item for item in found if item.shifted]
    far = max(item.distance_mm for item in shifted)
    turn = max(item.angle_deg for item in shifted)
    said = [finding("points-shifted", count=len(shifted), distance_mm=far, angle_deg=turn)]
    if len(shifted) < len(found):
        said.append(finding("points-not-shifted", count=len(found) - len(shifted)))
    return said
