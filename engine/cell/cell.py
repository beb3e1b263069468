"""The cell: everything that stays the same between sessions."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import product
from typing import Literal

import numpy as np

from ..arrays import Array
from ..boards.pattern import Board
from ..camera.model import Camera
from ..pendant.conventions import YAW
from ..pendant.settings import Pendant
from ..robots.arms import is_level
from ..robots.model import Robot
from .mount import KEYS, Mount
from .rule import Tolerance

Locate = Literal["lens", "depth"]


@dataclass(frozen=True, slots=True)
class WorkVolume:
    """The box in which parts are picked [mm], in the base frame (eye-in-hand: the camera frame)."""

    frame: Literal["base", "camera"]
    center_mm: tuple[float, float, float]
    size_mm: tuple[float, float, float]
    approach: tuple[str, ...] | None = None  # rotation fields as typed on the pendant

    def corners(self) -> Array:
        """Return the eight corners (8, 3) [mm] in its frame."""
        signs = np.array(list(product((-0.5, 0.5), repeat=3)))
        return np.asarray(np.array(self.center_mm) + signs * np.array(self.size_mm))


@dataclass(frozen=True, slots=True)
class KeepOut:
    """A box in the base frame that arm and board must not enter [mm]."""

    name: str
    min_mm: tuple[float, float, float]
    max_mm: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class RoughPlace:
    """A transform as files hold it: position [mm] and quaternion x y z w."""

    position_mm: tuple[float, float, float]
    quaternion_xyzw: tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Rough:
    """A rough result from an earlier session or a tape measure: the two unknown transforms."""

    camera: RoughPlace  # base_T_camera (eye-in-hand: flange_T_camera)
    board: RoughPlace  # flange_T_board (eye-in-hand: base_T_board)


@dataclass(frozen=True, slots=True)
class Cell:
    """A cell as `cell.yaml` describes it. ``robot`` None: reach is not checked."""

    name: str
    mount: Mount
    robot: Robot | None
    pendant: Pendant
    camera: Camera
    board: Board
    work_volume: WorkVolume
    tolerance: Tolerance
    keep_out: tuple[KeepOut, ...] = ()
    rough: Rough | None = None
    cameras: tuple[Camera, ...] = ()  # further ones that see the same board; `camera` is the first
    robot_accuracy_mm: float | None = None  # of a robot that is not described; None: as assumed
    recheck_every_days: float | None = None
    recheck_after: tuple[str, ...] | None = None  # noted events that ask for one; None: all of them
    locate: Locate | None = (
        None  # parts by the same lens data or in space; None: by what it measures
    )

    @property
    def every_camera(self) -> tuple[Camera, ...]:
        """The first camera and the further ones."""
        return (self.camera, *self.cameras)

    def with_each_camera(self, change: Callable[[Camera], Camera]) -> Cell:
        """Return the cell with ``change(camera)`` in the place of each camera."""
        first, *further = map(change, self.every_camera)
        return replace(self, camera=first, cameras=tuple(further))

    @property
    def camera_names(self) -> tuple[str, ...]:
        """Their names, the first camera's first."""
        return tuple(camera.name for camera in self.every_camera)

    @property
    def camera_key(self) -> str:
        """Name of the delivered transform: base_T_camera or flange_T_camera."""
        return KEYS[self.mount][0]

    @property
    def level(self) -> bool:
        """Whether the arm cannot tilt its flange."""
        return holds_level(self.robot, self.pendant)

    @property
    def board_key(self) -> str:
        """Name of the board's transform: flange_T_board or base_T_board."""
        return KEYS[self.mount][1]


def holds_level(robot: Robot | None, pendant: Pendant) -> bool:
    """Tell whether the flange cannot tilt: by the robot's kind, or as its pose has one angle."""
    return is_level(robot) or pendant.rotation == YAW
