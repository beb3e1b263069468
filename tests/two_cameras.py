"""Simulated sessions of two cameras over one cell: one board, one robot error at each stop."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from bumps import MOUNT
from simulated_sessions import BOARD, CAMERA, Case, Simulated, simulated

from engine.arrays import Array
from engine.camera.lens import project
from engine.cell.stations import Observation
from engine.diagnosis.together import SolvedTogether, diagnosed_together
from engine.estimate.assemble import estimated
from engine.estimate.problem import Problem, predicted_view
from engine.estimate.result import Result
from engine.estimate.systematic import postures_at
from engine.frames import apply, displaced, rotation_exp, transform

ROUND_DEG = 25.0  # how far round the board the second camera stands from the first
SIDE_CAMERA = replace(CAMERA, name="side camera")


@dataclass(frozen=True, slots=True, eq=False)
class Pair:
    """A session of two cameras: what the first one's simulation says, and both cameras' truth."""

    session: Simulated
    cameras: tuple[Array, Array]
    problems: tuple[Problem, Problem]

    def alone(self) -> tuple[Result, ...]:
        """Return each camera solved by itself."""
        return tuple(estimated(problem) for problem in self.problems)

    def together(self) -> SolvedTogether:
        """Return both solved together."""
        return diagnosed_together(self.problems, [{}, {}])


def second_place(session: Simulated) -> Array:
    """Return a second camera that looks at the same board from the side, like the first mounted."""
    typed = np.array([seen.base_T_flange for seen in session.problem.observations])
    views = predicted_view(session.case.mount, session.camera, typed, session.board)
    middle = apply(views, BOARD.points().mean(axis=0)[None])[:, 0].mean(axis=0)
    R = rotation_exp([0.0, np.radians(ROUND_DEG), 0.0])
    return np.asarray(session.camera @ transform(R, middle - R @ middle))


def observed(
    session: Simulated,
    typed: Sequence[Array],
    cameras: Sequence[Array],
    board: Array,
    rng: np.random.Generator,
) -> list[tuple[Observation, ...]]:
    """Return what each camera sees at the stops ``typed``, one robot error for all at each."""
    case, ids = session.case, np.arange(BOARD.count)
    seen: list[list[Observation]] = [[] for _ in cameras]
    for number, shown in enumerate(typed, start=1):
        noise = np.concatenate(
            [rng.normal(0, np.radians(case.angle_deg), 3), rng.normal(0, case.position_mm, 3)]
        )
        true = shown
        if case.geometry_mm > 0.0:
            true = session.arm.forward(
                postures_at(session.arm, shown[None], [None]), session.errors
            )
            true = true[0]
        for k, camera in enumerate(cameras):
            view = predicted_view(case.mount, camera, displaced(true, noise), board)
            pixels = project(apply(view, BOARD.points()), CAMERA)
            pixels = pixels + rng.normal(0.0, case.pixel_px, pixels.shape)
            seen[k].append(Observation(number, shown, ids, pixels))
    return [tuple(items) for items in seen]


def pair(case: Case, seed: int) -> Pair:
    """Return one random session of ``case`` seen by two cameras."""
    rng = np.random.default_rng(seed)
    session = simulated(case, rng)
    cameras = (session.camera, second_place(session))
    typed = [seen.base_T_flange for seen in session.problem.observations]
    both = observed(session, typed, cameras, session.board, rng)
    board = replace(session.problem.board, mount_repeatability=MOUNT)
    problems = tuple(
        replace(session.problem, camera=camera, board=board, observations=seen)
        for camera, seen in zip((CAMERA, SIDE_CAMERA), both, strict=True)
    )
    return Pair(session, cameras, (problems[0], problems[1]))


def later(
    made: Pair, count: int, shifts: Sequence[Array], slip: Array, rng: np.random.Generator
) -> list[Problem]:
    """Return ``count`` old stops visited again, cameras and board displaced meanwhile."""
    cameras = [displaced(T, xi) for T, xi in zip(made.cameras, shifts, strict=True)]
    board = displaced(made.session.board, slip)
    typed = [seen.base_T_flange for seen in made.problems[0].observations][:count]
    both = observed(made.session, typed, cameras, board, rng)
    return [
        replace(problem, observations=seen)
        for problem, seen in zip(made.problems, both, strict=True)
    ]
