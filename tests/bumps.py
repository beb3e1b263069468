"""Simulated sessions whose camera is bumped afterwards, or whose board is mounted elsewhere."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
from simulated_sessions import BOARD, CAMERA, Case, Simulated, simulated

from engine.arrays import Array
from engine.boards.pattern import MountRepeatability
from engine.camera.lens import project
from engine.camera.model import Camera
from engine.cell.stations import Observation
from engine.estimate.assemble import estimated
from engine.estimate.problem import Problem, predicted_view
from engine.estimate.result import Result
from engine.estimate.systematic import postures_at
from engine.frames import apply, displaced, displacement, transform

MOUNT = MountRepeatability(position_mm=0.1, angle_deg=0.05)
# A bump of d mm turns the camera by this much too: it tilts about a foot 500 mm away.
TURN_PER_MM = 1.0 / 500.0  # [rad/mm]


@lru_cache(maxsize=512)
def old_session(case: Case, seed: int) -> tuple[Simulated, Result]:
    """Return a session of ``case`` with a board on a mount, and its result."""
    session = simulated(case, np.random.default_rng(seed))
    problem = replace(
        session.problem, board=replace(session.problem.board, mount_repeatability=MOUNT)
    )
    return replace(session, problem=problem), estimated(problem)


def bump(size_mm: float, rng: np.random.Generator) -> Array:
    """Return a displacement (6,) of ``size_mm`` in any direction, with a turn in proportion."""
    way, axis = rng.normal(size=(2, 3))
    turn = size_mm * TURN_PER_MM * axis / np.linalg.norm(axis)
    return np.concatenate([turn, size_mm * way / np.linalg.norm(way)])


def remounted(mount: MountRepeatability, rng: np.random.Generator) -> Array:
    """Return where the board comes back to on its mount (6,)."""
    turn = rng.normal(0.0, np.radians(mount.angle_deg), 3)
    return np.concatenate([turn, rng.normal(0.0, mount.position_mm, 3)])


def half_turned(session: Simulated, rng: np.random.Generator) -> Array:
    """Return where the board comes to (6,) when put on its mount the other way round."""
    corner = session.problem.board.points()[-1]
    turned = session.board @ transform(np.diag([-1.0, -1.0, 1.0]), corner)  # about its centre
    return displacement(displaced(turned, remounted(MOUNT, rng)), session.board)


def revisited(
    session: Simulated,
    stations: int,
    shift: Array,
    slip: Array,
    rng: np.random.Generator,
    *,
    lens: Camera = CAMERA,
    points: Array | None = None,
) -> Problem:
    """Return new stations near the first old ones, with camera and board displaced meanwhile.

    Seen through ``lens``, of a board whose points lie at ``points`` (n, 3); None: as they did.
    """
    points = BOARD.points() if points is None else points
    case = session.case
    camera, board = displaced(session.camera, shift), displaced(session.board, slip)
    observations = []
    chosen = rng.choice(len(session.problem.observations), stations, replace=False)
    for number, k in enumerate(chosen, start=1):
        off = np.concatenate([rng.normal(0, np.radians(0.3), 3), rng.normal(0, 2.0, 3)])
        if case.axes == 4:
            off[:2] = 0.0
        typed = displaced(session.problem.observations[k].base_T_flange, off)
        noise = np.concatenate(
            [
                rng.normal(0.0, np.radians(case.angle_deg), 3),
                rng.normal(0.0, case.position_mm, 3),
            ]
        )
        true = typed
        if case.geometry_mm > 0.0:
            q = postures_at(session.arm, typed[None], [None])
            true = session.arm.forward(q, session.errors)[0]
        view = predicted_view(case.mount, camera, displaced(true, noise), board)
        pixels = project(apply(view, points), lens)
        pixels = pixels + rng.normal(0.0, case.pixel_px, pixels.shape)
        observations.append(Observation(number, typed, np.arange(BOARD.count), pixels))
    return replace(session.problem, observations=tuple(observations))


def pick_errors(session: Simulated, old: Result, shift: Array) -> Array:
    """Return what picks on ``old`` are off at the corners (8, 3) [mm], camera moved by ``shift``.

    Camera and arm as they truly are; to first order in the arm's errors.
    """
    assert old.pick is not None
    M, S = (a[old.pick.corner] for a in (old.pick.moved, old.pick.off))
    off = np.zeros(S.shape[2])
    if session.case.geometry_mm > 0.0:
        off[: len(session.errors)] = session.errors
    return np.asarray(M @ displacement(old.camera, displaced(session.camera, shift)) + S @ off)


def moving(
    session: Simulated, stations: int, shifts: Array, slips: Array, seed: tuple[int, ...]
) -> Problem:
    """Return new stations at each of which camera and board are displaced by their own (n, 6)."""
    seen = [
        revisited(session, stations, shift, slip, np.random.default_rng(seed)).observations[k]
        for k, (shift, slip) in enumerate(zip(shifts, slips, strict=True))
    ]
    return replace(session.problem, observations=tuple(seen))
