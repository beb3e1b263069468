"""Inputs that the cell calls exact, or knows better than the stations show them to be."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from simulated_sessions import BOARD, CAMERA, Case, Seen, simulated

from engine.diagnosis.diagnose import diagnosed


def test_a_twisted_board_whose_lengths_are_called_exact_is_named() -> None:
    """A cell may call some of the board's shape exact and leave the rest open."""
    points = BOARD.points()
    u, v = (points[:, :2] / points[:, :2].max(axis=0) * 2.0 - 1.0).T
    twisted = points + np.outer(0.8 * (u * v - 1.0), [0.0, 0.0, 1.0])
    rng = np.random.default_rng(3)
    made = simulated(Case(stations=8), rng, Seen(twisted, CAMERA)).problem
    board = replace(made.board, scale_u=0.0, bow_u_mm=0.1)
    codes = [item.code for item in diagnosed(replace(made, board=board)).findings]
    assert codes[0] == "board-bowed"
