"""The arms that a cell can describe, each built from base to flange out of elementary motions."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.spatial.transform import Rotation

from ..frames import Array, transform
from .elements import Elements, ElementsBuilder
from .model import ChainLink, JointType, Robot

SIX_AXIS_KEYS = ("a1", "a2", "b", "c1", "c2", "c3", "c4")
LEVEL_ERRORS = ("a1", "b", "c1", "c2", "c3")  # c4 acts as −c1 does, a2 as c3 and the zero of J3
LEVEL_KINDS = ("level-flange", "scara")  # the flange cannot tilt
SCARA_KEYS = ("l1", "l2", "z0")
SCARA_ERRORS = ("l1", "l2")  # z0 shifts the flange exactly as the zero of the lift does


def joint_types(robot: Robot) -> tuple[JointType, ...]:
    """Return what each joint does: turn, or lift."""
    if robot.kind == "chain":
        return tuple(link.type for link in robot.links)
    turn: JointType = "turn"
    if robot.kind == "scara":
        return (turn, turn, "lift", turn)
    return (turn,) * robot.axes


def length_errors(robot: Robot) -> tuple[str, ...]:
    """Return the names of the lengths whose errors [mm] the arm's pose depends on.

    Lengths that act exactly as another error of the same arm are left out.
    """
    if robot.kind == "chain":
        pairs = ((f"a{k}", f"d{k}" if x.type == "turn" else "") for k, x in _numbered(robot))
        return tuple(name for pair in pairs for name in pair if name)
    named = {"scara": SCARA_ERRORS, "level-flange": LEVEL_ERRORS, "spherical-wrist": SIX_AXIS_KEYS}
    return named[robot.kind]


def build(robot: Robot) -> Elements:
    """Return the arm of a checked robot; parameters are `length_errors`, then all joint zeros."""
    arm = ElementsBuilder(robot.axes, length_errors(robot))
    if robot.kind == "chain":
        _chain(arm, robot)
    elif robot.kind == "scara":
        _scara(arm, robot)
    else:
        _upper_arm(arm, robot)
        (_spherical_wrist if robot.kind == "spherical-wrist" else _level_flange)(arm, robot)
    return arm.done()


def _upper_arm(arm: ElementsBuilder, robot: Robot) -> None:
    # Brandstötter, Angerer, Hofbaur 2014, figure 3: all model angles zero, the arm points up.
    size = robot.geometry_mm
    arm.shift("z", size["c1"], "c1")
    arm.turn("z", joints=[(0, 1.0)])
    arm.shift("x", size["a1"], "a1")
    arm.shift("y", size["b"], "b")
    arm.turn("y", joints=[(1, 1.0)])
    arm.shift("z", size["c2"], "c2")
    arm.turn("y", joints=[(2, 1.0)])
    arm.shift("x", size["a2"], "a2")
    arm.shift("z", size["c3"], "c3")


def _spherical_wrist(arm: ElementsBuilder, robot: Robot) -> None:
    arm.turn("z", joints=[(3, 1.0)])
    arm.turn("y", joints=[(4, 1.0)])
    arm.turn("z", joints=[(5, 1.0)])
    arm.shift("z", robot.geometry_mm["c4"], "c4")


def _level_flange(arm: ElementsBuilder, robot: Robot) -> None:
    # The linkage undoes the turns of J2 and J3; the last half-turn makes the flange's z point down.
    arm.turn("y", joints=[(1, -1.0), (2, -1.0)])
    arm.turn("z", joints=[(3, 1.0)])
    arm.turn("x", np.pi)
    arm.shift("z", robot.geometry_mm["c4"])


def _scara(arm: ElementsBuilder, robot: Robot) -> None:
    size = robot.geometry_mm
    arm.shift("z", size["z0"])
    arm.turn("z", joints=[(0, 1.0)])
    arm.shift("x", size["l1"], "l1")
    arm.turn("z", joints=[(1, 1.0)])
    arm.shift("x", size["l2"], "l2")
    arm.shift("z", joints=[(2, 1.0)])
    arm.turn("z", joints=[(3, 1.0)])


def _chain(arm: ElementsBuilder, robot: Robot) -> None:
    arm.place(placed(robot.base_T_first_mm_deg))
    modified = robot.convention == "modified"
    for k, link in _numbered(robot):
        turning = [(k - 1, 1.0)] if link.type == "turn" else []
        lifting = [(k - 1, 1.0)] if link.type == "lift" else []
        if modified:
            arm.turn("x", np.deg2rad(link.alpha_deg))
            arm.shift("x", link.a_mm, f"a{k}")
        arm.turn("z", np.deg2rad(link.offset_deg), turning)
        arm.shift("z", link.d_mm, f"d{k}", lifting)
        if not modified:
            arm.shift("x", link.a_mm, f"a{k}")
            arm.turn("x", np.deg2rad(link.alpha_deg))
    arm.place(placed(robot.last_T_flange_mm_deg))


def placed(values: Sequence[float] | None) -> Array:
    """Return the transform (4, 4) of x y z [mm] and fixed-xyz angles [deg]; None: identity."""
    if values is None:
        return np.eye(4)
    R = Rotation.from_euler("xyz", np.deg2rad(values[3:])).as_matrix()
    return transform(R, np.asarray(values[:3], float))


def _numbered(robot: Robot) -> list[tuple[int, ChainLink]]:
    return list(enumerate(robot.links, start=1))
