"""What is to be estimated and from what, and its model: the equation of both mounts, the noise.

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

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from ..arrays import Array
from ..boards.pattern import Board
from ..camera.lens import DEPTH_SHIFTS, Terms, terms
from ..camera.model import Camera
from ..cell.cell import Cell, Locate, WorkVolume, holds_level
from ..cell.mount import EYE_TO_HAND, Mount
from ..cell.rule import Tolerance
from ..cell.stations import Observation
from ..errors import SolveError
from ..findings import Finding
from ..frames import apply, checked_transform, displacement, inverse, point_rows, skew
from ..pendant.entry import rounding
from ..pendant.settings import Pendant
from ..robots.model import Robot


@dataclass(frozen=True, slots=True, eq=False)
class Constraint:
    """``axes`` · (transform · point) = ``value`` within ``u_mm``.

    ``on_camera``: whether the camera's or the board's transform carries ``point`` (3,) [mm], which
    moves by ``by_terms`` (3, q) per unit of what lens and board are off; None: by nothing.
    ``axes`` (k, 3) the measured directions, ``value`` (k,) [mm]. ``name`` for the message.
    """

    name: str
    on_camera: bool
    point: Array
    axes: Array
    value: Array
    u_mm: float
    by_terms: Array | None = None

    def whitened(self, camera: Array, board: Array, terms: Array) -> tuple[Array, Array]:
        """Return residual (k,) and rows (k, 12 + q) in standard deviations.

        At these transforms, lens and board off by ``terms`` (q,).
        """
        carrier = camera if self.on_camera else board
        moves = np.zeros((3, len(terms))) if self.by_terms is None else self.by_terms
        point = self.point + moves @ terms
        residual = self.value - self.axes @ apply(carrier, point[None])[0]
        rows = np.zeros((len(self.value), 12 + len(terms)))
        columns = slice(0, 6) if self.on_camera else slice(6, 12)
        rows[:, columns] = self.axes @ point_rows(carrier, point[None])[0]
        rows[:, 12:] = self.axes @ carrier[:3, :3] @ moves
        return residual / self.u_mm, rows / self.u_mm


ON_MOUNT = "place of the board's mount"  # the name of a prior from an earlier session


@dataclass(frozen=True, slots=True, eq=False)
class BoardPrior:
    """The board's transform is known: ``board`` (4, 4) within ``covariance`` (6, 6), see `frames`.

    ``name`` for the message.
    """

    name: str
    board: Array
    covariance: Array

    def whitened(self, camera: Array, board: Array, terms: Array) -> tuple[Array, Array]:
        """Return residual (6,) and rows (6, 12 + q) in standard deviations, at these transforms."""
        whiten = np.linalg.inv(np.linalg.cholesky(self.covariance))
        rows = np.concatenate([np.zeros((6, 6)), whiten, np.zeros((6, len(terms)))], axis=1)
        return whiten @ displacement(self.board, board), rows


Tie = Constraint | BoardPrior


def constraint_rows(
    constraints: tuple[Tie, ...], camera: Array, board: Array, terms: Array
) -> Iterator[tuple[Array, Array]]:
    """Yield the whitened residual (k,) and rows (k, 12 + q) of each constraint."""
    for tie in constraints:
        yield tie.whitened(camera, board, terms)


TOUCH_U_MM = 0.3  # mm; pointing a tip at a board point by hand, common practice, no source


@dataclass(frozen=True, slots=True, eq=False)
class Touched:
    """One touched point that the camera saw too.

    ``p_camera`` (3,) [mm] where the camera saw it; ``p_base`` (3,) [mm] where the robot touched it;
    ``base_T_flange`` (4, 4) the flange when the camera looked (eye-in-hand only); ``u_mm`` the
    standard uncertainty of the touch on each axis. Per unit of what lens and board are off the
    point lies ``by_terms`` (3, 16) [mm] elsewhere, in the order of `camera.lens.NAMES`; None:
    wherever they are. ``turned``: what it is as well, if the board looks the same turned.
    """

    p_camera: Array
    p_base: Array
    base_T_flange: Array | None = None
    u_mm: float = TOUCH_U_MM
    by_terms: Array | None = None
    turned: tuple[Touched, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """Everything the estimate depends on. ``robot`` None: the arm's geometry is not known.

    ``robot_accuracy_mm`` is then what the robot is off, None: as assumed. ``locate`` says how parts
    are located: by the same lens data, or by true 3-D points; None: not said. ``apart``: what is to
    be said of measured numbers that `numbers.settled` took away because they do not agree.
    ``told_accuracy_mm``: what the cell says of a robot that the stations show to be off by more.
    ``doubted``: keys of the cell and the u that it says, where the stations show it to be too
    exact, see `loosened`.
    """

    mount: Mount
    board: Board
    camera: Camera
    robot: Robot | None
    pendant: Pendant
    observations: tuple[Observation, ...]
    work_volume: WorkVolume
    tolerance: Tolerance
    touched: tuple[Touched, ...] = ()
    board_prior: BoardPrior | None = None  # takes the place of board.height_mm
    robot_accuracy_mm: float | None = None
    locate: Locate | None = None
    apart: tuple[Finding, ...] = ()
    told_accuracy_mm: float | None = None
    doubted: tuple[tuple[str, float], ...] = ()

    @property
    def level(self) -> bool:
        """Whether the arm cannot tilt its flange."""
        return holds_level(self.robot, self.pendant)

    @property
    def by_depth(self) -> bool:
        """Whether parts are located as points in space; where nobody says, by a 3-D camera's."""
        return by_depth(self.locate, self.camera)


def by_depth(locate: Locate | None, camera: Camera) -> bool:
    """Tell whether parts are located as points in space, see `Problem.by_depth`."""
    return (locate or ("depth" if camera.depth else "lens")) == "depth"


def problem_from(cell: Cell, observations: list[Observation] | tuple[Observation, ...]) -> Problem:
    """Return the problem of ``observations`` made in ``cell``.

    Raises SolveError for a flange pose that is no rigid transform, a point id that the board does
    not have, or pixels that are not finite or do not match their ids.
    """
    for seen in observations:
        _checked(seen, cell.board.count)
    return Problem(
        mount=cell.mount,
        board=cell.board,
        camera=cell.camera,
        robot=cell.robot,
        pendant=cell.pendant,
        observations=tuple(observations),
        work_volume=cell.work_volume,
        tolerance=cell.tolerance,
        robot_accuracy_mm=cell.robot_accuracy_mm,
        locate=cell.locate,
    )


# mm; calibrated arms were measured at 0.1 to 0.4 mm (Nubiola & Bonev 2013, from memory). One that
# is told to be better is tried with as much, see `diagnosis.arm`.
USUAL_ACCURACY_MM = 0.2


def inaccurate(problem: Problem) -> Problem:
    """Return the problem with an arm that is told to be better off by `USUAL_ACCURACY_MM`."""
    robot = problem.robot
    if robot is None or robot.accuracy >= USUAL_ACCURACY_MM:
        return problem
    usual = replace(robot, accuracy_mm=USUAL_ACCURACY_MM)
    return replace(problem, robot=usual, told_accuracy_mm=robot.accuracy)


def _checked(seen: Observation, count: int) -> None:
    checked_transform(seen.base_T_flange, f"station {seen.id}: flange pose")
    if seen.camera_T_board is not None:
        checked_transform(seen.camera_T_board, f"station {seen.id}: board_pose")
    if seen.point_ids is None or seen.pixels is None:
        return
    ids, pixels = np.asarray(seen.point_ids), np.asarray(seen.pixels)
    if pixels.shape != (len(ids), 2) or not np.isfinite(pixels).all():
        raise SolveError(f"station {seen.id}: pixels do not match the {len(ids)} point ids")
    wrong = ids[(ids < 0) | (ids >= count)]
    if len(wrong):
        raise SolveError(
            f"station {seen.id}: point id {wrong[0]} does not exist, the board has {count} points",
            "Check columns and rows of the board in the cell.",
        )


def terms_of(problem: Problem) -> Terms:
    """Return what lens and board may be off by, also where another system reports the board.

    Points that were all measured in space have no image against which they could be shifted.
    """
    board, camera, points = problem.board, problem.camera, problem.board.points()
    if camera.depth is None and any(seen.depths is not None for seen in problem.observations):
        camera = replace(camera, depth=camera.deep)
    known = terms(camera, points, *board.u)
    seen = [item.spatial for item in problem.observations if item.pixels is not None]
    return known.without(DEPTH_SHIFTS) if seen and all(seen) else known


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
    turned, arm = R_x_t @ G[:, :3, :3], G[:, :3, :3] @ board[:3, 3]
    by_camera = _blocks(-R_x_t, R_x_t @ skew(arm + G[:, :3, 3] - camera[:3, 3]))
    by_board = _blocks(turned, np.zeros_like(turned))
    if mount == EYE_TO_HAND:
        by_flange = _blocks(R_x_t, -R_x_t @ skew(arm))
    else:
        by_flange = _blocks(-turned, turned @ skew(board[:3, 3] - base_T_flange[:, :3, 3]))
    return by_camera, by_board, by_flange


def _blocks(rotation: Array, mixed: Array) -> Array:
    """Return [[rotation, 0], [mixed, rotation]] (n, 6, 6), ``mixed`` (n, 3, 3)."""
    J = np.zeros((len(mixed), 6, 6))
    J[:, :3, :3] = J[:, 3:, 3:] = rotation
    J[:, 3:, :3] = mixed
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
MUCH_FACTOR = 11.0  # [-] the same, 2 of them: then more stations are no remedy before others
MOST_PIXEL_PX = 5.0  # px; no detector is off by as much, common practice, no source
STEP_LIMIT = 2.0  # [-] largest change of a log variance in one step


@dataclass(frozen=True, slots=True)
class NoisePrior:
    """Prior of the noise levels: median of each sigma, spread of its logarithm, and the floors.

    ``level``: the arm stays level, and turns its flange about the vertical alone.
    """

    median: tuple[float, float, float]  # pixel [px], rotation [rad], position [mm]
    spread: tuple[float, float, float]  # of the logarithm, one for each
    floor: tuple[float, float]  # rotation [rad], position [mm]
    level: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Noise:
    """Estimated levels: log variances (3,) above the floors, log scale² of systematic errors (2,).

    Those of the arm's lengths and zeros, and of the field beside them.
    """

    log_variance: Array
    log_scale: Array
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
    rounding_mm, rounding_rad = rounding(pendant)
    return NoisePrior(
        median=(PIXEL_PX, position / LEVER_MM, position),
        spread=(REPORTED_SPREAD if reported else SPREAD, SPREAD, SPREAD),
        floor=(rounding_rad, rounding_mm),
        level=holds_level(robot, pendant),
    )


def absurd(noise: Noise, prior: NoisePrior) -> bool:
    """Tell whether the stops scatter more than any robot does that the robot file may mean."""
    return scatter(noise, prior) > NOISE_FACTOR


def scatter(noise: Noise, prior: NoisePrior) -> float:
    """Return how many times the prior's median the stops scatter, the larger of turn and place."""
    return float((np.exp(0.5 * noise.log_variance[1:]) / np.array(prior.median[1:])).max())


def starting_noise(prior: NoisePrior) -> Noise:
    """Return the prior's medians as noise levels."""
    return Noise(2.0 * np.log(np.array(prior.median)), np.zeros(2), prior.floor)


def prior_score(noise: Noise, prior: NoisePrior, told: Array) -> tuple[Array, Array]:
    """Return the log prior's slope (3,) and its information (3,) by the log variances.

    ``told`` (3,) is the data's own information: where they tell nothing, the median stands.
    """
    offset = noise.log_variance - 2.0 * np.log(np.array(prior.median))
    information = (2.0 * np.array(prior.spread)) ** -2.0
    flat = FLAT_IN_VARIANCE * told / (told + information)
    return flat - offset * information, information
