"""What happens to board and flange when a jog is made as its words say, key by key.

It shares no code with the planner: the words are read, the turns are pytransform3d's, the board is
a dense grid of points, and a box is entered when one of the points is inside it.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np
from pytransform3d.rotations import matrix_from_axis_angle

from engine.arrays import Array
from engine.cell.cell import KeepOut

STEP_MM, STEP_DEG = 4.0, 0.5  # between the poses looked at
GRID_MM = 6.0  # between the board's points
LEG = re.compile(
    r"base (?P<along>[XYZ]) (?P<mm>[+−]\d+) mm|turn (?P<deg>[+−]\d+)° about base (?P<about>[XYZ])"
)


def legs(jog: str) -> list[tuple[str, int, float]]:
    """Return ("shift" [mm] or "turn" [deg], axis, amount) of each leg, in the order told."""
    found = []
    for part in jog.split(", "):
        said = LEG.fullmatch(part)
        assert said or part == "stay here", f"no jog: {part!r}"
        if said and said["along"]:
            found.append(("shift", "XYZ".index(said["along"]), _number(said["mm"])))
        elif said:
            found.append(("turn", "XYZ".index(said["about"]), _number(said["deg"])))
    return found


def _number(text: str) -> float:
    return float(text.replace("−", "-"))


def way(start: Array, jog: str, end: Array | None = None) -> Array:
    """Return poses (n, 4, 4) along a jog from ``start`` (4, 4).

    With ``end`` the last ones go straight there: the pose that is told is not rounded to 1 mm.
    """
    poses, here = [start], start
    for kind, axis, amount in legs(jog):
        step = STEP_MM if kind == "shift" else STEP_DEG
        for value in np.linspace(0.0, amount, int(np.ceil(abs(amount) / step)) + 1)[1:]:
            pose = here.copy()
            if kind == "shift":
                pose[axis, 3] += value
            else:
                R = matrix_from_axis_angle([*np.eye(3)[axis], np.radians(value)])
                pose[:3, :3] = R @ here[:3, :3]
            poses.append(pose)
        here = poses[-1]
    return np.array(poses if end is None else [*poses, end])


def plate(columns: int, rows: int, pitch_mm: float) -> Array:
    """Return points (m, 3) [mm] all over a board with half a pitch of rim, board frame."""
    low, high = -0.5 * pitch_mm, np.array([columns - 0.5, rows - 0.5]) * pitch_mm
    x, y = (np.arange(low, end + 1e-9, GRID_MM) for end in high)
    grid = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    return np.column_stack([grid, np.zeros(len(grid))])


def entered(poses: Array, on_flange: Array, boxes: Sequence[KeepOut]) -> set[str]:
    """Return the names of the boxes that points (m, 3) on the flange get into at ``poses``."""
    points = np.einsum("nij,mj->nmi", poses[:, :3, :3], on_flange) + poses[:, None, :3, 3]
    return {
        box.name
        for box in boxes
        if ((points > box.min_mm) & (points < box.max_mm)).all(axis=2).any()
    }
