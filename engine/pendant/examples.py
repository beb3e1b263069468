"""One flange pose as every common pendant would show it, to tell which convention a pendant has."""

from __future__ import annotations

import numpy as np

from ..frames import Array, rotation_exp, transform
from .entry import format_pose
from .label_sets import LabelSet
from .settings import Pendant

# Turns that no two conventions show alike, and that a technician can jog: down, turned, tilted.
IN_WORDS = (
    "the flange pointing straight down, turned +30° about base Z, then tilted +20° about base Y, "
    "at X 500, Y 100, Z 400 mm"
)
IN_WORDS_LEVEL = "the flange pointing straight down and turned +30° about base Z"
_AT_MM = (500.0, 100.0, 400.0)
_TURN_DEG, _TILT_DEG = 30.0, 20.0


def example_pose(*, level: bool = False) -> Array:
    """Return base_T_flange (4, 4) [mm] of the example; ``level``: without the tilt."""
    turn = rotation_exp([0.0, 0.0, np.radians(_TURN_DEG)])
    tilt = np.eye(3) if level else rotation_exp([0.0, np.radians(_TILT_DEG), 0.0])
    return transform(tilt @ turn @ np.diag([1.0, -1.0, -1.0]), _AT_MM)


def example_fields(labels: LabelSet) -> tuple[str, ...]:
    """Return the example's rotation fields as a pendant with these labels shows them [deg].

    A rotation vector is shown in rad, as most pendants with one do (from memory).
    """
    angle = "rad" if labels.rotation == "rotation-vector" else "deg"
    decimals = 4 if labels.rotation.startswith(("quaternion", "rotation-vector")) else 2
    pendant = Pendant(
        length_unit="mm",
        angle_unit="rad" if angle == "rad" else "deg",
        rotation=labels.rotation,
        labels=("X", "Y", "Z", *labels.labels),
        decimals=(2, 2, 2, *(decimals for _ in labels.labels)),
        flange_down=labels.rotation == "yaw",
    )
    level = labels.rotation == "yaw"
    return format_pose(example_pose(level=level), pendant)[3:]
