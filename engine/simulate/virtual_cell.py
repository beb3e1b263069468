"""A cell that exists only in numbers: a robot that errs, a pendant to read, a camera."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..arrays import Array
from ..cell.cell import Cell
from ..cell.mount import EYE_TO_HAND
from ..errors import StationbookError
from ..estimate.systematic import LENGTH_MM, ZERO_RAD
from ..frames import apply, checked_transform, displaced, inverse, rotation_exp, transform
from ..pendant.entry import format_joints, format_pose
from ..robots.kinematics import Kinematics, kinematics
from ..robots.model import Robot
from .render import DepthSensor, Setting, measure_depth, render
from .scenario import Truth
from .sensor import Optics
from .stations import default_stations

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


JOG_MM, JOG_DEG = 2.0, 0.3  # standard deviation of where a jog ends, per axis; no source


TOUCH_MM = 0.05  # standard deviation per axis of how near a hand brings a tip; no source
LAID_TILT = (0.35, -0.25, 0.1)  # rad, of the laid board against the camera's image
POINTING = rotation_exp([0.0, np.radians(135.0), 0.0])  # forwards and down, within reach


class VirtualCell:
    """One simulated cell, standing at one pose.

    The pendant shows what the robot believes; the camera sees where the flange truly is: the
    believed pose through a geometry with errors, and a small displacement new at every stop.
    Everything follows from ``seed``: the same calls give the same poses, texts and images.
    """

    def __init__(
        self,
        cell: Cell,
        truth: Truth,
        seed: int = 0,
        *,
        errors: RobotErrors | None = None,
        optics: Optics | None = None,
        setting: Setting | None = None,
        depth: DepthSensor | None = None,
    ) -> None:
        """Stand at the first suggested station; without ``errors`` they are drawn for the robot.

        Raises StationbookError for a truth of another mount, or where no station shows the board.
        """
        if cell.mount != truth.mount:
            raise StationbookError(f"a cell with mount {cell.mount}, a truth with {truth.mount}")
        self.cell, self.truth, self.seed = cell, truth, seed
        self.optics, self.depth = optics or Optics(), depth
        self.setting = setting or Setting("room" if cell.mount == EYE_TO_HAND else "table", seed)
        draw, self._hand, self._robot, self._sensor = np.random.default_rng(seed).spawn(4)
        self.errors = errors or robot_errors(cell.robot, draw)
        self.laid: Array | None = None  # base_T_board of a board lying in the cell
        self._arm: Kinematics | None = None if cell.robot is None else kinematics(cell.robot)
        self._joints: Array | None = None
        self.go_to(self.suggest_stations(1)[0], exact=True)

    def suggest_stations(self, count: int) -> Array:
        """Return ``count`` flange poses (count, 4, 4) [mm] worth visiting, always the same ones."""
        rng = np.random.default_rng([self.seed, count])
        return default_stations(self.cell, self.truth, count, rng)

    def go_to(self, base_T_flange: ArrayLike, *, exact: bool = False) -> None:
        """Jog to ``base_T_flange`` (4, 4) [mm], never quite exactly unless ``exact``.

        Raises StationbookError where the arm cannot stand there.
        """
        goal = checked_transform(base_T_flange, "base_T_flange")
        off = np.zeros(6) if exact else self._jogged_off()
        self.believed = self._stood(displaced(goal, off), goal)
        self._stop = self.errors.drawn(self._robot)

    def pendant_pose(self) -> tuple[str, ...]:
        """Return the pose as the pendant shows it, one text per field, or the joints it shows."""
        if self.cell.pendant.shows_joints:
            return self.pendant_joints()
        return format_pose(self.believed, self.cell.pendant)

    def pendant_joints(self) -> tuple[str, ...]:
        """Return the joint values as the pendant shows them.

        Raises StationbookError where the cell's robot is not described.
        """
        if self._arm is None or self._joints is None:
            raise StationbookError("this cell's robot is not described: no joints to show")
        shown = np.where(self._arm.joints.turning, np.rad2deg(self._joints), self._joints)
        return format_joints(shown.tolist(), self.cell.pendant, self.cell.robot)

    def base_T_flange(self) -> Array:
        """Return where the flange truly is (4, 4) [mm]."""
        T = self.believed
        if self._arm is not None and self._joints is not None:
            T = self._arm.forward(self._joints, self.errors.geometry)
        return np.asarray(T @ self._stop)

    def camera_T_board(self) -> Array:
        """Return how the camera truly sees the board (4, 4) [mm]."""
        return self.truth.camera_T_board(self.base_T_flange())

    def take_image(self) -> NDArray[np.uint8]:
        """Return a grey image (height, width) taken now; the noise is new every time."""
        cell, T = self.cell, self.camera_T_board()
        return render(cell.board, cell.camera, T, self.optics, self.setting, self._sensor)

    def lay_board(self, p_base: ArrayLike) -> NDArray[np.uint8]:
        """Lay the board with its middle at ``p_base`` (3,) [mm], facing a camera that stands fast.

        Returns the image of it; `touch` touches its points. Raises StationbookError for a camera
        on the flange.
        """
        if self.cell.mount != EYE_TO_HAND:
            raise StationbookError("the board can be laid before a camera that stands fast only")
        facing = self.truth.camera[:3, :3] @ rotation_exp(LAID_TILT)
        middle = facing @ self.cell.board.points().mean(axis=0)
        self.laid = transform(facing, np.asarray(p_base, float) - middle)
        T = inverse(self.truth.camera) @ self.laid
        return render(self.cell.board, self.cell.camera, T, self.optics, self.setting, self._sensor)

    def touch(self, point: int, tip: ArrayLike) -> tuple[str, ...]:
        """Bring a pointer's tip (3,) [mm, flange] to a point of the laid board by sight.

        Returns what the pendant then shows. Raises StationbookError where nothing is laid or the
        arm does not reach it.
        """
        if self.laid is None or self._arm is None:
            raise StationbookError("no board is laid", "Lay it first.")
        p = apply(self.laid, self.cell.board.points()[point][None])[0]
        p = p + self._hand.normal(0.0, TOUCH_MM, 3)
        tip = np.asarray(tip, float)
        goal = transform(POINTING, p - POINTING @ tip)
        for _ in range(3):  # the hand follows the tip, and so undoes the arm's errors
            self.go_to(goal, exact=True)
            goal = goal.copy()
            goal[:3, 3] += p - apply(self.base_T_flange(), tip[None])[0]
        return self.pendant_pose()

    def take_depth(self, image: NDArray[np.uint8]) -> NDArray[np.uint16] | None:
        """Return the depth taken with ``image``, as its file holds it; None: no 3-D camera."""
        if self.depth is None:
            return None
        cell, T = self.cell, self.camera_T_board()
        return measure_depth(cell.board, cell.camera, T, image, self.depth, self._sensor)

    def move_camera(self, xi: ArrayLike) -> None:
        """Knock the camera by ``xi`` (6,) [rad, mm], a displacement as in `frames`."""
        self.truth = replace(self.truth, camera=displaced(self.truth.camera, xi))

    def _jogged_off(self) -> Array:
        turn = self._hand.normal(0.0, np.deg2rad(JOG_DEG), 3)
        if self.cell.level:
            turn[:2] = 0.0
        return np.concatenate([turn, self._hand.normal(0.0, JOG_MM, 3)])

    def _stood(self, jogged: Array, goal: Array) -> Array:
        """Take the posture for ``jogged``, or for ``goal`` where a limit stops the jog."""
        if (arm := self._arm) is None:
            return jogged
        for wanted in (jogged, goal):
            if len(postures := arm.inverse(wanted)):
                if self._joints is None:  # at first the posture clear of its limits
                    best = arm.joints.margins(postures).min(axis=1).argmax()
                else:  # then the one that moves the joints least
                    best = np.abs(postures - self._joints).sum(axis=1).argmin()
                self._joints = np.asarray(postures[best])
                return arm.forward(self._joints)
        x, y, z = goal[:3, 3]
        raise StationbookError(
            f"the arm cannot stand at X {x:.1f}, Y {y:.1f}, Z {z:.1f} with this rotation",
            "Choose a pose nearer to the arm or less tilted.",
        )
