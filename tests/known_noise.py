"""Noise levels that a simulation knows, for comparison with what is estimated."""

from __future__ import annotations

import numpy as np

from engine.estimate.problem import Noise


def given_noise(pixel_px: float, rotation: float, position: float) -> Noise:
    """Return known levels [px], [rad], [mm] as noise without a floor."""
    return Noise(2.0 * np.log([pixel_px, rotation, position]), np.zeros(2), (0.0, 0.0))
