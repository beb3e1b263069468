"""Which way an arm is folded: its configuration, which a straight jog cannot change."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from ..arrays import Array
from .forward import Forward


def configuration(arm: Forward, q: ArrayLike) -> tuple[str, ...]:
    """Return the labels of the posture ``q`` (axes,) of shown joint values [rad, mm].

    spherical-wrist: front or back, elbow out or elbow in (the forearm ahead of the upper arm's
    line or behind it), wrist plus or wrist minus (sign of the model's J5). level-flange: the first
    two. scara: elbow left or elbow right. A chain of six axes: the sign of its Jacobian's
    determinant and, where the last three joints turn, the side to which the wrist is bent; other
    chains have no label. Equal labels: the arm can pass from one posture to the other without
    being stretched, folded or straightened at the wrist.
    """
    q = np.asarray(q, float)
    if arm.robot.kind == "chain":
        return _chain(arm, q)
    theta = arm.joints.to_model(q)
    if arm.robot.kind == "scara":
        return (("elbow right", "elbow left")[int(theta[1] < 0)],)
    labels = _arm_labels(arm, theta)
    if arm.robot.kind == "level-flange":
        return labels
    return (*labels, ("wrist minus", "wrist plus")[int(np.sin(theta[4]) >= 0)])


def _arm_labels(arm: Forward, theta: Array) -> tuple[str, ...]:
    size = arm.robot.geometry_mm
    lean, elbow = theta[1], theta[2] + np.arctan2(size["a2"], size["c3"])
    fore = float(np.hypot(size["a2"], size["c3"]))
    ahead = size["a1"] + size["c2"] * np.sin(lean) + fore * np.sin(lean + elbow)
    return (
        ("back", "front")[int(ahead >= 0)],
        ("elbow in", "elbow out")[int(np.sin(elbow) >= 0)],
    )


def _chain(arm: Forward, q: Array) -> tuple[str, ...]:
    if arm.axes != 6:
        return ()
    J = arm.jacobian(q)
    labels = (("minus", "plus")[int(np.linalg.det(J) >= 0)],)
    bend = wrist_bend(arm, J)
    return labels if bend is None else (*labels, ("wrist minus", "wrist plus")[int(bend >= 0)])


def wrist_bend(arm: Forward, J: Array) -> float | None:
    """Return how far the wrist is from straight: sin J5 where its axes stand at right angles.

    It is the volume spanned by the axes of the last three joints, with a sign; None for an arm
    without six axes or whose last three joints do not all turn. ``J`` (6, axes).
    """
    if arm.axes != 6 or not arm.joints.turning[3:].all():
        return None
    return float(np.linalg.det(J[:3, 3:]))


def nearness_to_singular(arm: Forward, J: Array) -> float:
    """Return the smallest singular value [-] of ``J`` (6, axes), shifts divided by the arm's reach.

    Zero at a singularity. Reach is the largest shift that one radian of a joint makes here.
    """
    turning = arm.joints.turning
    reach = max(float(np.linalg.norm(J[3:, turning], axis=0).max(initial=0.0)), 1.0)
    scaled = np.vstack([J[:3], J[3:] / reach]) * np.where(turning, 1.0, reach)
    values = np.linalg.svd(scaled, compute_uv=False)
    return float(values[: min(arm.axes, 6)][-1])
