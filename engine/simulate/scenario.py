"""The cell files of "bottling line 2, infeed", written and commented as a technician would."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from ..arrays import Array
from ..cell.cell import Cell
from ..cell.mount import EYE_IN_HAND, EYE_TO_HAND, Mount
from ..frames import inverse, transform, turns
from ..sessions.cell_file import cell_record
from ..sessions.yaml_text import parse_yaml

HEAD = """\
format: 1
name: bottling line 2, infeed
mount: {mount}
"""

SIX_AXIS = """\

robot:
  name: demo six-axis arm
  kind: spherical-wrist
  geometry_mm: {a1: 70, a2: -20, b: 0, c1: 390, c2: 410, c3: 375, c4: 95}
  offsets_deg: [0, 0, 0, 0, 0, 0]
  directions: [1, 1, 1, 1, 1, 1]
  limits_deg: [[-160, 160], [-65, 145], [-70, 190], [-180, 180], [-135, 135], [-360, 360]]
  repeatability_mm: 0.03    # from the robot's data sheet
  accuracy_mm: 0.4          # absolute, uncompensated

pendant:
  length_unit: mm
  angle_unit: deg
  rotation: fixed-xyz
  labels: [X, Y, Z, A, B, C]
  decimals: [2, 2, 2, 2, 2, 2]
  active_tool: flange       # what the pendant shows as active while poses are read
  active_frame: base
"""

FOUR_AXIS = """\

robot:
  name: demo four-axis arm
  kind: level-flange        # the linkage holds the flange level
  geometry_mm: {a1: 120, a2: 0, b: 0, c1: 450, c2: 420, c3: 480, c4: 90}
  offsets_deg: [0, 0, 0, 0]
  directions: [1, 1, 1, 1]
  coupling: {J3: J2}        # the shown J3 moves with J2
  limits_deg: [[-165, 165], [-60, 120], [-20, 190], [-360, 360]]
  repeatability_mm: 0.05    # from the robot's data sheet
  accuracy_mm: 0.5          # absolute, uncompensated

pendant:
  length_unit: mm
  angle_unit: deg
  rotation: yaw
  flange_down: true
  labels: [X, Y, Z, A]
  decimals: [2, 2, 2, 2]
  active_tool: flange       # what the pendant shows as active while poses are read
  active_frame: base
"""

CAMERA = """\

camera:
  name: {name}
  image_size_px: [1280, 1024]
  matrix: [[1400.0, 0, 640.0], [0, 1400.0, 512.0], [0, 0, 1]]
  distortion: [-0.085, 0.062, 0.0004, -0.0003, 0.0]   # k1 k2 p1 p2 k3, as OpenCV orders them
  u: {{focal: 0, center_px: 0, edge_px: 0}}   # a simulated lens is known exactly
  source: none
"""

DEPTH = """\
  depth: {scale_mm: 0.1, frame: camera, scale_u: 0.001, tilt_u_deg: 0}   # tenths of a mm; aligned
"""

BOARD = """\

board:
  pattern: chessboard
  columns: 11               # inner corners, not squares
  rows: 8
  pitch_mm: 20.0
  scale_u: 0                # a simulated board is exact
  bow_u_mm: 0
  mount_repeatability: {position_mm: 0.1, angle_deg: 0.05}
"""

CIRCLES = """\

board:
  pattern: circles
  columns: 11               # circles along a row
  rows: 8
  pitch_mm: 20.0
  diameter_mm: 10.0
  larger: {ids: [36, 39, 59], diameter_mm: 13.0}     # they show which circle is which
  mount_repeatability: {position_mm: 0.1, angle_deg: 0.05}
  scale_u: 0                # a simulated board is exact
  bow_u_mm: 0
"""

BOARDS = {"chessboard": BOARD, "circles": CIRCLES}
BoardName = Literal["chessboard", "circles"]

HEIGHT = """\
  height_mm: {height:.1f}          # z of point 0, measured: a four-axis arm cannot show it
"""

WORK = """\

work_volume: {{frame: {frame}, center_mm: {center}, size_mm: {size}}}   # where bottles are picked
tolerance: {{position_mm: {tolerance}, angle_deg: 0.2}}
keep_out: []
locate: {locate}
"""

LOCATE = "lens              # parts are located by the same lens data"
LOCATE_BY_DEPTH = "depth             # parts are located as points in space"


Axes = Literal[6, 4]

_LABELS = {EYE_TO_HAND: "frame camera", EYE_IN_HAND: "hand camera"}


@dataclass(frozen=True, slots=True, eq=False)
class Truth:
    """Where camera and board truly are in a simulated cell.

    Attributes:
        mount: how the camera is mounted.
        camera: (4, 4) [mm] base_T_camera; eye-in-hand: flange_T_camera.
        board: (4, 4) [mm] flange_T_board; eye-in-hand: base_T_board.
    """

    mount: Mount
    camera: Array
    board: Array

    def camera_T_board(self, base_T_flange: ArrayLike) -> Array:
        """Return camera_T_board (..., 4, 4) [mm] at flange poses (..., 4, 4) [mm]."""
        F = np.asarray(base_T_flange, float)
        if self.mount == EYE_TO_HAND:
            return np.asarray(inverse(self.camera) @ F @ self.board)
        return np.asarray(inverse(F @ self.camera) @ self.board)

    def base_T_flange(self, camera_T_board: ArrayLike) -> Array:
        """Return the flange poses (..., 4, 4) [mm] that show the board at camera_T_board."""
        T = np.asarray(camera_T_board, float)
        if self.mount == EYE_TO_HAND:
            return np.asarray(self.camera @ T @ inverse(self.board))
        return np.asarray(self.board @ inverse(T) @ inverse(self.camera))


def cell_text(
    mount: Mount = EYE_TO_HAND,
    axes: Axes = 6,
    board: BoardName = "chessboard",
    depth: bool = False,
) -> str:
    """Return the text of ``cell.yaml`` as a technician writes it, with comments.

    ``depth``: the camera is a 3-D camera.
    """
    robot, tolerance, height = SIX_AXIS, 1.0, ""
    frame, center, size = "camera", [0, 0, 450], [300, 240, 150]
    if mount == EYE_TO_HAND:
        frame, center, size = "base", [600, 0, 250], [400, 300, 200]
    if axes == 4:
        robot, tolerance = FOUR_AXIS, 1.5
        height = HEIGHT.format(height=truth(mount, axes).board[2, 3])
        center = [650, 0, 620] if mount == EYE_TO_HAND else center
    head, camera = HEAD.format(mount=mount), CAMERA.format(name=_LABELS[mount])
    locate = LOCATE_BY_DEPTH if depth else LOCATE
    work = WORK.format(frame=frame, center=center, size=size, tolerance=tolerance, locate=locate)
    camera += DEPTH if depth else ""
    return head + robot + camera + BOARDS[board] + height + work


@cache
def cell(
    mount: Mount = EYE_TO_HAND,
    axes: Axes = 6,
    board: BoardName = "chessboard",
    depth: bool = False,
) -> Cell:
    """Return the cell that `cell_text` describes."""
    text = cell_text(mount, axes, board, depth)
    return cell_record(inside=True).read(parse_yaml(text.encode(), Path("cell.yaml")))


def truth(mount: Mount = EYE_TO_HAND, axes: Axes = 6) -> Truth:
    """Return where camera and board truly are.

    The camera on the frame looks at the infeed (six axes: from the far side, down at the arm; four
    axes: from below). The board sits on a bracket beside the flange's axis, facing away from the
    arm, a little tilted as clamped by hand. The camera on the flange looks along the flange's axis;
    its board lies on the table, for four axes on a wedge.
    """
    if mount == EYE_TO_HAND:
        camera = (
            looking([1220.0, -260.0, 880.0], [570.0, 0.0, 310.0])
            if axes == 6
            else looking([690.0, 60.0, 30.0], [640.0, 10.0, 700.0])
        )
        tilt = [10.0, 4.0, 1.5] if axes == 6 else [14.0, -9.0, 1.5]
        return Truth(mount, camera, _facing_down(tilt, [-104.0, 73.5, 46.0]))
    camera = transform(_turned([2.0, -4.0, 88.0]), [68.0, -14.0, 45.0])
    tilt = [1.2, -0.7, 24.0] if axes == 6 else [11.0, -8.0, 24.0]
    return Truth(mount, camera, _facing_down(tilt, [470.0, 90.0, 18.0 if axes == 6 else 55.0]))


def looking(position: ArrayLike, target: ArrayLike) -> Array:
    """Return base_T_camera (4, 4) of a camera at ``position`` whose axis points at ``target``.

    Both are (3,) [mm] in the base; the image's rows are level.
    """
    position = np.asarray(position, float)
    ahead = np.asarray(target, float) - position
    ahead = ahead / np.linalg.norm(ahead)
    right = np.cross(ahead, [0.0, 0.0, 1.0])
    right = right / np.linalg.norm(right)
    return transform(np.column_stack([right, np.cross(ahead, right), ahead]), position)


def _facing_down(tilt_deg: list[float], position: list[float]) -> Array:
    """Return the board's transform, its z turned over: into the table, or into the arm."""
    return transform(_turned([180.0, 0.0, 0.0]) @ _turned(tilt_deg), position)


def _turned(fixed_xyz_deg: list[float]) -> Array:
    return turns("zyx", np.radians(fixed_xyz_deg[::-1]))
