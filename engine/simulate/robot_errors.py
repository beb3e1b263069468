"""How a simulated robot errs: anew at every stop, and the same way every time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..arrays import Array
from ..estimate.systematic import LENGTH_MM, ZERO_RAD
from ..frames import rotation_exp, transform
from ..robots.kinematics import Kinematics, kinematics
from ..robots.model import Robot

REPEATED_DEG = 0.004  # deg; turn of the flange that comes with repeatability, no source
SAMPLES = 400  # postures over which the accuracy is met
MIDDLE = 0.6  # share of every joint's range from which postures are drawn


@dataclass(frozen=True, slots=True, eq=False)
class RobotErrors:
    """What separates the pose on the pendant from where the flange is.

    Attributes:
        position_mm: standard deviation per axis of what is new at every stop [mm].
        angle_deg: the same for the rotation [deg].
        geometry: errors (p,) of lengths and joint zeros, as `Kinematics.forward` takes them; None:
            the robot's geometry is exact.
    """

    position_mm: float
    angle_deg: float
    geometry: Array | None = None

    def drawn(self, rng: np.random.Generator) -> Array:
        """Return the flange's displacement (4, 4) in its own frame at one stop."""
        r = rng.normal(0.0, np.deg2rad(self.angle_deg), 3)
        return transform(rotation_exp(r), rng.normal(0.0, self.position_mm, 3))


def robot_errors(robot: Robot | None, rng: np.random.Generator) -> RobotErrors:
    """Draw the errors of a robot that is as repeatable and accurate as its description says.

    The geometric errors are scaled to ``accuracy``, RMS of position over the joints' middle range.
    """
    if robot is None:
        return RobotErrors(0.0, 0.0)
    per_axis = robot.repeatability / np.sqrt(3.0)  # the given one is of the distance in space
    geometry = geometry_errors(kinematics(robot), robot.accuracy, rng)
    return RobotErrors(float(per_axis), REPEATED_DEG, geometry)


def geometry_errors(arm: Kinematics, accuracy_mm: float, rng: np.random.Generator) -> Array:
    """Draw errors (p,) [mm, rad] of lengths and joint zeros that misplace the flange by so much.

    ``accuracy_mm`` is the RMS distance over postures in the middle of the joints' range.
    """
    spread = [LENGTH_MM if unit == "mm" else ZERO_RAD for unit in arm.parameter_units]
    errors = rng.normal(0.0, spread)
    limits = np.where(np.isfinite(arm.joints.limits), arm.joints.limits, [-np.pi, np.pi])
    middle, half = limits.mean(axis=1), MIDDLE * np.diff(limits, axis=1)[:, 0] / 2
    q = middle + half * rng.uniform(-1.0, 1.0, (SAMPLES, arm.axes))
    moved = (arm.parameter_jacobian(q) @ errors)[:, 3:]
    return np.asarray(errors * accuracy_mm / np.sqrt((moved**2).sum(axis=1).mean()))
