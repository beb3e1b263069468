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
SIZES_MM = (0.5, 2.0)  # of such knocks, standard deviations on every axis; CP, no source
LEVER_MM = 500.0  # mm; a knock of d mm turns what it moves by d / 500 rad; CP, no source
LATEST = 40  # places looked at, the last ones; after an earlier knock so many stops show it


@dataclass(frozen=True, slots=True, eq=False)
class Knock:
    """What a knock that nobody named adds to the covariance of all unknowns, ``added`` (k, k).

    ``chance`` [-] that there was one, as the stations have it; ``row`` of the stations used, from
    the one on it shows if it is the likeliest.
    """

    added: Array
    chance: float
    row: int


def spread(size_mm: float) -> Array:
    """Return the covariance (6, 6) of a movement of so many mm on every axis."""
    return np.diag([(size_mm / LEVER_MM) ** 2] * 3 + [size_mm**2] * 3)


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
    logs, ways, squares = [np.log([1.0 - CHANCE])], list[Array](), list[Array]()
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
            gain = 0.5 * ((s * m).sum(axis=(1, 2)) + np.linalg.slogdet(C @ known)[1])
            logs.append(gain + np.log(CHANCE / (len(OF) * len(SIZES_MM) * len(s))))
            ways.append(K)
            squares.append(C + m @ np.swapaxes(m, 1, 2))
    weight = np.concatenate(logs)
    share = np.exp(weight - weight.max())
    share = share[1:] / share.sum()
    K = np.concatenate(ways)
    wide = share[:, None, None] * K @ np.concatenate(squares)
    flat = [np.swapaxes(part, 0, 1).reshape(len(G), -1) for part in (wide, K)]
    likeliest = n - 1 - int(share.reshape(-1, len(s)).sum(axis=0).argmax())
    return Knock(flat[0] @ flat[1].T, float(share.sum()), likeliest)
