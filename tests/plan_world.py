"""A simulated cell in numbers for plans: it knows where the camera is, the planner does not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from simulated_sessions import (
    ARM,
    BOARD,
    CAMERA,
    FOUR_AXIS,
    PENDANT,
    TOLERANCE,
    VOLUME,
    VOLUME_IN_CAMERA,
    reference_pattern,
)
from told_jogs import plate

from engine.arrays import Array
from engine.camera.lens import project
from engine.cell.cell import Cell
from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND, Mount
from engine.cell.stations import Observation
from engine.estimate.assemble import estimated
from engine.estimate.problem import implied_flange, predicted_view, problem_from
from engine.estimate.result import Result
from engine.frames import apply, displaced, displacement, rotation_exp, transform
from engine.pendant.entry import format_pose, pose_from_fields
from engine.plans.plan import make_plan
from engine.plans.types import Plan, Wish
from engine.robots.kinematics import kinematics

PIXEL_PX, POSITION_MM, ANGLE_DEG = 0.15, 0.15, 0.02
JOG_MM, JOG_DEG = 2.0, 0.3  # where a jog by hand ends
BORDER_PX = 4.0  # px; a board nearer to the border counts as lost
FRONT = np.array([[0.0, 0.0, -1.0], [1.0, 0.0, 0.0], [0.0, -1.0, 0.0]])  # looks along base −X
TURNED = np.diag([1.0, -1.0, -1.0])
PLACES = {  # (mount is eye-to-hand, axes): camera's rotation and place, board's rotation and place
    (True, 6): (FRONT, (1250.0, 0.0, 400.0), TURNED, (60.0, -40.0, 40.0)),
    (False, 6): (np.eye(3), (60.0, 0.0, 60.0), TURNED, (430.0, 0.0, -250.0)),
    (True, 4): (np.eye(3), (520.0, 0.0, -380.0), np.eye(3), (30.0, 20.0, -20.0)),
    (False, 4): (TURNED, (80.0, 0.0, -20.0), TURNED, (520.0, 0.0, -350.0)),
}


@dataclass(eq=False)
class World:
    """One random arrangement. ``lost`` counts the stations whose board was not whole in view."""

    cell: Cell
    camera: Array
    board: Array
    rng: np.random.Generator
    axes: int
    stations: list[Observation]
    lost: int = 0
    unreached: int = 0

    def first_pose(self) -> Array | None:
        """Return a flange pose that shows the board about in the middle, facing the camera."""
        for _ in range(60):
            tilt, way = np.radians(self.rng.uniform(0.0, 12.0)), self.rng.uniform(0.0, 2 * np.pi)
            R = rotation_exp([tilt * np.cos(way), tilt * np.sin(way), 0.0])
            R = R @ rotation_exp([0.0, 0.0, self.rng.uniform(-1.0, 1.0)])
            if self.axes == 4:
                yaw = rotation_exp([0.0, 0.0, self.rng.uniform(-1.0, 1.0)])
                level = transform(yaw, np.zeros(3))
                R = predicted_view(self.cell.mount, self.camera, level[None], self.board)[0, :3, :3]
            x, y, z = self.rng.normal(0.0, 25.0), self.rng.normal(0.0, 20.0), 620.0
            spot = np.array([x, y, z + self.rng.uniform(-30.0, 80.0)])
            view = transform(R, spot - R @ BOARD.points().mean(axis=0))
            flange = implied_flange(self.cell.mount, self.camera, view, self.board)
            if self.reaches(flange):
                return flange
        return None

    def reaches(self, flange: Array) -> bool:
        """Tell whether the arm can stand there."""
        arm = self.cell.robot
        return arm is None or len(kinematics(arm).branches(flange)) > 0

    def carried(self) -> Array:
        """Return points (m, 3) [mm] of what moves, on the flange: its middle, board or camera."""
        if self.cell.mount == EYE_IN_HAND:
            return np.array([np.zeros(3), self.camera[:3, 3]])
        board = plate(BOARD.columns, BOARD.rows, BOARD.pitch_mm)
        return np.vstack([np.zeros(3), apply(self.board, board)])

    def view(self, flange: Array) -> Array:
        """Return the true camera_T_board at a flange pose."""
        return predicted_view(self.cell.mount, self.camera, flange[None], self.board)[0]

    def stop(self, goal: Array, *, jog: bool = True) -> None:
        """Jog to a pose, not quite exactly, and record what is typed and seen there."""
        flange = self._jogged(goal) if jog else goal
        self.unreached += not self.reaches(goal)
        noise = np.concatenate(
            [
                self.rng.normal(0.0, np.radians(ANGLE_DEG), 3),
                self.rng.normal(0.0, POSITION_MM, 3),
            ]
        )
        points = apply(self.view(displaced(flange, noise)), BOARD.points())
        seen = project(points, CAMERA)
        size = np.array(CAMERA.image_size_px)
        whole = ((seen > BORDER_PX) & (seen < size - BORDER_PX)).all() and (points[:, 2] > 0).all()
        self.lost += not whole
        shown = pose_from_fields(format_pose(flange, self.cell.pendant), self.cell.pendant)
        pixels = seen + self.rng.normal(0.0, PIXEL_PX, seen.shape)
        number = len(self.stations) + 1
        self.stations.append(
            Observation(number, shown.base_T_flange, np.arange(BOARD.count), pixels)
        )

    def _jogged(self, goal: Array) -> Array:
        off = np.concatenate(
            [self.rng.normal(0.0, np.radians(JOG_DEG), 3), self.rng.normal(0.0, JOG_MM, 3)]
        )
        if self.axes == 4:
            off[:2] = 0.0
        flange = displaced(goal, off)
        return flange if self.reaches(flange) else goal

    def plan(self, wish: Wish | None = None) -> Plan:
        """Return the plan that the recorded stations give."""
        return make_plan(self.cell, self.stations, wish)

    def follow(self, until: int, *, revise: bool = True) -> list[Plan]:
        """Record planned stations until there are so many; ``revise``: plan after each of them."""
        plans = []
        while len(self.stations) < until:
            plan = self.plan(Wish(count=until - len(self.stations)))
            plans.append(plan)
            if not plan.steps:
                break
            for step in plan.steps[: 1 if revise else None]:
                self.stop(step.base_T_flange)
        return plans

    def solved(self) -> Result:
        """Return the result of the recorded stations."""
        return estimated(problem_from(self.cell, self.stations))

    def corner_errors(self, result: Result) -> Array:
        """Return the squared errors (8,) [mm²] of a point at the corners of the work volume."""
        assert result.pick is not None
        moved = result.pick.moved[result.pick.corner]
        return ((moved @ displacement(result.camera, self.camera)) ** 2).sum(axis=1)


def cell_of(mount: Mount, axes: int = 6) -> Cell:
    """Return the cell: a compensated robot, so that only random errors count."""
    robot = replace(ARM if axes == 6 else FOUR_AXIS, accuracy_mm=0.0)
    volume = VOLUME if mount == EYE_TO_HAND else VOLUME_IN_CAMERA
    return Cell("simulated", mount, robot, PENDANT, CAMERA, BOARD, volume, TOLERANCE)


def world(
    mount: Mount,
    seed: int,
    axes: int = 6,
    *,
    change: Callable[[Cell], Cell] = lambda cell: cell,
) -> World:
    """Return a random arrangement with its first station recorded."""
    rng = np.random.default_rng(seed)
    cell = change(cell_of(mount, axes))
    R_camera, t_camera, R_board, t_board = PLACES[mount == EYE_TO_HAND, axes]
    for _ in range(40):
        turn, shift = rng.normal(0.0, 0.08, (2, 3)), rng.normal(0.0, 20.0, (2, 3))
        if axes == 4:
            turn[1, :2] = 0.0
        camera = displaced(transform(R_camera, t_camera), [*turn[0], *shift[0]])
        centred = transform(np.eye(3), -BOARD.points().mean(axis=0))
        board = displaced(transform(R_board, t_board), [*turn[1], *shift[1]]) @ centred
        made = World(cell, camera, board, rng, axes, [])
        first = made.first_pose()
        if first is not None:
            made.stop(first, jog=False)
            return made
    raise RuntimeError(f"no first station found for {mount}, {axes} axes")


def reference_stations(made: World) -> list[Array]:
    """Return this project's reference pattern about the first station's place, as flange poses."""
    middle = made.view(made.stations[0].base_T_flange)
    spot = apply(middle, BOARD.points().mean(axis=0)[None])[0]
    level = rotation_exp([0.0, 0.0, np.arctan2(middle[1, 0], middle[0, 0])])
    shifts, turns = reference_pattern()
    R = rotation_exp(turns) @ level
    views = transform(R, spot + shifts - R @ BOARD.points().mean(axis=0))
    return list(implied_flange(made.cell.mount, made.camera, views, made.board))
