"""Random simulated sessions without images: truth, typed poses and points, for statistics.

Two station styles: "reference" (this project's reference pattern, see `reference_pattern`) and
"tilted" (spread over the view, tilts to 35°, turned about the view axis). Robot and lens are a
middle-sized arm and a 1.3-megapixel camera of no particular make.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import product
from typing import Literal

import numpy as np

from engine.arrays import Array
from engine.boards.pattern import Board
from engine.camera.lens import project
from engine.camera.model import Camera, LensU
from engine.cell.cell import WorkVolume
from engine.cell.mount import EYE_TO_HAND, Mount
from engine.cell.rule import Tolerance
from engine.cell.stations import Observation
from engine.estimate.problem import Problem, implied_flange, predicted_view
from engine.estimate.systematic import (
    LENGTH_MM,
    ZERO_RAD,
    postures,
    postures_at,
    usual_posture,
)
from engine.frames import apply, displaced, displacement, inverse, rotation_exp, transform
from engine.pendant.conventions import from_matrix, to_matrix
from engine.pendant.settings import Pendant
from engine.robots.arms import named_alike
from engine.robots.kinematics import Kinematics, kinematics
from engine.robots.model import Robot

Style = Literal["reference", "tilted"]
Stops = Literal["normal", "laplace", "t3", "t2", "contaminated", "t3 by axis"]
BACKLASH_MM, BACKLASH_RAD = 0.1, np.radians(0.05)
GROWTH = 2e-4  # [-] of an arm that warms up by 10 K during the session

ARM = Robot(
    name="demo six-axis arm",
    kind="spherical-wrist",
    geometry_mm={"a1": 70, "a2": -20, "b": 0, "c1": 390, "c2": 410, "c3": 375, "c4": 95},
    offsets_deg=(0,) * 6,
    directions=(1,) * 6,
    limits=((-160, 160), (-65, 145), (-70, 190), (-180, 180), (-135, 135), (-360, 360)),
    repeatability_mm=0.03,
    accuracy_mm=0.0,
)
FOUR_AXIS = Robot(
    name="demo four-axis arm",
    kind="scara",
    geometry_mm={"l1": 415, "l2": 345, "z0": 500},
    offsets_deg=(0,) * 4,
    directions=(1,) * 4,
    limits=((-150, 150), (-150, 150), (-450, 0), (-360, 360)),
    repeatability_mm=0.03,
    accuracy_mm=0.0,
)
CAMERA = Camera(
    name="frame camera",
    image_size_px=(1280, 1024),
    matrix=((1400.0, 0.0, 640.0), (0.0, 1400.0, 512.0), (0.0, 0.0, 1.0)),
    distortion=(-0.1, 0.05, 0.0005, -0.0003, 0.0),
    u=LensU(0.0, 0.0, 0.0),  # these sessions draw no error of lens or board
)
BOARD = Board("chessboard", 11, 8, pitch_mm=20.0, scale_u=0.0, bow_u_mm=0.0)
PENDANT = Pendant("mm", "deg", "fixed-xyz", ("X", "Y", "Z", "A", "B", "C"), (2,) * 3 + (3,) * 3)
VOLUME = WorkVolume("base", (520.0, 0.0, 380.0), (250.0, 250.0, 150.0))
VOLUME_IN_CAMERA = WorkVolume("camera", (0.0, 0.0, 650.0), (250.0, 200.0, 100.0))
TOLERANCE = Tolerance(1.0, 0.2)
SPREAD_MM = (60.0, 40.0, 40.0)  # of the reference pattern's cube corners: all of it stays in view
AXIAL = 8.0**0.25  # [-] its axial points stand so much further out: rotatable for three factors
GOLDEN_RAD = np.pi * (3.0 - np.sqrt(5.0))  # about 137.5°: directions that never repeat
LAYOUTS = 50  # places of camera and board tried before giving up
TRIES = 60  # candidates drawn per station before another layout is tried
MARGIN_PX = 15.0  # px; points nearer to the image border are not found reliably


@dataclass(frozen=True, slots=True)
class Case:
    """What to simulate: noise [px], [deg], [mm], and the RMS geometric error of the arm [mm]."""

    mount: Mount = EYE_TO_HAND
    style: Style = "tilted"
    axes: Literal[4, 6] = 6
    stations: int = 15
    pixel_px: float = 0.15
    angle_deg: float = 0.02
    position_mm: float = 0.15
    geometry_mm: float = 0.0
    beyond_mm: float = 0.0  # RMS of what lengths and joint zeros do not explain
    accuracy_mm: float | None = 0.0  # what the cell file says; None: nothing
    height_known: bool = False  # whether board.height_mm was measured
    stops: Stops = "normal"  # how what is new at every stop scatters
    upright: bool = False  # stops turn about the vertical alone, as level arms do
    backlash: bool = False  # the arm stops short of where it goes: 0.1 mm and 0.05°
    warming: bool = False  # the arm grows by 0.2 mm a metre meanwhile (10 K at 20 µm/m/K)
    robot: Robot | None = None  # another arm than the usual one of so many axes
    ripple_mm: float = 0.0  # RMS of gears that run unevenly, beside `beyond_mm`
    waves: tuple[float, float] = (8.0, 40.0)  # of those, to the turn

    @property
    def arm(self) -> Robot:
        """The arm of the session."""
        return self.robot or (ARM if self.axes == 6 else FOUR_AXIS)


@dataclass(frozen=True, slots=True, eq=False)
class Simulated:
    """One session: the problem, and the truth behind it, at its end.

    ``errors`` (p,) of the arm's lengths and joint zeros [rad, mm]; ``beyond`` what else it errs by.
    """

    case: Case
    problem: Problem
    camera: Array
    board: Array
    errors: Array
    arm: Kinematics
    beyond: Beyond

    def reached(self, q: Array) -> Array:
        """Return where the flange truly is (n, 4, 4) at joint values (n, axes)."""
        return displaced(self.arm.forward(q, self.errors), self.beyond.at(self.arm, q))


@dataclass(frozen=True, slots=True, eq=False)
class Beyond:
    """Errors of an arm that no length and no joint zero explains.

    Axes that are not quite square or parallel, ``tilts`` (axes, 2) [rad]; joints that give way to
    the weight, ``sag`` [rad] at a stretched arm; gears that run unevenly: ``ripple`` (axes, w)
    [rad] and its phase, ``waves`` (axes, w) to the turn.
    """

    tilts: Array
    sag: float
    ripple: Array
    phase: Array
    waves: Array

    @classmethod
    def none(cls, arm: Kinematics) -> Beyond:
        """Return no errors at all."""
        nothing = np.zeros((arm.axes, 2))
        return cls(nothing, 0.0, nothing, nothing, nothing)

    @classmethod
    def drawn(cls, arm: Kinematics, rms_mm: float, rng: np.random.Generator) -> Beyond:
        """Return errors whose effect on the flange's place has the RMS ``rms_mm``."""
        n = arm.axes
        made = cls(
            rng.normal(0.0, ZERO_RAD, (n, 2)),
            float(rng.normal(0.0, ZERO_RAD)),
            rng.normal(0.0, ZERO_RAD / 3.0, (n, 2)),
            rng.uniform(0.0, 2.0 * np.pi, (n, 2)),
            rng.uniform(1.0, 3.0, (n, 2)),
        )
        moved = made.at(arm, postures(arm))[:, 3:]
        scale = rms_mm / np.sqrt((moved**2).sum(axis=1).mean())
        tilts, sag, ripple = (part * scale for part in (made.tilts, made.sag, made.ripple))
        return replace(made, tilts=tilts, sag=sag, ripple=ripple)

    def rippling(
        self, arm: Kinematics, rms_mm: float, waves: tuple[float, float], rng: np.random.Generator
    ) -> Beyond:
        """Return these errors and gears that run unevenly by so much, ``waves`` to the turn."""
        n = arm.axes
        size, phase = rng.normal(0.0, 1e-4, (n, 2)), rng.uniform(0.0, 2.0 * np.pi, (n, 2))
        own = replace(self.none(arm), ripple=size, phase=phase, waves=rng.uniform(*waves, (n, 2)))
        moved = own.at(arm, postures(arm))[:, 3:]
        size = size * rms_mm / np.sqrt((moved**2).sum(axis=1).mean())
        return replace(
            self,
            ripple=np.hstack([self.ripple, size]),
            phase=np.hstack([self.phase, phase]),
            waves=np.hstack([self.waves, own.waves]),
        )

    def at(self, arm: Kinematics, q: Array) -> Array:
        """Return the flange's displacement (..., 6) at joint values (..., axes), base axes."""
        shape, q = (*np.shape(q)[:-1], 6), np.atleast_2d(q)
        T, J = arm.forward_and_jacobian(q)
        turning = arm.joints.turning
        waves = np.sin(self.waves * q[..., None] + self.phase) * self.ripple
        bent = (waves.sum(axis=2) * turning)[..., None]
        weight = np.linalg.norm(T[:, :2, 3], axis=1) / 1000.0  # how far the arm stretches out
        bent[:, 1, 0] += self.sag * weight * turning[1]
        total = (J @ bent)[..., 0]
        axes, feet = J[:, :3], T[:, :3, 3, None] - np.cross(J[:, 3:], J[:, :3], axis=1)
        for k in np.flatnonzero(turning):
            z = axes[..., k]
            side = np.cross(z, axes[..., k - 1] if k else [1.0, 0.0, 0.0])
            flat = np.linalg.norm(side, axis=1) < 0.1  # parallel to the axis before
            side[flat] = (feet[..., k] - feet[..., k - 1])[flat]
            side -= z * (side * z).sum(axis=1, keepdims=True)
            side /= np.maximum(np.linalg.norm(side, axis=1, keepdims=True), 1e-9)
            turn = self.tilts[k, 0] * side + self.tilts[k, 1] * np.cross(z, side)
            total[:, :3] += turn
            total[:, 3:] += np.cross(turn, T[:, :3, 3] - feet[..., k])
        return np.asarray(total.reshape(shape))


@dataclass(frozen=True, slots=True)
class DepthErrors:
    """What depth of the points is off: all of it, relative; the rest at every stop anew [mm].

    ``tilt`` [rad] about the image's x and y axes puts z off in proportion to y and x; ``shift``
    [rad] along both puts depth beside its pixel. A sensor that is turned by (a, b) against the
    image does both: by (a, b) and by (b, −a).
    ``bow_mm`` lifts the corners of a flat board, ``offset_mm`` is its standard deviation as a
    whole, ``noise_mm`` that of one point; ``holes`` [-] is the share of points without.
    """

    scale: float = 0.0
    tilt: tuple[float, float] = (0.0, 0.0)
    shift: tuple[float, float] = (0.0, 0.0)
    bow_mm: float = 0.0
    offset_mm: float = 0.0
    noise_mm: float = 0.05
    holes: float = 0.0

    def measured(self, points: Array, rng: np.random.Generator) -> Array:
        """Return the depths (n,) [mm] of points (n, 3) in the camera frame."""
        normal = np.linalg.svd(points - points.mean(axis=0))[2][2]
        beside = (points / points[:, 2:]) @ normal
        beside -= np.array([*self.shift, 0.0]) @ normal
        z = self.located(points)[:, 2] * (points @ normal / points[:, 2]) / beside
        middle = points[:, :2].mean(axis=0)
        off = ((points[:, :2] - middle) ** 2).sum(axis=1)
        z = z + self.bow_mm * off / off.max()
        z = z + rng.normal(0.0, self.offset_mm) + rng.normal(0.0, self.noise_mm, len(z))
        return np.where(rng.random(len(z)) < self.holes, np.nan, z)

    def located(self, points: Array) -> Array:
        """Return where points (n, 3) in the camera frame are by a depth that is off as a whole."""
        about_x, about_y = self.tilt
        x, y, z = points.T
        along = points * (1.0 + self.scale + (about_x * y - about_y * x) / z)[:, None]
        return along + z[:, None] * np.array([*self.shift, 0.0])


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What board and lens truly are: ``points`` (count, 3) [mm], and the camera; and its depth.

    ``camera_off``, ``board_off``: their displacements from where they first were, (6,) or (n, 6).
    """

    points: Array
    camera: Camera
    depth: DepthErrors | None = None
    camera_off: Array = field(default_factory=lambda: np.zeros(6))
    board_off: Array = field(default_factory=lambda: np.zeros(6))


def simulated(case: Case, rng: np.random.Generator, truly: Seen | None = None) -> Simulated:
    """Return one random session of ``case``; poses are typed as the pendant shows them.

    ``truly``: board and lens where they are not what the cell says.
    """
    robot = replace(case.arm, accuracy_mm=case.accuracy_mm)
    arm = kinematics(robot)
    camera, board, typed = _layout(case, rng)
    errors, true = np.zeros(len(arm.parameter_names)), typed
    beyond = Beyond.none(arm)
    if case.geometry_mm > 0.0:
        errors = _errors(case, arm, rng)
    if case.beyond_mm > 0.0:
        beyond = Beyond.drawn(arm, case.beyond_mm, rng)
    if case.ripple_mm > 0.0:
        beyond = beyond.rippling(arm, case.ripple_mm, case.waves, rng)
    if case.geometry_mm > 0.0 or case.beyond_mm > 0.0 or case.ripple_mm > 0.0:
        q = _typed_joints(arm, typed)
        true = displaced(arm.forward(q, errors), beyond.at(arm, q))
    look = truly or Seen(BOARD.points(), CAMERA)
    true = _come_to(case, true)
    seen = _observed(case, camera, true, board, _rounded(typed), rng, look)
    problem = Problem(
        mount=case.mount,
        board=_measured(board, rng) if case.height_known else BOARD,
        camera=CAMERA,
        robot=robot,
        pendant=PENDANT,
        observations=seen,
        work_volume=VOLUME if case.mount == EYE_TO_HAND else VOLUME_IN_CAMERA,
        tolerance=TOLERANCE,
        locate="lens",
    )
    ended = displaced(camera, np.atleast_2d(look.camera_off)[-1])
    return Simulated(case, problem, ended, board, errors, arm, beyond)


def _observed(
    case: Case,
    camera: Array,
    true: Array,
    board: Array,
    shown: Array,
    rng: np.random.Generator,
    look: Seen,
) -> tuple[Observation, ...]:
    """Return what the camera sees from the true flange poses, paired with the shown ones."""
    n, ids = len(true), np.arange(BOARD.count)
    (own,) = rng.spawn(1)  # a session with depth is the same one as without
    turns = rng.normal(0.0, np.radians(case.angle_deg), (n, 3))
    if case.upright:
        turns[:, :2] = 0.0
    noise = np.concatenate([turns, rng.normal(0.0, case.position_mm, (n, 3))], axis=1)
    noise *= _tails(case.stops, n, own)
    camera, board = displaced(camera, look.camera_off), displaced(board, look.board_off)
    views = predicted_view(case.mount, camera, displaced(true, noise), board)
    seen = []
    for number, (pose, view) in enumerate(zip(shown, views, strict=True), start=1):
        pixels = project(apply(view, look.points), look.camera)
        pixels = pixels + rng.normal(0.0, case.pixel_px, pixels.shape)
        depths = None
        if look.depth is not None:
            depths = look.depth.measured(apply(view, look.points), own)
        seen.append(Observation(number, pose, ids, pixels, depths=depths))
    return tuple(seen)


def _tails(stops: Stops, n: int, rng: np.random.Generator) -> Array:
    """Return by what the normal scatter of each stop is multiplied, (n, 1) or (n, 6) by axis.

    A normal deviate over the root of a chi-square one is Student's t; times that of an exponential
    one, Laplace's. Contaminated: one stop in ten is ten times as bad.
    """
    if stops == "t3 by axis":
        return np.asarray(np.sqrt(3.0 / rng.chisquare(3, (n, 6))))
    if stops == "laplace":
        size = np.sqrt(rng.exponential(1.0, n) / np.log(2.0))
    elif stops == "contaminated":
        size = np.where(rng.random(n) < 0.1, 10.0, 1.0)
    elif stops == "normal":
        size = np.ones(n)
    else:
        nu = int(stops[1:])
        size = np.sqrt(nu / rng.chisquare(nu, n))
    return np.asarray(size[:, None])


def _come_to(case: Case, true: Array) -> Array:
    """Return where the flange comes to (n, 4, 4), which way it came and how warm it is heeded."""
    off = np.zeros((len(true), 6))
    if case.backlash:
        way = displacement(true[1:], true[:-1])
        for part, size in ((slice(0, 3), BACKLASH_RAD), (slice(3, 6), BACKLASH_MM)):
            length = np.linalg.norm(way[:, part], axis=1, keepdims=True)
            off[1:, part] -= size * way[:, part] / np.maximum(length, 1e-9)
    if case.warming:
        warm = np.linspace(-0.5, 0.5, len(true))[:, None]  # the picks are made half way
        off[:, 3:] += GROWTH * warm * true[:, :3, 3]
    return displaced(true, off)


_FRONT = np.array([[0.0, 0.0, -1.0], [1.0, 0.0, 0.0], [0.0, -1.0, 0.0]])  # looks along base −X
_TURNED = np.diag([1.0, -1.0, -1.0])
_PLACES = {  # (fixed camera, axes): rotation and place of the camera, of the board's centre
    (True, 6): (_FRONT, (1250.0, 0.0, 400.0), _TURNED, (0.0, 0.0, 40.0)),
    (False, 6): (np.eye(3), (60.0, 0.0, 60.0), _TURNED, (430.0, 0.0, -250.0)),
    (True, 4): (np.eye(3), (520.0, 0.0, -380.0), np.eye(3), (0.0, 0.0, -20.0)),
    (False, 4): (_TURNED, (80.0, 0.0, -20.0), _TURNED, (520.0, 0.0, -350.0)),
}
TILT_DEG = {"reference": 12.0, "tilted": 35.0}


def _layout(case: Case, rng: np.random.Generator) -> tuple[Array, Array, Array]:
    """Return true camera and board transforms (4, 4) and the flange poses (n, 4, 4) to visit."""
    for _ in range(LAYOUTS):
        camera, board = _places(case, rng)
        flange = _stations(case, camera, board, rng)
        if len(flange) == case.stations:
            return _named(case, camera, board, flange)
    raise RuntimeError(f"no {case.stations} reachable stations found for {case}")


def _named(case: Case, camera: Array, board: Array, flange: Array) -> tuple[Array, Array, Array]:
    """Return the layout with the flange's z axis named up or down as the arm's is."""
    arm = kinematics(case.arm)
    named = named_alike(case.arm, flange, arm.forward(np.zeros(arm.axes)))
    other = inverse(named[0]) @ flange[0]
    if case.mount == EYE_TO_HAND:
        return camera, other @ board, named
    return other @ camera, board, named


def _places(case: Case, rng: np.random.Generator) -> tuple[Array, Array]:
    """Return the camera and board transforms: nominal places, a little off."""
    R_camera, t_camera, R_board, t_board = _PLACES[case.mount == EYE_TO_HAND, case.axes]
    turn, shift = rng.normal(0.0, 0.08, (2, 3)), rng.normal(0.0, 20.0, (2, 3))
    if case.axes == 4:
        turn[1, :2] = 0.0  # a board on a level flange or table lies level
    off = np.concatenate([turn, shift], axis=1)
    camera = displaced(transform(R_camera, t_camera), off[0])
    centred = transform(np.eye(3), -BOARD.points().mean(axis=0))
    board = displaced(transform(R_board, t_board), off[1]) @ centred
    return camera, board


def _stations(case: Case, camera: Array, board: Array, rng: np.random.Generator) -> Array:
    """Return flange poses (n, 4, 4) that show the whole board and that the arm reaches."""
    arm = kinematics(case.arm)
    chosen: list[Array] = []
    for _ in range(TRIES * case.stations):
        view = _view(case, len(chosen), rng)
        flange = implied_flange(case.mount, camera, view, board)
        if case.axes == 4:
            yaw = np.arctan2(flange[1, 0], flange[0, 0])
            flange = transform(rotation_exp([0.0, 0.0, yaw]), flange[:3, 3])
        seen = predicted_view(case.mount, camera, flange, board)
        if _in_view(seen) and len(arm.branches(flange)):
            chosen.append(flange)
        if len(chosen) == case.stations:
            return np.array(chosen)
    return np.array(chosen)


def _view(case: Case, number: int, rng: np.random.Generator) -> Array:
    """Return one wished camera_T_board (4, 4), its place given by the board's centre."""
    if case.style == "reference":
        place, turn = _reference(number, rng)
    else:
        place = rng.uniform((-150.0, -110.0, 520.0), (150.0, 110.0, 820.0))
        axis = rng.uniform(0.0, 2.0 * np.pi)
        tilt = np.radians(rng.uniform(10.0, TILT_DEG["tilted"]))
        turn = tilt * np.array([np.cos(axis), np.sin(axis), 0.0])
    if case.axes == 4:
        turn = turn * (0.0, 0.0, 1.0)
    R = rotation_exp(turn)
    if case.style == "tilted" or case.axes == 4:
        R = R @ rotation_exp([0.0, 0.0, rng.uniform(-1.0, 1.0)])
    return transform(R, place - R @ BOARD.points().mean(axis=0))


def reference_pattern() -> tuple[Array, Array]:
    """Return shifts (15, 3) [mm] and turns (15, 3) [rad] of this project's reference pattern.

    A three-factor central composite design (Box & Wilson 1951, text not at hand): centre, eight
    cube corners, six axial points; every stop but the first is tilted 12° about an axis in the
    image plane that goes round by the golden angle. A baseline to measure plans against.
    """
    corners = np.array(list(product((-1.0, 1.0), repeat=3)))
    axial = AXIAL * np.concatenate([np.eye(3), -np.eye(3)])
    shifts = np.concatenate([np.zeros((1, 3)), corners, axial]) * SPREAD_MM
    way = GOLDEN_RAD * np.arange(len(shifts))
    turns = np.radians(TILT_DEG["reference"]) * np.column_stack([np.cos(way), np.sin(way), 0 * way])
    turns[0] = 0.0
    return shifts, turns


def _reference(number: int, rng: np.random.Generator) -> tuple[Array, Array]:
    """Return place and turn of station ``number`` of the reference pattern, repeated in turn."""
    shifts, turns = reference_pattern()
    jitter = rng.normal(0.0, 5.0, 3)
    return np.array([0.0, 0.0, 650.0]) + shifts[number % 15] + jitter, turns[number % 15]


def _in_view(view: Array) -> bool:
    pixels = project(apply(view, BOARD.points()), CAMERA)
    high = np.array(CAMERA.image_size_px) - MARGIN_PX
    return bool((pixels > MARGIN_PX).all() and (pixels < high).all())


def _typed_joints(arm: Kinematics, flange: Array) -> Array:
    """Return joints (n, axes) of the poses, all in one arm configuration where the arm allows."""
    joints = postures_at(arm, flange, [None] * len(flange))
    if not np.isfinite(joints).all():
        raise RuntimeError("a simulated station is out of reach")
    return joints


def _measured(board: Array, rng: np.random.Generator) -> Board:
    """Return the board with the height of its point 0 measured by hand."""
    height = board[2, 3] + rng.normal(0.0, BOARD.height_u_mm)
    return replace(BOARD, height_mm=float(height))


def _errors(case: Case, arm: Kinematics, rng: np.random.Generator) -> Array:
    """Return random geometric errors (p,), scaled so that their effect has the RMS of ``case``."""
    units = np.array(arm.parameter_units)
    errors = rng.normal(size=len(units)) * np.where(units == "rad", ZERO_RAD, LENGTH_MM)
    moved = arm.parameter_jacobian(postures(arm))[:, 3:] @ errors
    return np.asarray(errors * case.geometry_mm / np.sqrt((moved**2).sum(axis=1).mean()))


def _rounded(poses: Array) -> Array:
    """Return the poses (n, 4, 4) as the pendant shows them: rounded to its digits."""
    position = np.round(poses[:, :3, 3], PENDANT.decimals[0])
    angles = np.array([from_matrix(R, PENDANT) for R in poses[:, :3, :3]])
    return transform(to_matrix(np.round(angles, PENDANT.decimals[3]), PENDANT), position)


def pick_errors(session: Simulated, delivered: Array, approach: Array, looking: Array) -> Array:
    """Return the true pick errors (8,) [mm] at the corners of the work volume.

    The camera sees a part, ``delivered`` says where it is, the arm goes there with the flange's
    rotation ``approach`` (3, 3), the elbow of the stations and its own errors, not linearised.
    ``looking`` (4, 4): the typed flange pose of an eye-in-hand image. NaN where the arm does not
    reach.
    """
    volume, arm = session.problem.work_volume, session.arm
    places = volume.corners()
    fixed = session.case.mount == EYE_TO_HAND
    visited = np.array([stop.base_T_flange for stop in session.problem.observations])
    near = usual_posture(arm, visited, [None] * len(visited))
    if fixed:
        seen, placed_by, true = apply(inverse(session.camera), places), delivered, places
    else:
        seen, placed_by = places, looking @ delivered
        q = postures_at(arm, looking[None], [None], near)[0]
        true = apply(session.reached(q) @ session.camera, places)
    goal = apply(placed_by, seen)
    q = postures_at(arm, transform(approach, goal), [None] * len(goal), near)
    reached = np.full((len(goal), 3), np.nan)
    good = np.isfinite(q).all(axis=1)
    reached[good] = session.reached(q[good])[:, :3, 3]
    return np.asarray(np.linalg.norm(reached - true, axis=1))
