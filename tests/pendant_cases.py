"""Pendants and rotations shared by the tests of typed poses."""

from __future__ import annotations

import numpy as np
import pytransform3d.rotations as pr

from engine.pendant.conventions import field_count, is_quaternion
from engine.pendant.settings import Pendant

ABC = ("A", "B", "C")
FOUR = ("q1", "q2", "q3", "q4")


def pendant(
    rotation: str = "fixed-xyz",
    *,
    length_unit: str = "mm",
    angle_unit: str = "deg",
    labels: tuple[str, ...] | None = None,
    decimals: int | tuple[int, ...] | None = None,
    flange_down: bool = False,
) -> Pendant:
    """Return a pendant with X Y Z and as many rotation labels as ``rotation`` has fields."""
    if rotation == "joints":
        own = labels or tuple(f"J{k}" for k in range(1, 7))
    else:
        turns = field_count(rotation) - 3
        own = labels or ("X", "Y", "Z", *(FOUR if turns == 4 else ABC[:turns]))
    if decimals is None:
        decimals = (2, 2, 2, 5, 5, 5, 5) if is_quaternion(rotation) else 2
    shown = (decimals,) * len(own) if isinstance(decimals, int) else decimals
    return Pendant(
        length_unit=length_unit,  # type: ignore[arg-type]
        angle_unit=angle_unit,  # type: ignore[arg-type]
        rotation=rotation,
        labels=own,
        decimals=shown,
        flange_down=flange_down,
    )


XYZABC = pendant()


def fixed_xyz(angles_rad: object) -> np.ndarray:
    """Return the turns about fixed x, y, z by pytransform3d."""
    return pr.matrix_from_euler(np.asarray(angles_rad, float), 0, 1, 2, True)
