"""Session folders of the simulated cell with a second camera beside the first."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from made_session import goals

from engine.arrays import Array
from engine.boards.points_file import points_text
from engine.camera.lens import project
from engine.cell.cell import Cell
from engine.cell.session import Session, Station, View
from engine.frames import apply, displaced, inverse, rotation_exp, transform
from engine.sessions.cell_file import read_cell
from engine.sessions.folder import session_text
from engine.simulate.render import render
from engine.simulate.scenario import Truth, cell_text, truth
from engine.simulate.virtual_cell import VirtualCell

FIRST, SIDE = "frame camera", "side camera"
STILL = np.zeros(6)
ROUND_DEG = 20.0  # how far round the board the second camera stands
CAMERAS = f"""
cameras:
  - name: {SIDE}
    image_size_px: [1280, 1024]
    matrix: [[1350.0, 0, 630.0], [0, 1350.0, 505.0], [0, 0, 1]]
    distortion: [-0.05, 0.02, 0.0, 0.0, 0.0]
    u: {{focal: 0, center_px: 0, edge_px: 0}}
    source: none
"""


def two_camera_cell(folder: Path) -> Path:
    """Write a cell of two fixed cameras and return its path."""
    path = folder / "cell.yaml"
    path.write_text(cell_text() + CAMERAS, encoding="utf-8")
    return path


class TwoCameras:
    """The simulated cell with a second camera that looks at the same board from the side."""

    def __init__(self, folder: Path, seed: int = 0) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.cell: Cell = read_cell(two_camera_cell(folder))
        self.robot = VirtualCell(self.cell, truth(), seed)
        middle = self.robot.camera_T_board() @ [100.0, 70.0, 0.0, 1.0]
        R = rotation_exp([0.0, np.radians(ROUND_DEG), 0.0])
        self.side: Array = self.robot.truth.camera @ transform(R, middle[:3] - R @ middle[:3])

    def cameras(self) -> tuple[Array, Array]:
        """Return base_T_camera (4, 4) [mm] of both."""
        return self.robot.truth.camera, self.side

    def views(self) -> tuple[Array, Array]:
        """Return camera_T_board (4, 4) [mm] of both, where the robot stands now."""
        first = self.robot.camera_T_board()
        return first, np.asarray(inverse(self.side) @ self.robot.truth.camera @ first)

    def points(self, rng: np.random.Generator) -> tuple[str, str]:
        """Return what both see now, as points files."""
        board, texts = self.cell.board, []
        for camera, T in zip((self.cell.camera, *self.cell.cameras), self.views(), strict=True):
            pixels = project(apply(T, board.points()), camera)
            pixels = pixels + rng.normal(0.0, 0.1, pixels.shape)
            texts.append(points_text(np.arange(board.count), pixels))
        return texts[0], texts[1]

    def images(self) -> tuple[Array, Array]:
        """Return the images (rows, columns) that both take now."""
        first, side = self.views()
        board, other = self.cell.board, self.cell.cameras[0]
        return render(board, self.cell.camera, first), render(board, other, side)


def make_two_cameras(
    folder: Path,
    count: int,
    *,
    shift: Array = STILL,
    side_shift: Array = STILL,
    noise_seed: int = 1,
) -> TwoCameras:
    """Write a session of ``count`` stations seen by both, each displaced by its shift (6,)."""
    made = TwoCameras(folder)
    made.side = displaced(made.side, side_shift)
    made.robot.truth = Truth(
        made.robot.truth.mount, displaced(made.robot.truth.camera, shift), made.robot.truth.board
    )
    rng, stations = np.random.default_rng(noise_seed), []
    (folder / "points").mkdir()
    for number, goal in enumerate(goals(10)[:count], start=1):
        made.robot.go_to(goal)
        names = f"points/{number:03d}.csv", f"points/{number:03d}-camera2.csv"
        for name, text in zip(names, made.points(rng), strict=True):
            (folder / name).write_text(text, encoding="utf-8")
        views = (View(SIDE, points=names[1]),)
        pose = made.robot.pendant_pose()
        stations.append(Station(number, pose=pose, points=names[0], views=views))
    session = Session(
        "two cameras", None, "2026-11-25T09:00:00+01:00", made.cell, (), tuple(stations)
    )
    (folder / "session.yaml").write_text(session_text(session), encoding="utf-8")
    return made
