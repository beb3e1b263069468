"""The model of what is measured: the equation of both mounts, its derivatives, and the noise.

Eye-to-hand: base_T_camera · camera_T_board = base_T_flange · flange_T_board. Eye-in-hand:
base_T_flange · flange_T_camera · camera_T_board = base_T_board. With ``G`` = base_T_flange
(eye-in-hand: its inverse) both read ``camera · view = G · board``, where ``view`` is
camera_T_board. All displacements are [r, t] in [rad, mm] on the axes of the first-named frame.

Three noise levels are estimated: pixels, flange rotation and flange position. Restricted maximum
likelihood (Patterson & Thompson 1971; Harville 1977) takes into account that the same data gave the
transforms. Each level is a variance above a floor (the pendant's rounding), with a log-normal prior
that fades as stations come, because the data's information grows with them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..arrays import Array
from ..cell.cell import EYE_TO_HAND, Mount
from ..frames import inverse, skew
from ..pendant.entry import rounding
from ..pendant.settings import Pendant
from ..robots.model import Robot


def related(mount: Mount, base_T_flange: Array) -> Array:
    """Return ``G`` (..., 4, 4): the flange pose, inverted for eye-in-hand."""
    return base_T_flange if mount == EYE_TO_HAND else inverse(base_T_flange)


def predicted_view(mount: Mount, camera: Array, base_T_flange: Array, board: Array) -> Array:
    """Return camera_T_board (..., 4, 4) for flange poses (..., 4, 4)."""
    view: Array = inverse(camera) @ related(mount, base_T_flange) @ board
    return view


def implied_flange(mount: Mount, camera: Array, view: Array, board: Array) -> Array:
    """Return base_T_flange (..., 4, 4) that explains the views (..., 4, 4)."""
    flange: Array = camera @ view @ inverse(board)
    return flange if mount == EYE_TO_HAND else inverse(flange)


def derivatives(
    mount: Mount, camera: Array, base_T_flange: Array, board: Array
) -> tuple[Array, Array, Array]:
    """Return the view's displacement (n, 6, 6) by the camera's, the board's and the flange's.

    ``base_T_flange`` (n, 4, 4). The three matrices belong to displacements of camera, board and
    base_T_flange, each on its own first-named axes.
    """
    R_x_t = camera[:3, :3].T
    G = related(mount, base_T_flange)
    lever = np.einsum("nij,j->ni", G[:, :3, :3], board[:3, 3]) + G[:, :3, 3] - camera[:3, 3]
    turned = R_x_t @ G[:, :3, :3]
    by_camera = _blocks(-np.broadcast_to(R_x_t, turned.shape), R_x_t @ skew(lever))
    by_board = _blocks(turned, np.zeros_like(turned))
    if mount == EYE_TO_HAND:
        arm = np.einsum("nij,j->ni", G[:, :3, :3], board[:3, 3])
        by_flange = _blocks(np.broadcast_to(R_x_t, turned.shape), -R_x_t @ skew(arm))
    else:
        by_flange = _blocks(-turned, turned @ skew(board[:3, 3] - base_T_flange[:, :3, 3]))
    return by_camera, by_board, by_flange


def _blocks(rotation: Array, mixed: Array) -> Array:
    """Return [[rotation, 0], [mixed, rotation]] (n, 6, 6)."""
    J = np.zeros((len(rotation), 6, 6))
    J[:, :3, :3] = J[:, 3:, 3:] = rotation
    J[:, 3:, :3] = mixed
    return J


def point_rows(transform: Array, points: Array) -> Array:
    """Return the derivative (n, 3, 6) of ``transform`` · points by the transform's displacement."""
    J = np.zeros((len(points), 3, 6))
    J[:, :, :3] = -skew(points @ transform[:3, :3].T)
    J[:, :, 3:] = np.eye(3)
    return J


PIXEL_PX = 0.15  # px; corner detectors reach 0.05 to 0.3 px, common practice, no source
RANDOM_PER_REPEATABILITY = 3.0  # [-] reading, settling and backlash above the maker's figure; CP
REPEATABILITY_MM = 0.05  # mm; where no robot is described, the middle of 0.01 to 0.1 mm (CP)
LEVER_MM = 400.0  # mm; arm length over which a position error appears as a rotation error (CP)
SPREAD = 1.2  # [-] standard deviation of the prior of log sigma: a factor of 3.3 either way
REPORTED_SPREAD = 3.0  # [-] the same of a system that reports poses: a factor of 20 either way
# With ν degrees of freedom, a prior flat in the robot's variances gives νs²/(ν − 2), and squared
# errors over it are 1 on average; one flat in their logarithms gives s². The log-normal prior above
# holds part of the way: three quarters of the step, from simulation (docs/method.md).
FLAT_IN_VARIANCE = np.array([0.0, 0.75, 0.75])
NOISE_FACTOR = 30.0  # [-] of the prior's median: 2.8 of its standard deviations
MOST_PIXEL_PX = 5.0  # px; no detector is off by as much, common practice, no source
STEP_LIMIT = 2.0  # [-] largest change of a log variance in one step


@dataclass(frozen=True, slots=True)
class NoisePrior:
    """Prior of the noise levels: median of each sigma, spread of its logarithm, and the floors."""

    median: tuple[float, float, float]  # pixel [px], rotation [rad], position [mm]
    spread: tuple[float, float, float]  # of the logarithm, one for each
    floor: tuple[float, float]  # rotation [rad], position [mm]


@dataclass(frozen=True, slots=True, eq=False)
class Noise:
    """Estimated levels: log variances (3,) above the floors, log scale² of systematic errors."""

    log_variance: Array
    log_scale: float
    floor: tuple[float, float]

    def half_way(self, other: Noise) -> Noise:
        """Return the levels between these and ``other``."""
        variance = 0.5 * (self.log_variance + other.log_variance)
        return Noise(variance, 0.5 * (self.log_scale + other.log_scale), self.floor)

    @property
    def pixel_px(self) -> float:
        """Standard deviation of one pixel coordinate [px]."""
        return float(np.exp(0.5 * self.log_variance[0]))

    @property
    def rotation(self) -> float:
        """Standard deviation of the flange's rotation about each axis [rad], floor included."""
        return float(np.sqrt(np.exp(self.log_variance[1]) + self.floor[0] ** 2))

    @property
    def position(self) -> float:
        """Standard deviation of the flange's position on each axis [mm], floor included."""
        return float(np.sqrt(np.exp(self.log_variance[2]) + self.floor[1] ** 2))

    def robot_covariance(self) -> Array:
        """Return the covariance (6, 6) of one stop's random error, [r, t] on any axes."""
        return np.diag([self.rotation**2] * 3 + [self.position**2] * 3)


def noise_prior(robot: Robot | None, pendant: Pendant, *, reported: bool = False) -> NoisePrior:
    """Return the prior that the robot file and the pendant's digits give.

    ``reported``: the views are poses that another system reports, of whose noise nobody knows.
    """
    repeatability = REPEATABILITY_MM if robot is None else robot.repeatability
    position = RANDOM_PER_REPEATABILITY * repeatability
    return NoisePrior(
        median=(PIXEL_PX, position / LEVER_MM, position),
        spread=(REPORTED_SPREAD if reported else SPREAD, SPREAD, SPREAD),
        floor=_rounding(pendant),
    )


def absurd(noise: Noise, prior: NoisePrior) -> bool:
    """Tell whether the stops scatter more than any robot does that the robot file may mean."""
    ratios = np.exp(0.5 * noise.log_variance[1:]) / np.array(prior.median[1:])
    return bool((ratios > NOISE_FACTOR).any())


def starting_noise(prior: NoisePrior) -> Noise:
    """Return the prior's medians as noise levels."""
    return Noise(2.0 * np.log(np.array(prior.median)), 0.0, prior.floor)


def prior_score(noise: Noise, prior: NoisePrior, told: Array) -> tuple[Array, Array]:
    """Return the log prior's slope (3,) and its information (3,) by the log variances.

    ``told`` (3,) is the data's own information: where they tell nothing, the median stands.
    """
    offset = noise.log_variance - 2.0 * np.log(np.array(prior.median))
    information = (2.0 * np.array(prior.spread)) ** -2.0
    flat = FLAT_IN_VARIANCE * told / (told + information)
    return flat - offset * information, information


def _rounding(pendant: Pendant) -> tuple[float, float]:
    position, angle = rounding(pendant)
    return angle, position
