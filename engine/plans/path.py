"""The straight way between two flange poses."""

from __future__ import annotations

import numpy as np

from ..frames import Array, rotation_exp, rotation_log, transform


def straight(start: Array, end: Array, steps: int) -> Array:
    """Return ``steps`` poses (steps, 4, 4) after ``start`` on the straight way to ``end``.

    Position and rotation move evenly; the last pose is ``end``.
    """
    share = np.linspace(0.0, 1.0, steps + 1)[1:, None]
    turn = rotation_log(end[:3, :3] @ start[:3, :3].T)
    R = rotation_exp(share * turn) @ start[:3, :3]
    return transform(R, start[:3, 3] + share * (end[:3, 3] - start[:3, 3]))
