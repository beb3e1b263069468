"""Depth as a simulated 3-D camera measures it, on the pixels of its image."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..arrays import Grey
from ..boards.pattern import Board
from ..camera.model import Camera
from ..frames import checked_transform
from .render import board_depth

FULL = 2**16 - 1  # largest number of a 16-bit file
BEHIND_MM = 1600.0  # what stands around the board is that far away


@dataclass(frozen=True, slots=True)
class DepthSensor:
    """How a 3-D camera errs.

    Attributes:
        scale: all lengths, relative.
        noise_mm: standard deviation of one value at 1 m; it grows with the square of the distance.
        bow_mm: how much farther than they are the image's corners seem at 1 m.
        offset_mm: standard deviation of what is new at every take.
        holes_light, holes_dark: share of values missing on light and on dark parts.
        step_mm: one unit of the file.
    """

    scale: float = 0.0
    noise_mm: float = 0.15
    bow_mm: float = 0.05
    offset_mm: float = 0.02
    holes_light: float = 0.01
    holes_dark: float = 0.04
    step_mm: float = 0.1


def measure_depth(
    board: Board,
    camera: Camera,
    camera_T_board: ArrayLike,
    image: Grey,
    sensor: DepthSensor,
    rng: np.random.Generator,
) -> NDArray[np.uint16]:
    """Return depth (height, width) in units of ``step_mm``, 0 where there is none.

    ``image`` (height, width) is what the camera saw there: its light parts count as light.
    """
    z = board_depth(board, camera, checked_transform(camera_T_board, "camera_T_board"))
    z = np.where(np.isnan(z), np.float32(BEHIND_MM), z)
    height, width = z.shape
    x, y = np.linspace(-1, 1, width), np.linspace(-1, 1, height)[:, None]
    far = (z / 1000.0) ** 2
    z = z * (1.0 + sensor.scale) + sensor.bow_mm * far * (x * x + y * y) / 2.0
    z = z + rng.normal(0.0, sensor.offset_mm)
    z = z + sensor.noise_mm * far * rng.standard_normal(z.shape, np.float32)
    light = image > np.median(image)
    missing = np.where(light, sensor.holes_light, sensor.holes_dark)
    z = np.where(rng.random(z.shape, np.float32) < missing, 0.0, z)
    return np.asarray(np.clip(np.rint(z / sensor.step_mm), 0, FULL), np.uint16)
