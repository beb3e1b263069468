"""What a stored result states: the delivered transform and its uncertainty, read from result.yaml.

Comparison and proof are about what was handed over, not about what the program would find today.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..arrays import Array
from ..cell.cell import Cell
from ..errors import SolveError, StationbookError
from ..frames import checked_transform

REMEDY = "Solve the session again; see its findings for what is missing."


@dataclass(frozen=True, slots=True, eq=False)
class Stated:
    """The delivered camera transform (4, 4) [mm] with its covariance (6, 6), see `frames`.

    ``work_volume_mm`` and ``pick_mm`` standard uncertainties; noise levels of one image point [px]
    and of one stop [mm], [rad].
    """

    camera: Array
    covariance: Array
    work_volume_mm: float
    pick_mm: float
    pixel_px: float
    robot_mm: float
    robot_rad: float

    @property
    def systematic_mm(self) -> float:
        """The robot's systematic part of a pick [mm], standard: what pick_mm has beyond it."""
        return float(np.sqrt(max(self.pick_mm**2 - self.work_volume_mm**2, 0.0)))


def stated(document: Mapping[str, Any], cell: Cell) -> Stated:
    """Return what the result ``document`` of a session in ``cell`` states.

    Raises SolveError where it does not state a whole transform with its uncertainty.
    """
    if document.get("mount") != cell.mount:
        raise SolveError(f"the result is {document.get('mount')}, the cell {cell.mount}", REMEDY)
    placed = document.get(cell.camera_key)
    matrix = placed.get("matrix") if isinstance(placed, Mapping) else None
    numbers = _numbers(document)
    covariance = _array(document.get("covariance"), (6, 6))
    camera = _array(matrix, (4, 4))
    if numbers is None or covariance is None or camera is None:
        raise SolveError(f"the result holds no complete {cell.camera_key}", REMEDY)
    try:
        camera = checked_transform(camera, f"result.yaml: {cell.camera_key}")
    except StationbookError as error:
        raise SolveError(error.problem, REMEDY) from None
    return Stated(camera, covariance, *numbers)


def _numbers(document: Mapping[str, Any]) -> tuple[float, float, float, float, float] | None:
    u, noise = document.get("uncertainty"), document.get("noise")
    if not isinstance(u, Mapping) or not isinstance(noise, Mapping):
        return None
    found = [u.get("work_volume_mm"), u.get("pick_mm"), noise.get("pixel_px")]
    found += [noise.get("robot_position_mm"), noise.get("robot_angle_deg")]
    values = _array(found, (5,))
    if values is None:
        return None
    wv, pick, px, mm, deg = values.tolist()
    return wv, pick, px, mm, float(np.radians(deg))


def _array(value: object, shape: tuple[int, ...]) -> Array | None:
    try:
        found = np.array(value, dtype=float)
    except (TypeError, ValueError):
        return None
    return found if found.shape == shape and np.isfinite(found).all() else None
