"""One session as one sparse least-squares problem for SciPy: the reference of the fit."""

from __future__ import annotations

import numpy as np
from known_noise import given_noise
from scipy.optimize import least_squares
from scipy.sparse import csr_matrix
from simulated_sessions import Simulated

from engine.arrays import Array
from engine.camera.views import pixel_rows
from engine.estimate.fit import Fit, State, fit
from engine.estimate.gather import gather, stations_of
from engine.estimate.problem import derivatives, noise_prior, predicted_view
from engine.estimate.solver import relinearised
from engine.estimate.start import begin
from engine.frames import displaced


def known_noise_fit(truth: Simulated, everything: Everything) -> Fit:
    """Return this project's fit of the same problem: noise given, the same start, no rejection."""
    case, gathered, problem = truth.case, everything.gathered, truth.problem
    levels = given_noise(case.pixel_px, np.radians(case.angle_deg), case.position_mm)
    prior = noise_prior(problem.robot, problem.pendant)
    stations, views = stations_of(problem, gathered, gathered.own_choice())
    start = State(everything.camera, everything.board, np.zeros(gathered.terms.count))
    found = fit(stations, start, prior, noise=levels, known=True)
    every = np.ones(everything.n, bool)
    return relinearised(stations, views, gathered, found, every, prior, known=True)[1]


class Everything:
    """Pixels and robot errors of one session as one sparse least-squares problem."""

    def __init__(self, truth: Simulated) -> None:
        case, self.mount = truth.case, truth.problem.mount
        self.gathered = gather(truth.problem)
        start = begin(self.mount, self.gathered)
        self.camera, self.board = start.camera, start.board
        self.n, self.m = self.gathered.views.weight.shape
        self.pixel = case.pixel_px
        self.robot = np.repeat([np.radians(case.angle_deg), case.position_mm], 3)
        rows, first = 2 * self.n * self.m, np.arange(self.n)[:, None, None] * 6
        every = np.broadcast_to(np.arange(12), (self.n, 2 * self.m, 12))
        own = np.broadcast_to(12 + first + np.arange(6), (self.n, 2 * self.m, 6))
        columns = np.concatenate([every, own], axis=2)
        ties = 12 + np.arange(6 * self.n)
        self.indices = np.concatenate([columns.ravel(), ties])
        self.indptr = np.r_[np.arange(rows + 1) * 18, rows * 18 + 1 + np.arange(6 * self.n)]

    def _placed(self, x: Array) -> tuple[Array, Array, Array]:
        error = x[12:].reshape(-1, 6) * self.robot
        flange = displaced(self.gathered.typed, error)
        return displaced(self.camera, x[:6]), displaced(self.board, x[6:12]), flange

    def residuals(self, x: Array) -> Array:
        camera, board, flange = self._placed(x)
        view = predicted_view(self.mount, camera, flange, board)
        pixels = pixel_rows(self.gathered.views, view, self.gathered.lens)[1]
        return np.concatenate([-pixels.ravel() / self.pixel, x[12:]])

    def jacobian(self, x: Array) -> csr_matrix:
        camera, board, flange = self._placed(x)
        view = predicted_view(self.mount, camera, flange, board)
        J = pixel_rows(self.gathered.views, view, self.gathered.lens)[0] / self.pixel
        by_camera, by_board, by_flange = derivatives(self.mount, camera, flange, board)
        whole = J @ np.concatenate([by_camera, by_board, by_flange * self.robot], axis=2)
        data = np.concatenate([whole.ravel(), np.ones(6 * self.n)])
        return csr_matrix((data, self.indices, self.indptr), shape=(len(self.indptr) - 1, len(x)))

    def solved(self) -> tuple[Array, float]:
        x = np.zeros(12 + 6 * self.n)
        found = least_squares(self.residuals, x, jac=self.jacobian, x_scale="jac")
        return displaced(self.camera, found.x[:6]), float(found.cost)
