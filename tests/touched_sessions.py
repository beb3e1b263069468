"""Touch points of simulated sessions: a board, or marks, in the work volume, seen and touched.

Board, lens and arm are as they truly are, not as the cell says; poses are typed with the scatter of
the session's stops.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
from simulated_sessions import BOARD, Seen, Simulated, postures_at

from engine.arrays import Array
from engine.boards.points_file import points_text
from engine.camera.lens import project
from engine.cell.cell import Cell, Locate
from engine.cell.mount import EYE_TO_HAND
from engine.cell.touched import Pointer
from engine.estimate.pick import approach
from engine.estimate.systematic import usual_posture
from engine.frames import apply, displaced, inverse, rotation_exp, transform
from engine.proof.seen import SeenPoint, seen_board, seen_mark
from engine.proof.touch import Placed
from engine.simulate.scenario import cell

CORNERS = (0, 10, 77, 87)
TIP, TIP_U = np.array([0.0, 0.0, 150.0]), 0.1
POINTER = Pointer((0.0, 0.0, 150.0), TIP_U)
PLACES = np.array([[-0.45, -0.4, -0.45], [0.45, 0.4, 0.45]])  # [-] of the work volume's sides


def in_cell(session: Simulated, locate: Locate) -> Cell:
    """Return the cell of a session."""
    problem = session.problem
    return replace(
        cell(problem.mount), board=problem.board, camera=problem.camera, robot=problem.robot,
        pendant=problem.pendant, work_volume=problem.work_volume, locate=locate,
    )  # fmt: skip


class Arm:
    """The arm of a session with its errors, in the posture of the stations."""

    def __init__(self, session: Simulated) -> None:
        problem = session.problem
        typed = np.array([seen.base_T_flange for seen in problem.observations])
        self.session, self.R = session, approach(problem, typed)
        self.looking = transform(self.R, typed[:, :3, 3].mean(axis=0))
        self.near = usual_posture(session.arm, typed, [None] * len(typed))

    def reached(self, believed: Array) -> Array:
        """Return where the flange truly is (4, 4)."""
        q = postures_at(self.session.arm, believed[None], [None], self.near)[0]
        return np.asarray(self.session.reached(q))

    def touched(self, place: Array, rng: np.random.Generator) -> Array:
        """Return the pose that is typed (4, 4) with the tip within its u of ``place`` (3,)."""
        case = self.session.case
        goal = place + rng.normal(0.0, TIP_U, 3)
        believed = transform(self.R, goal - self.R @ TIP)
        for _ in range(4):
            believed[:3, 3] += goal - apply(self.reached(believed), TIP[None])[0]
        turn = rng.normal(0.0, np.radians(case.angle_deg), 3)
        return displaced(believed, np.r_[turn, rng.normal(0.0, case.position_mm, 3)])


def laid(session: Simulated, arm: Arm, share: Array, rng: np.random.Generator) -> Array:
    """Return camera_T_board (4, 4) of the board with its centre in the work volume."""
    volume = session.problem.work_volume
    centre = np.asarray(volume.center_mm) + share * np.asarray(volume.size_mm)
    if volume.frame == "base":
        centre = apply(inverse(session.camera), centre[None])[0]
    R = rotation_exp(rng.normal(0.0, 0.25, 3))
    return transform(R, centre - R @ BOARD.points().mean(axis=0))


def touches(
    session: Simulated,
    truly: Seen,
    there: Cell,
    arm: Arm,
    rng: np.random.Generator,
    marks: Callable[[Array], Array] | None = None,
) -> list[Placed]:
    """Return touches of the board's corners at both places.

    Or of ``marks`` there: it says where points (n, 3), camera frame, are located.
    """
    fixed = there.mount == EYE_TO_HAND
    looked = None if fixed else arm.looking
    base_T_camera = session.camera if fixed else arm.reached(arm.looking) @ session.camera
    made = []
    for number, share in enumerate(PLACES, 1):
        camera_T_board = laid(session, arm, share, rng)
        points = apply(camera_T_board, truly.points)
        for point, seen in zip(CORNERS, seen_points(points, truly, there, rng, marks), strict=True):
            pose = arm.touched(apply(base_T_camera, points[point][None])[0], rng)
            if not np.isfinite(pose).all():  # out of reach: not touched
                continue
            made.append(Placed(len(made) + 1, f"{number} {point}", seen, pose, looked))
    return made


def seen_points(
    points: Array,
    truly: Seen,
    there: Cell,
    rng: np.random.Generator,
    marks: Callable[[Array], Array] | None,
) -> list[SeenPoint]:
    """Return how the corners among ``points`` (n, 3), camera frame, are seen."""
    if marks is not None:
        return [seen_mark(there, place, 0.15) for place in marks(points[list(CORNERS)])]
    pixels = project(points, truly.camera) + rng.normal(0.0, 0.15, (len(points), 2))
    with tempfile.TemporaryDirectory() as folder:
        text = points_text(np.arange(len(points)), pixels)
        (Path(folder) / "view.csv").write_text(text, encoding="utf-8")
        return seen_board(there, Path(folder), "view.csv").seen(CORNERS, 0.15)
