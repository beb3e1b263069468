"""What a few new stations say about an old result: one Gaussian update of everything at once.

Unknown: the errors x of the old result [camera, board, systematic robot errors] with the old
covariance, the camera's movement δ, and the board's displacement β on its mount. Each new station
measures camera_T_board and a flange pose, both noisy, with the noise that the old session showed:

    residual = H_camera (x_camera + δ) + H_board (x_board + β) + H_errors x_errors + noise.

δ and β are Gaussian: β with the mount's repeatability, δ zero or nearly free, as the hypothesis
says; camera or board may also have gone on moving while the stations were recorded (`Going`), or
lens and board be others than they were. The update is the Gauss-Newton form of the Kalman filter
(Bell & Cathey 1993, from memory), linearised again until it stands still, so that large movements
are exact.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy

from ..arrays import Array
from ..errors import SolveError
from ..estimate.fit import State, Stations, System, linear_system
from ..estimate.gather import gather, stations_of
from ..estimate.problem import Noise, Problem, predicted_view
from ..estimate.result import Result, as_solved
from ..frames import displaced, displacement

LEAST_TOLD = 1e-9  # [-] of the most that the images tell of any error: below, they tell nothing
STEPS = 20  # of linearising again; 3 or 4 are usual
CAMERA, BOARD = slice(0, 6), slice(6, 12)  # where they stand among all that is estimated
STILL = 1e-6  # [rad, mm] a step below every display
# Scales on which a board seen at a new station may have moved when its pose is picked out of the
# two of a flat board: far above any bump that leaves the board in view.
NEAR = np.array([np.radians(5.0)] * 3 + [80.0] * 3)


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """New stations as pose measurements, one pose picked for each; ``ids`` of the stations."""

    stations: Stations
    ids: tuple[int, ...]

    def take(self, ids: Sequence[int]) -> Seen:
        """Return the stations with these ids."""
        mask = np.isin(self.ids, ids)
        return Seen(self.stations.take(mask), tuple(one for one in self.ids if one in ids))


@dataclass(frozen=True, slots=True, eq=False)
class Going:
    """Camera or board moved between the first and the last of the stations.

    ``part``: `CAMERA` or `BOARD`; ``left`` (n,) which share of that movement was still to come at
    each station, ``covariance`` (6, 6) of it. What an update finds is then what holds at the end.
    """

    part: slice
    left: Array
    covariance: Array


@dataclass(frozen=True, slots=True, eq=False)
class Update:
    """Where an update ended.

    ``camera`` and ``board`` (4, 4) now; ``shift`` δ (6,) and ``shift_covariance``; ``slip`` β and
    ``slip_covariance``; ``now`` (12 + p,) camera, board and errors against the old result, all
    together, and ``now_covariance``; ``misfit`` the squared innovation yᵀS⁻¹y [-] of ``count``
    numbers; ``evidence`` the log probability density of the stations, unknowns integrated out
    (Laplace).
    """

    camera: Array
    board: Array
    shift: Array
    shift_covariance: Array
    slip: Array
    slip_covariance: Array
    now: Array
    now_covariance: Array
    misfit: float
    count: int
    evidence: float


def seen_stations(result: Result, problem: Problem) -> Seen | None:
    """Return the usable stations of ``problem``; None where no image gives a pose.

    Of several poses that explain an image (flat board, board that looks the same turned) the one
    is taken that costs least and lies nearest to where the old result expects the board.
    """
    problem = as_solved(problem, result)
    gathered = gather(problem)
    if not len(gathered.index):
        return None
    expected = predicted_view(problem.mount, result.geometric, gathered.typed, result.board)
    candidates = gathered.candidates
    off = displacement(candidates.pose, expected[:, None]) / NEAR
    cost = np.where(candidates.valid, candidates.cost + (off**2).sum(axis=-1), np.inf)
    terms = gathered.terms.only(result.systematic.names)
    choice = np.asarray(cost.argmin(axis=1))
    stations, _ = stations_of(problem, replace(gathered, terms=terms), choice)
    return Seen(stations, tuple(problem.observations[i].id for i in gathered.index))


def updated(
    result: Result,
    seen: Seen,
    shift: Array,
    slip: Array,
    going: Going | None = None,
    changed: Array | None = None,
    typed: tuple[int, Array] | None = None,
) -> Update:
    """Return the update of ``result`` by ``seen``.

    ``shift`` (6, 6) and ``slip`` (6, 6): prior covariances of the camera's movement and of the
    board's displacement on its mount; ``going``: what moved on meanwhile. ``changed`` (p,): prior
    variances of what the errors are now less what they were; what the images by themselves say of
    lens and board counts too then. ``typed``: index and covariance (6, 6) of a flange pose that
    was not where it was typed. Raises SolveError where the old result is not solved.
    """
    if not result.solved or result.noise is None:
        raise SolveError(
            "the earlier session gives no result", "Do the full job, or name another one."
        )
    prior = scipy.linalg.block_diag(result.full_covariance, shift, slip)
    z = np.zeros(len(prior))
    p = len(result.systematic.value)
    below, told = np.zeros((0, len(prior))), np.zeros(0)
    if changed is not None:
        prior[12 : 12 + p, 12 : 12 + p] += np.diag(changed)
        rows, told = _of_images(result, result.noise, seen)
        below = np.zeros((len(told), len(prior)))
        below[:, 12 : 12 + p] = rows
    for _ in range(STEPS):
        system = linear_system(seen.stations, _state(result, z, p))
        rows = system.rows  # of camera, board and errors, then those of δ and β
        H = np.concatenate([rows, rows[..., :12]], axis=2).reshape(-1, 24 + p)
        V = scipy.linalg.block_diag(_noise(result.noise, system, going, typed), np.eye(len(told)))
        y = np.concatenate([system.residual.ravel() + H @ z, told])
        H = np.concatenate([H, below])
        S = H @ prior @ H.T + V
        gain = np.linalg.solve(S, H @ prior).T
        before, z = z, gain @ y
        if np.abs(z - before).max() < STILL:
            break
    covariance = prior - gain @ H @ prior
    misfit = float(y @ np.linalg.solve(S, y))
    together = np.eye(len(prior))[: 12 + p]
    together[:12] += np.eye(len(prior))[12 + p :]
    now_covariance = together @ covariance @ together.T
    state = _state(result, z, p)
    return Update(
        camera=state.camera,
        board=state.board,
        shift=z[12 + p : 18 + p],
        shift_covariance=covariance[12 + p : 18 + p, 12 + p : 18 + p],
        slip=z[18 + p :],
        slip_covariance=covariance[18 + p :, 18 + p :],
        now=together @ z,
        now_covariance=now_covariance,
        misfit=misfit,
        count=len(y),
        evidence=float(-0.5 * (misfit + np.linalg.slogdet(S)[1])),
    )


def _noise(
    noise: Noise, system: System, going: Going | None, typed: tuple[int, Array] | None
) -> Array:
    """Return by what the residuals (6n,) vary, (6n, 6n), all that is estimated given."""
    each = system.covariance(noise)
    if typed is not None:
        k, covariance = typed
        each[k] += system.by_flange[k] @ covariance @ system.by_flange[k].T
    V = np.asarray(scipy.linalg.block_diag(*each))
    if going is None:
        return V
    moved = (system.rows[:, :, going.part] * going.left[:, None, None]).reshape(-1, 6)
    return np.asarray(V + moved @ going.covariance @ moved.T)


def _of_images(result: Result, noise: Noise, seen: Seen) -> tuple[Array, Array]:
    """Return what the images alone say of the errors: rows (r, p) and residuals (r,).

    Against the old result, in standard deviations: how the points of one image lie to each other
    tells of lens and board whatever the poses are.
    """
    arm = result.systematic.arm
    _, gradient, information = seen.stations.views.rests
    told, axes = np.linalg.eigh(information / noise.pixel_px**2)
    keep = told > LEAST_TOLD * max(float(told[-1]), 1e-300)
    root, axes = np.sqrt(told[keep])[:, None], axes[:, keep].T
    rows = np.zeros((len(root), len(result.systematic.value)))
    rows[:, arm:] = axes * root
    pulled = (axes @ gradient) / noise.pixel_px**2 / root[:, 0]
    return rows, pulled - rows @ result.systematic.value


def _state(result: Result, z: Array, p: int) -> State:
    return State(
        displaced(result.geometric, z[:6] + z[12 + p : 18 + p]),
        displaced(result.board, z[6:12] + z[18 + p :]),
        result.systematic.value + z[12 : 12 + p],
    )
