"""From light to grey values: blur, shading, exposure, noise of the sensor, saturation."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ..errors import StationbookError
from .paint import Shades

WHITE_LEVEL = 255.0  # grey value at which the sensor is full


@dataclass(frozen=True, slots=True)
class Optics:
    """How the camera takes its image.

    Attributes:
        blur_px: standard deviation of lens and defocus blur [px].
        motion_px: length of the smear of a board that still swings [px].
        motion_deg: direction of the smear in the image, from x towards y [deg].
        exposure: share of the full well that a white of reflectance 1 fills; above 1: saturated.
        vignetting: share of light lost in the image's corners.
        lamp: how much lighter the side facing the lamp is than the middle [share].
        lamp_deg: where the lamp is, from x towards y [deg].
        full_well_e: electrons at saturation: their shot noise is the square root of their number.
        read_noise_e: standard deviation of reading [electrons].
    """

    blur_px: float = 0.7
    motion_px: float = 0.0
    motion_deg: float = 0.0
    exposure: float = 0.95
    vignetting: float = 0.2
    lamp: float = 0.15
    lamp_deg: float = -60.0
    full_well_e: float = 10_000.0
    read_noise_e: float = 12.0


def exposed(scene: Shades, optics: Optics, rng: np.random.Generator | None) -> NDArray[np.uint8]:
    """Return the grey image of a ``scene`` of reflectances (h, w); no noise without ``rng``.

    Raises StationbookError for optics that no camera has.
    """
    lengths = (optics.blur_px, optics.motion_px, optics.exposure, optics.read_noise_e)
    if not np.isfinite(lengths).all() or min(lengths) < 0 or not optics.full_well_e > 0:
        raise StationbookError(f"optics that no camera has: {optics}", "Use values of 0 or more.")
    height, width = scene.shape
    lit = _light(width, height, optics.vignetting, optics.lamp, optics.lamp_deg)
    light: Shades = _blurred(scene, optics) * lit * np.float32(optics.exposure)
    if rng is not None:
        light = _noisy(light, optics, rng)
    return np.asarray(np.clip(np.rint(light * WHITE_LEVEL), 0, 255), np.uint8)


def _blurred(scene: Shades, optics: Optics) -> Shades:
    blurred: Any = scene
    if optics.blur_px > 0:
        blurred = cv2.GaussianBlur(blurred, (0, 0), optics.blur_px, borderType=cv2.BORDER_REPLICATE)
    if optics.motion_px > 0:
        kernel = _smear(optics.motion_px, np.deg2rad(optics.motion_deg))
        blurred = cv2.filter2D(blurred, -1, kernel, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(blurred, np.float32)


def _smear(length: float, angle: float) -> Shades:
    """Return the kernel of an even motion of ``length`` [px], centred, of sum 1."""
    half = int(np.ceil(length / 2)) + 1
    kernel = np.zeros((2 * half + 1, 2 * half + 1), np.float32)
    steps = (np.arange(16 * half) + 0.5) / (16 * half) - 0.5
    for u, v in zip(steps * length * np.cos(angle), steps * length * np.sin(angle), strict=True):
        i, j = int(np.floor(u)), int(np.floor(v))
        p, q = u - i, v - j
        share = np.array([[(1 - p) * (1 - q), p * (1 - q)], [(1 - p) * q, p * q]])
        kernel[half + j : half + j + 2, half + i : half + i + 2] += share.astype(np.float32)
    return np.asarray(kernel / kernel.sum())


@lru_cache(maxsize=4)
def _light(width: int, height: int, vignetting: float, lamp: float, lamp_deg: float) -> Shades:
    """Return the illumination (h, w): 1 in the middle without lamp."""
    u = np.linspace(-1, 1, width)
    v = np.linspace(-1, 1, height)[:, None]
    way = np.deg2rad(lamp_deg)
    loss = vignetting * (u * u + v * v) / 2
    return np.asarray((1 - loss) * (1 + lamp * (u * np.cos(way) + v * np.sin(way))), np.float32)


def _noisy(light: Shades, optics: Optics, rng: np.random.Generator) -> Shades:
    """Add shot and read noise: normal, as thousands of electrons are."""
    well = np.float32(optics.full_well_e)
    spread = np.sqrt(light * well + np.float32(optics.read_noise_e**2)) / well
    noise = rng.standard_normal(light.shape, np.float32)
    noisy: Shades = np.minimum(light + spread * noise, np.float32(1))
    return noisy
