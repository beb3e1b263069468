"""What a result states, as arrays, and whether two sessions speak of the same cell.

Comparison, proof and report are about what was handed over, not about what the program would find
today.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..arrays import Array
from ..boards.pattern import Board
from ..camera.lens import NAMES
from ..camera.model import Camera
from ..cell.cell import Cell
from ..cell.result import Covariance, Placed, StoredResult
from ..cell.session import cell_of
from ..errors import SolveError, StationbookError, UsageError
from ..frames import checked_transform, from_position_quaternion, rotation_angle
from ..robots.model import Robot

REMEDY = "Solve the session again; see its findings for what is missing."
AGREE_MM, AGREE_RAD = 1e-3, 1e-6  # rounding of a file written by this program stays below both


@dataclass(frozen=True, slots=True, eq=False)
class Stated:
    """The delivered camera transform (4, 4) [mm] with its covariance (6, 6), see `frames`.

    ``systematic_mm``, the robot's part of a pick, is a standard uncertainty: what that of a pick
    has beyond the one at the work volume. Noise levels of one image point [px] and of one stop
    [mm], [rad]. u is stated ``wider`` than the covariance says, see `StoredResult`.
    Lens and board are ``off`` (16,), in the order of `camera.lens.NAMES`, 0 for what is not
    estimated; ``off_covariance`` (16, 22) is theirs with the transform and with each other.
    ``unknown_by``: the code of the cause of all stations beside which none of this uncertainty
    means anything; None: none.
    """

    camera: Array
    covariance: Array
    systematic_mm: float
    pixel_px: float
    robot_mm: float
    robot_rad: float
    wider: float
    off: Array
    off_covariance: Array
    unknown_by: str | None = None


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
    if result.budget is not None and result.budget.parts:
        pick = result.budget.stated_mm  # half of its U is more
    arm = float(np.sqrt(max(pick**2 - volume**2, 0.0)))
    turn, off = float(np.radians(degrees)), lens_and_board(result)
    return Stated(
        camera, covariance, arm, pixel, shift, turn, result.wider, *off,
        unknown_by=result.spoiled_by,
    )  # fmt: skip


def lens_and_board(result: StoredResult) -> tuple[Array, Array]:
    """Return what lens and board are off (16,), with the covariance (16, 22): see `Stated`.

    A result without that covariance counts as one whose errors know nothing of each other.
    """
    known = [item for item in result.board_and_lens if item.name in NAMES]
    where = [NAMES.index(item.name) for item in known]
    off, covariance = np.zeros(len(NAMES)), np.zeros((len(NAMES), 6 + len(NAMES)))
    pairs = np.array([item.value_and_u() for item in known]).reshape(-1, 2)
    off[where] = pairs[:, 0]
    columns = [*range(6), *(6 + column for column in where)]
    rows = np.concatenate([np.zeros((len(known), 6)), np.diag(pairs[:, 1] ** 2)], axis=1)
    stored = np.array(result.board_and_lens_covariance or (), float)
    if stored.shape == rows.shape and np.isfinite(stored).all():
        rows = stored
    covariance[np.ix_(where, columns)] = rows
    return off, covariance


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
    part = result.further.get(name)
    if part is None:
        raise StationbookError(
            f"the result says nothing of camera {name!r}", "Record its views, then solve again."
        )
    return replace(part, inputs=result.inputs, basis=result.basis, frames=result.frames)


CAMERA = {"name": "name", "image_size_px": "image size", "matrix": "lens data (matrix)"}
CAMERA |= {"distortion": "lens data (distortion)"}
BOARD = {"pattern": "pattern", "columns": "columns", "rows": "rows", "pitch_mm": "pitch"}
BOARD |= {"diameter_mm": "circle diameter", "dictionary": "dictionary", "marker_mm": "marker size"}
BOARD |= {"legacy_layout": "layout", "measured": "measured points"}
ROBOT = {"name": "name", "kind": "kind", "geometry_mm": "geometry", "links": "links"}
ROBOT |= {"offsets_deg": "joint offsets", "directions": "joint directions", "coupling": "coupling"}
ROBOT |= {"base_T_first_mm_deg": "first joint", "last_T_flange_mm_deg": "flange"}
SHORT = 40  # characters of a value that a sentence can carry


def differences(old: Cell, new: Cell) -> list[str]:
    """Return in words what makes ``new`` another cell than ``old``; empty where it is the same.

    Limits, accuracy, tolerance and work volume may change: they do not say where things are.
    """
    found = [f"mount {old.mount} / {new.mount}"] if old.mount != new.mount else []
    lens = [camera.lens_from == "cell" for camera in (old.camera, new.camera)]
    apart = () if any(lens) else ("matrix", "distortion")  # from images: no two alike
    compared = {key: name for key, name in CAMERA.items() if key not in apart}
    found += _differing("camera", old.camera, new.camera, compared)
    found += _differing("board", old.board, new.board, BOARD)
    if (old.robot is None) != (new.robot is None):
        names = [robot.name if robot else "none" for robot in (old.robot, new.robot)]
        found.append(f"robot {names[0]} / {names[1]}")
    elif old.robot is not None and new.robot is not None:
        found += _differing("robot", old.robot, new.robot, ROBOT)
    for key in ("active_tool", "active_frame"):
        a, b = getattr(old.pendant, key), getattr(new.pendant, key)
        found += [f"{key.replace('_', ' ')} {a} / {b}"] if a != b else []
    return found


def check_same(old: Cell, new: Cell, swapped: str | None = None) -> None:
    """Raise UsageError naming what differs where ``old`` and ``new`` are different cells.

    ``swapped``: the part, camera or board, that was exchanged on purpose.
    """
    found = [item for item in differences(old, new) if item.split()[0] != swapped]
    if found:
        raise UsageError(
            f"the earlier session belongs to another cell (earlier / now): {'; '.join(found)}",
            "Compare with a session of the same camera, lens data, board and robot, or do the full "
            "job.",
        )


def _differing(
    what: str, old: Camera | Board | Robot, new: Camera | Board | Robot, names: dict[str, str]
) -> list[str]:
    found = []
    for attribute, name in names.items():
        a, b = getattr(old, attribute), getattr(new, attribute)
        if a != b:
            values = f" {a} / {b}"
            found.append(f"{what} {name}" + (values if len(values) <= SHORT * 2 else ""))
    return found
