"""What a knock during the session may do to a result without being named.

Camera or board may be knocked between any two stops. Late in a session only the last stops tell
where the camera stands from then on, when picking goes on, and few stops tell little. No knock is
believed here and none is ruled out: each counts by how likely it makes the stations, so that what
they leave open stays in U.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..arrays import Array
from .drift import OF
from .solver import Solution

CHANCE = 0.02  # [-] of sessions in which camera or board is knocked; common practice, no source
# Of the camera before one of the last stops, for U of a pick: so few tell where it stands from then
# on that this is doubted far more than it happens. From simulation: see docs/method.md.
LAST, LAST_CHANCE = 3, 0.2
SIZES_MM = (0.5, 2.0)  # of such knocks, standard deviations on every axis; CP, no source
LEVER_MM = 500.0  # mm; a knock of d mm turns what it moves by d / 500 rad; CP, no source
LATEST = 40  # places looked at, the last ones; after an earlier knock so many stops show it


@dataclass(frozen=True, slots=True, eq=False)
class Knock:
    """What a knock that nobody named adds to the covariance of all unknowns, ``added`` (k, k).

    ``doubted`` (k, k): with the last stops doubted more, as for a pick, ``share`` [-] of it beside
    no knock. ``row`` of the stations used, from the one on it shows if it is the likeliest.
    """

    added: Array
    doubted: Array
    share: float
    row: int


def spread(size_mm: float) -> Array:
    """Return the covariance (6, 6) of a movement of so many mm on every axis."""
    return np.diag([(size_mm / LEVER_MM) ** 2] * 3 + [size_mm**2] * 3)


def chances(before: int, last: float = 0.0) -> dict[str, Array]:
    """Return how common a knock before each of the ``before`` last stops is, the last first.

    ``last``: more, of the camera before one of the `LAST`.
    """
    any_ = np.full(before, CHANCE / (len(OF) * before))
    more = (np.arange(before) < LAST) * last / min(LAST, before)
    return {"camera": any_ + more, "board": any_}


def hidden_knock(found: Solution) -> Knock:
    """Return what a knock that nobody named leaves open of camera and board as they stand at last.

    About where the fit has them: the mean square over no knock and every knock, by their evidence.
    A knock m (6,) has the prior P, the columns Z of camera or board at the stops after it, and
    beside all unknowns the score s = ZᵀV⁻¹r and the information M = ZᵀV⁻¹Z − TᵀG T, T = HᵀV⁻¹Z. It
    is C s, C = (M + P⁻¹)⁻¹, and likelier than none by ½sᵀC s + ½log|C P⁻¹|. What holds at the end
    then differs by K m, K = E − G T, E: camera or board.
    """
    system, G = found.system.take(found.used), found.fit.covariance
    H, n = system.rows, len(system.rows)
    W = np.linalg.solve(system.covariance(found.fit.noise), H)
    score = np.einsum("nik,ni->nk", W, system.residual)
    late = slice(n - 1, max(n - 1 - LATEST, 0), -1)  # stops before which it may be, the last first
    before = min(n - 1, LATEST)
    gains, ways, squares = list[Array](), list[Array](), list[Array]()
    for part in OF.values():
        T = np.cumsum((np.swapaxes(W, 1, 2) @ H[:, :, part])[late], axis=0)
        s = np.cumsum(score[late, part], axis=0)[..., None]
        K = -(G @ T)
        M = T[:, part] + np.swapaxes(T, 1, 2) @ K
        K[:, part] += np.eye(6)
        for size in SIZES_MM:
            known = np.linalg.inv(spread(size))
            C = np.linalg.inv(M + known)
            m = C @ s
            gains.append(0.5 * ((s * m).sum(axis=(1, 2)) + np.linalg.slogdet(C @ known)[1]))
            ways.append(K)
            squares.append(C + m @ np.swapaxes(m, 1, 2))
    gain, K, square = np.concatenate(gains), np.concatenate(ways), np.concatenate(squares)
    shares = [_shares(gain, chances(before, last)) for last in (0.0, LAST_CHANCE)]
    added, doubted = (_mean_square(share, K, square) for share in shares)
    likeliest = n - 1 - int(shares[1].reshape(-1, before).sum(axis=0).argmax())
    return Knock(added, doubted, float(shares[1].sum()), likeliest)


def _shares(gain: Array, common: dict[str, Array]) -> Array:
    """Return the share of each knock beside no knock, (k,), by its ``gain`` (k,) over none."""
    each = np.concatenate([part for part in common.values() for _ in SIZES_MM]) / len(SIZES_MM)
    weight = np.append(np.log(each) + gain, np.log(1.0 - each.sum()))
    share = np.exp(weight - weight.max())
    return np.asarray(share[:-1] / share.sum(), float)


def _mean_square(share: Array, K: Array, square: Array) -> Array:
    """Return the sum of K square Kᵀ (k, k) by ``share`` (n,)."""
    wide = share[:, None, None] * K @ square
    flat = [np.swapaxes(part, 0, 1).reshape(K.shape[1], -1) for part in (wide, K)]
    return np.asarray(flat[0] @ flat[1].T)
