"""Label sets of common pendants, the convention each stands for, and one pose as each shows it.

Several makers share labels with different meanings, so a label set proposes, and the robot's
manual decides. Which labels are in use: from memory and common practice, no source. ISO 9787:2013
names the turns about X, Y, Z as A, B, C and does not fix their order.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..frames import rotation_exp, transform
from .entry import format_place, format_pose
from .settings import Pendant


@dataclass(frozen=True, slots=True)
class LabelSet:
    """The labels of the rotation fields, the `rotation` they may mean, and the matrix in words."""

    labels: tuple[str, ...]
    rotation: str
    matrix: str
    remark: str = ""


LABEL_SETS: tuple[LabelSet, ...] = (
    LabelSet(("W", "P", "R"), "fixed-xyz", "Rz(R) Ry(P) Rx(W)"),
    LabelSet(("A", "B", "C"), "moving-zyx", "Rz(A) Ry(B) Rx(C)", "A turns about Z"),
    LabelSet(("A", "B", "C"), "fixed-xyz", "Rz(C) Ry(B) Rx(A)", "A turns about X"),
    LabelSet(("A", "B", "C"), "moving-zyz", "Rz(A) Ry(B) Rz(C)", "A and C both turn about Z"),
    LabelSet(("Rx", "Ry", "Rz"), "fixed-xyz", "Rz(Rz) Ry(Ry) Rx(Rx)", "most pendants"),
    LabelSet(("Rx", "Ry", "Rz"), "moving-xyz", "Rx(Rx) Ry(Ry) Rz(Rz)", "some pendants"),
    LabelSet(("RX", "RY", "RZ"), "rotation-vector", "Exp([RX RY RZ])", "many collaborative arms"),
    LabelSet(("U", "V", "W"), "moving-zyx", "Rz(U) Ry(V) Rx(W)"),
    LabelSet(("O", "A", "T"), "moving-zyz", "Rz(O) Ry(A) Rz(T)"),
    LabelSet(("q1", "q2", "q3", "q4"), "quaternion-wxyz", "quaternion w x y z"),
    LabelSet(("qx", "qy", "qz", "qw"), "quaternion-xyzw", "quaternion x y z w"),
    LabelSet(("yaw", "pitch", "roll"), "moving-zyz", "Rz(yaw) Ry(pitch) Rz(roll)", "older ones"),
    LabelSet(("yaw", "pitch", "roll"), "moving-zyx", "Rz(yaw) Ry(pitch) Rx(roll)", "elsewhere"),
    LabelSet(("C",), "yaw", "Rz(C), or Rz(C) Rx(180°) with the flange down", "four axes"),
)


# Turns that no two conventions show alike, and that a technician can jog: down, turned, tilted.
IN_WORDS = (
    "the flange pointing straight down, turned +30° about base Z, then tilted +20° about base Y, "
    "at X 500, Y 100, Z 400 mm"
)
LEVEL_IN_WORDS = (
    "the flange straight down, as this arm holds it, turned +30° about base Z, at X 500, Y 100, "
    "Z 400 mm"
)  # four axes: nothing else can be turned
_AT_MM = (500.0, 100.0, 400.0)
_TURN_DEG, _TILT_DEG = 30.0, 20.0


def example_fields(labels: LabelSet, *, level: bool = False) -> tuple[str, ...]:
    """Return the example's rotation fields as a pendant with these labels shows them [deg].

    ``level``: of an arm that cannot tilt its flange (`LEVEL_IN_WORDS`), else as `IN_WORDS` says.
    A rotation vector is shown in rad, as most pendants with one do (from memory).
    """
    decimals = 4 if labels.rotation.startswith(("quaternion", "rotation-vector")) else 2
    pendant = Pendant(
        length_unit="mm",
        angle_unit="rad" if labels.rotation == "rotation-vector" else "deg",
        rotation=labels.rotation,
        labels=("X", "Y", "Z", *labels.labels),
        decimals=(2, 2, 2, *(decimals for _ in labels.labels)),
        flange_down=labels.rotation == "yaw",
    )
    turn = rotation_exp([0.0, 0.0, np.radians(_TURN_DEG)])
    tilt = (
        np.eye(3)
        if level or pendant.flange_down
        else rotation_exp([0.0, np.radians(_TILT_DEG), 0.0])
    )
    pose = transform(tilt @ turn @ np.diag([1.0, -1.0, -1.0]), _AT_MM)
    return format_pose(pose, pendant)[3:]


def example_shift(mm: tuple[float, float, float], pendant: Pendant) -> str:
    """Return a tool or frame without a turn, at ``mm`` (3,), as it is typed for this pendant."""
    up = replace(pendant, flange_down=False)  # tools and frames are given so
    return " ".join(format_place(transform(np.eye(3), mm), up))
