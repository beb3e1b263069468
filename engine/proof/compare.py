"""The difference of two stored results, with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
from scipy.stats import chi2

from ..estimate.model import point_rows
from ..findings import Finding, finding
from ..frames import Array, apply, displacement, inverse
from ..sessions.cell import EYE_TO_HAND, Cell
from .movement import Movement
from .stated import Stated

IN_FRONT_MM = 500.0  # mm; a usual working distance of a camera on the flange, common practice
SIGNIFICANCE = 0.01  # [-] chance that results of one and the same camera place are said to differ


@dataclass(frozen=True, slots=True, eq=False)
class Difference:
    """From one result to another: the movement, and whether chance explains it.

    ``chance`` [-] of a difference as unlikely as this one where the camera stayed. The sessions
    count as independent: robot errors that both share make the stated uncertainty too large, never
    too small.
    """

    movement: Movement
    chance: float
    findings: tuple[Finding, ...]

    @property
    def agree(self) -> bool:
        """Whether the results agree within their uncertainty."""
        return self.chance >= SIGNIFICANCE

    def document(self) -> dict[str, Any]:
        """Return the difference as plain data."""
        return {
            "format": 1,
            "agree": self.agree,
            "chance": self.chance,
            "difference": self.movement.document(),
            "findings": [item.document() for item in self.findings],
        }


def difference(old: Stated, new: Stated, cell: Cell) -> Difference:
    """Return the difference from ``old`` to ``new``, at the camera and at the work volume."""
    xi = displacement(new.camera, old.camera)
    covariance = old.covariance + new.covariance
    chance = float(chi2.sf(xi @ np.linalg.solve(covariance, xi), 6))
    movement = _movement(old.camera, new.camera, xi, covariance, cell)
    if chance >= SIGNIFICANCE:
        said = finding("results-agree")
    else:
        volume = f"{movement.work_volume_mm:.2g}"
        said = finding("results-differ", movement=movement.words(), work_volume_mm=volume)
    return Difference(movement, chance, (said,))


def _movement(old: Array, new: Array, xi: Array, covariance: Array, cell: Cell) -> Movement:
    seen = corners_in_camera(cell, old)
    shifts = np.linalg.norm(apply(new, seen) - apply(old, seen), axis=1)
    rows = point_rows(old, seen)
    variances = np.einsum("nij,jk,nik->n", rows, covariance, rows)
    return Movement(
        mount=cell.mount,
        matrix=new @ inverse(old),
        xi=xi,
        covariance=covariance,
        work_volume_mm=float(shifts.max()),
        u_work_volume_mm=float(np.sqrt(variances.max())),
    )


def corners_in_camera(cell: Cell, camera: Array) -> Array:
    """Return the corners (8, 3) [mm] of the work volume in the camera frame.

    A volume in the base, seen by a camera on the flange, has no fixed place in the camera: the
    corners then are those of a box of that size 500 mm in front of it.
    """
    volume = cell.work_volume
    signs = np.array(list(product((-0.5, 0.5), repeat=3)))
    box = signs * np.asarray(volume.size_mm)
    corners: Array = np.asarray(volume.center_mm) + box
    if volume.frame == "camera":
        return corners
    if cell.mount == EYE_TO_HAND:
        return apply(inverse(camera), corners)
    return np.asarray(box + np.array([0.0, 0.0, IN_FRONT_MM]))
