"""What the estimator works on: every station as numbers, nothing typed any more."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Observation:
    """One station as numbers.

    Attributes:
        id: the station's id.
        base_T_flange: (4, 4) [mm], from the typed pose (or from the typed joints).
        point_ids: (n,) ids of the board points seen, or None.
        pixels: (n, 2) [px] where they were seen, or None.
        camera_T_board: (4, 4) [mm] from a system that reports poses, or None.
        joints: (axes,) shown joint values [rad, or mm for a lift], or None.
    """

    id: int
    base_T_flange: Array
    point_ids: NDArray[np.int64] | None = None
    pixels: Array | None = None
    camera_T_board: Array | None = None
    joints: Array | None = None
