"""What a result states, as arrays: the delivered transform and its uncertainty, checked.

Comparison, proof and report are about what was handed over, not about what the program would find
today.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..arrays import Array
from ..cell.cell import Cell
from ..cell.session import cell_of
from ..errors import SolveError, StationbookError
from ..frames import checked_transform, from_position_quaternion, rotation_angle
from ..sessions.result_parts import Covariance, Placed
from ..sessions.stored_result import StoredResult

REMEDY = "Solve the session again; see its findings for what is missing."
AGREE_MM, AGREE_RAD = 1e-3, 1e-6  # rounding of a file written by this program stays below both


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


def stated(result: StoredResult, cell: Cell) -> Stated:
    """Return what ``result`` of a session in ``cell`` states.

    Raises SolveError where it does not state a whole transform with its uncertainty.
    """
    if result.mount != cell.mount:
        raise SolveError(f"the result is {result.mount}, the cell {cell.mount}", REMEDY)
    camera = transform_of(result.camera, cell.camera_key)
    covariance = covariance_of(result.covariance)
    u, noise = result.uncertainty, result.noise
    numbers = (u.work_volume_mm, u.pick_mm, noise.pixel_px, noise.robot_position_mm)
    known = [value for value in (*numbers, noise.robot_angle_deg) if value is not None]
    if camera is None or covariance is None or len(known) < 5:
        raise SolveError(f"the result holds no complete {cell.camera_key}", REMEDY)
    volume, pick, pixel, shift, degrees = known
    return Stated(camera, covariance, volume, pick, pixel, shift, float(np.radians(degrees)))


def transform_of(placed: Placed | None, name: str) -> Array | None:
    """Return a transform of a result as (4, 4) [mm], or None where it is not wholly known.

    Raises SolveError where it is no rigid transform, or matrix and position with quaternion
    disagree.
    """
    if placed is None or placed.quaternion_xyzw is None or not placed.known:
        return None
    try:
        T = checked_transform(np.array(placed.matrix, float), f"result.yaml: {name}")
        numbers = (*placed.position_mm, *placed.quaternion_xyzw)
        other = from_position_quaternion(np.array(numbers, float))
    except StationbookError as error:
        raise SolveError(error.problem, REMEDY) from None
    shift = float(np.abs(T[:3, 3] - other[:3, 3]).max())
    turn = float(rotation_angle(T[:3, :3].T @ other[:3, :3]))
    if shift > AGREE_MM or turn > AGREE_RAD:
        raise SolveError(
            f"{name} in the result: matrix and position with quaternion differ by {shift:.3g} mm "
            f"and {np.rad2deg(turn):.3g}°",
            "The file was edited or damaged; solve again.",
        )
    return T


def covariance_of(matrix: Covariance | None) -> Array | None:
    """Return a covariance (6, 6) [rad, mm] of a result, or None where it is not wholly known."""
    if matrix is None:
        return None
    covariance = np.array(matrix, float)
    return covariance if np.isfinite(covariance).all() else None


def of_camera(result: StoredResult, cell: Cell, name: str) -> StoredResult:
    """Return the part of a result that speaks of camera ``name``, with its inputs.

    Raises UsageError for a camera that the cell does not have, StationbookError where the result
    says nothing of it.
    """
    cell_of(cell, name)
    if name == cell.camera.name:
        return result
    part = result.cameras.get(name)
    if part is None:
        raise StationbookError(
            f"the result says nothing of camera {name!r}", "Record its views, then solve again."
        )
    return replace(part, inputs=result.inputs, basis=result.basis)
