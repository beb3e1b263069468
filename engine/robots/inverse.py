"""Inverse kinematics: closed form where there is one, a search for chains."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..frames import Array
from . import closed_form
from .search import searched

if TYPE_CHECKING:
    from .kinematics import Kinematics

_CLOSED = {
    "spherical-wrist": closed_form.spherical_wrist,
    "level-flange": closed_form.level_flange,
    "scara": closed_form.scara,
}


def branches(arm: Kinematics, T: Array, limited: bool, near: Array | None) -> Array:
    """Return the ways (k, axes) to hold ``T`` (4, 4) as shown values; see `Kinematics.branches`."""
    if arm.robot.kind == "chain":
        found = searched(arm, T, limited, near)
    else:
        model = _CLOSED[arm.robot.kind](arm.robot.geometry_mm, T)
        found = arm.joints.to_shown(model)
    found = arm.joints.centred(found)
    return found[arm.joints.inside(found)] if limited else found
