"""Inverse kinematics in closed form: model joint values of every way to hold a pose.

Each function takes one base_T_flange (4, 4) [mm] and returns (k, axes) model values [rad, mm],
without regard to limits; k is 0 where the pose is out of reach.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import py_opw_kinematics as opw
from scipy.spatial.transform import RigidTransform, Rotation

from ..frames import Array

STRAIGHT = 1e-7  # [-] sin J5 under which rounding decides how J4 and J6 share their turn
LEVEL_RAD = np.deg2rad(0.5)  # tilt that reading and rounding explain on an arm that cannot tilt
_BENT = Rotation.from_euler("x", 1.0).as_matrix()  # any turn that takes the wrist off straight


def spherical_wrist(size: Mapping[str, float], T: Array) -> Array:
    """Return up to eight branches (Brandstötter, Angerer, Hofbaur 2014).

    Where the wrist is straight the library can lose a branch to rounding; since the arm's three
    angles depend on the wrist centre only, they are then taken from the same centre with the
    flange turned away.
    """
    arm = opw.Robot(opw.KinematicModel(**size, offsets=(0,) * 6, flip_axes=(False,) * 6), False)
    found = _branches(arm, T)
    lost = np.isnan(found).any(axis=1)
    if lost.any():
        bent = _branches(arm, _turned_about_wrist(T, size["c4"]))
        for slot in np.flatnonzero(lost & ~np.isnan(bent).any(axis=1)):
            found[slot] = _with_wrist(bent[slot], T)
    return found[~np.isnan(found).any(axis=1)]


def _branches(arm: opw.Robot, T: Array) -> Array:
    joints: Array = arm.reach(RigidTransform.from_matrix(T[None])).joints[0]
    return joints


def _turned_about_wrist(T: Array, c4: float) -> Array:
    turned = T.copy()
    turned[:3, :3] = T[:3, :3] @ _BENT
    turned[:3, 3] += c4 * (turned[:3, 2] - T[:3, 2])
    return turned


def _with_wrist(values: Array, T: Array) -> Array:
    """Return the branch with J4 to J6 for the orientation of ``T``; J5 keeps its sign."""
    t1, lean = values[0], values[1] + values[2]
    W = Rotation.from_euler("ZY", [t1, lean]).as_matrix().T @ T[:3, :3]
    bend = np.hypot(W[0, 2], W[1, 2])
    if bend < STRAIGHT:
        t4, t5 = 0.0, (0.0 if W[2, 2] > 0 else np.pi)
    else:
        sign = 1.0 if values[4] >= 0 else -1.0
        t4, t5 = np.arctan2(sign * W[1, 2], sign * W[0, 2]), sign * np.arctan2(bend, W[2, 2])
    last = Rotation.from_euler("ZY", [t4, t5]).as_matrix().T @ W
    return np.array([*values[:3], t4, t5, np.arctan2(last[1, 0], last[0, 0])])


def level_flange(size: Mapping[str, float], T: Array) -> Array:
    """Return up to four branches: arm towards the pose or over the back, elbow either way."""
    if tilt(T) > LEVEL_RAD:
        return np.empty((0, 4))
    x, y, z = T[:3, 3]
    flat = x * x + y * y - size["b"] ** 2
    if flat < 0:
        return np.empty((0, 4))
    height = z + size["c4"] - size["c1"]  # the flange hangs below, however its z axis is named
    found = []
    for ahead in (np.sqrt(flat), -np.sqrt(flat)):
        t1 = np.arctan2(y, x) - np.arctan2(size["b"], ahead)
        for t2, t3 in _two_links(size, ahead - size["a1"], height):
            found.append([t1, t2, t3, yaw(T) - t1])
    return np.array(found).reshape(-1, 4)


def _two_links(size: Mapping[str, float], ahead: float, height: float) -> list[tuple[float, float]]:
    # Law of cosines in the arm's plane; t = 0 points up and grows towards ahead.
    upper, fore = size["c2"], np.hypot(size["a2"], size["c3"])
    bend = np.arctan2(size["a2"], size["c3"])
    cosine = (ahead**2 + height**2 - upper**2 - fore**2) / (2 * upper * fore)
    if abs(cosine) > 1:
        return []
    found = []
    for elbow in (np.arccos(cosine), -np.arccos(cosine)):
        t2 = np.arctan2(ahead, height) - np.arctan2(
            fore * np.sin(elbow), upper + fore * np.cos(elbow)
        )
        found.append((float(t2), float(elbow - bend)))
    return found


def scara(size: Mapping[str, float], T: Array) -> Array:
    """Return up to two branches: elbow to either side."""
    x, y, z = T[:3, 3]
    l1, l2 = size["l1"], size["l2"]
    cosine = (x * x + y * y - l1 * l1 - l2 * l2) / (2 * l1 * l2)
    if tilt(T) > LEVEL_RAD or abs(cosine) > 1:
        return np.empty((0, 4))
    elbows = np.array([1.0, -1.0]) * np.arccos(cosine)
    t1 = np.arctan2(y, x) - np.arctan2(l2 * np.sin(elbows), l1 + l2 * np.cos(elbows))
    return np.stack([t1, elbows, np.full(2, z - size["z0"]), yaw(T) - t1 - elbows], axis=1)


def tilt(T: Array) -> float:
    """Return the angle [rad] between the flange's z axis, or its opposite, and base Z."""
    return float(np.arctan2(np.hypot(T[0, 2], T[1, 2]), abs(T[2, 2])))


def yaw(T: Array) -> float:
    """Return the angle [rad] of a level flange: from base X to the flange's x axis about base Z."""
    return float(np.arctan2(T[1, 0], T[0, 0]))
