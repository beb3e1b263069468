"""Touch points in the simulated cell: a board laid in it, seen, and touched with a pointer."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import NamedTuple

import numpy as np

from engine.arrays import Array
from engine.boards.points_file import points_text
from engine.camera.lens import project
from engine.frames import apply, inverse, rotation_exp, transform
from engine.pendant.entry import format_pose
from engine.proof.touch import read_touches
from engine.robots.kinematics import kinematics
from engine.sessions.changes import Who, commit
from engine.sessions.folder import open_session
from engine.simulate.scenario import Truth, cell, truth
from engine.simulate.virtual_cell import VirtualCell
from engine.steps.proving import touch_added, view_added

TIP = np.array([0.0, 0.0, 150.0])
TIP_U = 0.1
NOISE_PX = 0.1
POINTING = rotation_exp([0.0, np.radians(135.0), 0.0])  # forwards and down, within reach


class Laid(NamedTuple):
    """One place of the board: the points file of its image, and base_T_board."""

    points: Path
    base_T_board: Array


def lay_board(
    folder: Path, number: int, real: Truth, p_base: Array, rng: np.random.Generator
) -> Laid:
    """Lay the board with its centre at ``p_base`` facing a fixed camera, and take its image."""
    board = cell().board
    facing = real.camera[:3, :3] @ rotation_exp([0.35, -0.25, 0.1])
    pose = transform(facing, p_base - facing @ board.points().mean(axis=0))
    seen = apply(inverse(real.camera) @ pose, board.points())
    pixels = project(seen, cell().camera) + rng.normal(0.0, NOISE_PX, (board.count, 2))
    path = folder / f"laid-{number}.csv"
    path.write_text(points_text(np.arange(board.count), pixels), encoding="utf-8")
    return Laid(path, pose)


class Toucher:
    """The simulated robot with its geometric errors, holding a pointer."""

    def __init__(self, seed: int = 0) -> None:
        virtual = VirtualCell(cell(), truth(), seed)
        robot = cell().robot
        assert robot is not None
        self.arm, self.errors = kinematics(robot), virtual.errors.geometry

    def pose(self, p_base: Array, rng: np.random.Generator, off: Array | float = 0.0) -> str:
        """Return what the pendant shows with the tip at ``p_base`` (3,), ``off`` by so many mm."""
        R = POINTING @ rotation_exp(rng.normal(0.0, 0.05, 3))
        goal = p_base + rng.normal(0.0, TIP_U, 3)
        believed = transform(R, goal - R @ TIP)
        for _ in range(3):  # the operator looks at the tip, not at the numbers
            believed[:3, 3] += goal - apply(self.true(believed), TIP[None])[0]
        believed[:3, 3] += off
        return " ".join(format_pose(believed, cell().pendant))

    def true(self, believed: Array) -> Array:
        """Return where the flange truly is (4, 4) when the pendant shows ``believed``."""
        postures = self.arm.branches(believed)
        margins = self.arm.joints.margins(postures).min(axis=1)
        return np.asarray(self.arm.forward(postures[margins.argmax()], self.errors))


toucher = cache(Toucher)  # it remembers nothing


def touch_pose(
    laid: Laid, point: int, rng: np.random.Generator, off: Array | float = 0.0, seed: int = 0
) -> str:
    """Return the pose that the pendant shows with the tip on a point, ``off`` by so many mm."""
    there = apply(laid.base_T_board, cell().board.points()[point][None])[0]
    return toucher(seed).pose(there, rng, off)


def touch_point(folder: Path, who: Who, pose: str, point: int) -> None:
    """Record one touch, without a process of its own."""
    session, found = open_session(folder), read_touches(folder)
    touch = touch_added(session, folder, found, pose, point=point, who=who)
    commit(folder, touch.change, who)


def take_view(folder: Path, who: Who, points: Path) -> None:
    """Record what the camera saw of the board lying in the cell."""
    session, found = open_session(folder), read_touches(folder)
    commit(folder, view_added(session, folder, found, points, None, who.now).change, who)
