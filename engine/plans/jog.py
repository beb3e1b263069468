"""A move in the words of somebody who jogs: shifts along base axes, then turns about them."""

from __future__ import annotations

import warnings
from collections.abc import Sequence

import numpy as np
from scipy.spatial.transform import Rotation

from ..frames import Array, rotation_angle, rotation_exp, transform

AXES = ("X", "Y", "Z")
LEAST_MM, LEAST_DEG = 0.5, 0.5  # below this nothing is said: the jog is rounded to 1 mm and 1°


def jogged(base_T_flange: Array, shift_mm: Array, turn: Array) -> Array:
    """Return the pose (..., 4, 4) after a shift (..., 3) [mm] and a turn (..., 3) [rad vector].

    Both along and about base axes; the flange's origin stays where it is while it turns.
    """
    R = rotation_exp(turn) @ base_T_flange[..., :3, :3]
    return transform(R, base_T_flange[..., :3, 3] + shift_mm)


def jog_text(start: Array, end: Array, frame: str = "base") -> str:
    """Return the jog from one base_T_flange (4, 4) to another, rounded to 1 mm and 1°.

    ``frame`` is the active frame's name. Turns are about the fixed axes, one after the other in
    the order given.
    """
    shift = end[:3, 3] - start[:3, 3]
    words = [
        f"{frame} {axis} {_signed(value)} mm"
        for axis, value in zip(AXES, shift, strict=True)
        if abs(value) >= LEAST_MM
    ]
    words += [
        f"turn {_signed(angle)}° about {frame} {axis}"
        for axis, angle in turns_in_order(end[:3, :3] @ start[:3, :3].T)
    ]
    return ", ".join(words) or "stay here"


def turns_in_order(R: Array) -> list[tuple[str, float]]:
    """Return turns [(axis, deg)] about fixed axes that make ``R`` (3, 3), those of 0.5° and more.

    Of the six orders the one with the least turning in all is taken.
    """
    if rotation_angle(R) < np.radians(LEAST_DEG):
        return []
    best: list[tuple[str, float]] = []
    least = np.inf
    for order in ("xyz", "xzy", "yxz", "yzx", "zxy", "zyx"):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UserWarning)  # gimbal lock: any of the ways will do
            angles = Rotation.from_matrix(R).as_euler(order, degrees=True)
        found = [
            (axis.upper(), float(angle))
            for axis, angle in zip(order, angles, strict=True)
            if abs(angle) >= LEAST_DEG
        ]
        size = _effort(found)
        if size < least - 1e-6:
            best, least = found, size
    return best


def _effort(turns: Sequence[tuple[str, float]]) -> float:
    return sum(abs(angle) for _, angle in turns) + 5.0 * len(turns)  # 5°: each change of key costs


def _signed(value: float) -> str:
    return f"{value:+.0f}".replace("-", "−")
