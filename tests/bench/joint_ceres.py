"""The session of `joint_least_squares` handed to the Ceres solver, where `pyceres` is installed.

One residual block for each stop: its pixels by the transforms (12) and by its own robot error (6),
which Ceres eliminates (Schur complement). Residuals and derivatives come from Python, as for SciPy.
"""

from __future__ import annotations

import numpy as np
import pyceres
from joint_least_squares import Everything

from engine.arrays import Array
from engine.camera.views import pixel_rows
from engine.estimate.problem import derivatives, predicted_view
from engine.frames import displaced


class Stop(pyceres.CostFunction):
    """The pixels of one stop in standard deviations, and its robot error, which is one already."""

    def __init__(self, whole: Everything, row: int) -> None:
        super().__init__()
        self.whole, self.views = whole, whole.gathered.views.take(slice(row, row + 1))
        self.typed = whole.gathered.typed[row : row + 1]
        self.set_num_residuals(2 * whole.m + 6)
        self.set_parameter_block_sizes([12, 6])

    def Evaluate(self, parameters, residuals, jacobians) -> bool:
        whole, (x, error) = self.whole, parameters
        camera, board = displaced(whole.camera, x[:6]), displaced(whole.board, x[6:])
        flange = displaced(self.typed, error[None] * whole.robot)
        view = predicted_view(whole.mount, camera, flange, board)
        J, off, _ = pixel_rows(self.views, view, whole.gathered.lens)
        residuals[:-6], residuals[-6:] = -off[0] / whole.pixel, error
        if jacobians is None:
            return True
        by_camera, by_board, by_flange = derivatives(whole.mount, camera, flange, board)
        own = (by_flange * whole.robot).reshape(1, 6, 6)
        blocks = np.concatenate([by_camera, by_board], axis=2), own
        for out, block, tie in zip(jacobians, blocks, (np.zeros((6, 12)), np.eye(6)), strict=True):
            if out is not None:
                out[:] = np.concatenate([(J @ block)[0] / whole.pixel, tie]).ravel()
        return True


def solved(whole: Everything) -> Array:
    """Return the camera's transform (4, 4) that Ceres ends at, with its default tolerances."""
    problem, x = pyceres.Problem(), np.zeros(12)
    blocks = [(Stop(whole, row), np.zeros(6)) for row in range(whole.n)]
    for stop, error in blocks:
        problem.add_residual_block(stop, None, [x, error])
    options, summary = pyceres.SolverOptions(), pyceres.SolverSummary()
    options.linear_solver_type = pyceres.LinearSolverType.DENSE_SCHUR
    options.logging_type = pyceres.LoggingType.SILENT
    options.num_threads = 1
    pyceres.solve(options, problem, summary)
    return displaced(whole.camera, x[:6])
