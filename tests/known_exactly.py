"""What a cell says whose simulation draws no error of board or lens."""

from __future__ import annotations

from dataclasses import replace

from engine.camera.model import LensU
from engine.cell.cell import Cell

EXACT_LENS = LensU(0.0, 0.0, 0.0)
EXACT_BOARD = {"scale_u": 0.0, "bow_u_mm": 0.0}


def exactly(cell: Cell) -> Cell:
    """Return the cell with board and lenses known exactly, parts located by the lens."""
    cameras = tuple(replace(camera, u=EXACT_LENS) for camera in cell.cameras)
    return replace(
        cell,
        board=replace(cell.board, **EXACT_BOARD),
        camera=replace(cell.camera, u=EXACT_LENS),
        cameras=cameras,
        locate="lens",
    )
