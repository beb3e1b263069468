"""Circle boards: what is measured is the centre of a circle's image, not its centre's image.

Size of the effect: Heikkilä 2000, Mallon & Whelan 2007 (about f·r²·sin 2θ / 2d²). The shift itself
is held to numerical rendering in tests/test_boards_circle_centres.py.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from engine.boards.circle_centres import centre_shift_px
from engine.boards.pattern import Board
from engine.camera.lens import project
from engine.cell.cell import Cell
from engine.cell.stations import Observation
from engine.estimate import estimated, problem_from
from engine.frames import apply, displacement
from engine.simulate.scenario import cell, truth
from engine.simulate.virtual_cell import RobotErrors, VirtualCell

CIRCLES = Board("circles", columns=7, rows=5, pitch_mm=32.0, diameter_mm=26.0)


def circle_cell() -> Cell:
    plain = cell()
    assert plain.robot is not None
    return replace(plain, board=CIRCLES, robot=replace(plain.robot, accuracy_mm=0.0))


def observed(made: Cell) -> list[Observation]:
    """Return ten noise-free stations with the centres of the circles' images."""
    virtual = VirtualCell(made, truth(), errors=RobotErrors(0.0, 0.0, None))
    found = []
    for number, goal in enumerate(virtual.suggest_stations(10), start=1):
        virtual.go_to(goal)
        view = virtual.camera_T_board()
        pixels = project(apply(view, CIRCLES.points()), made.camera)
        pixels = pixels + centre_shift_px(view, CIRCLES, made.camera)
        ids = np.arange(CIRCLES.count)
        found.append(Observation(number, virtual.base_T_flange(), ids, pixels))
    return found


def off(made: Cell, stations: list[Observation]) -> float:
    """Return how far [mm] the camera is found from the truth."""
    result = estimated(problem_from(made, stations))
    return float(np.linalg.norm(displacement(result.geometric, truth().camera)[3:]))


def test_circles_give_the_camera_without_bias() -> None:
    made = circle_cell()
    stations = observed(made)
    as_corners = replace(CIRCLES, pattern="chessboard", diameter_mm=None)
    biased = off(replace(made, board=as_corners), stations)
    assert biased > 0.05
    assert off(made, stations) < biased / 20
