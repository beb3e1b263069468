"""What a slow drift of camera or board may do to a result without the stations showing it.

A drift is taken as linear in time, and the stations as evenly spread over it. It is no unknown of
the fit, so nothing of it is in U; the data themselves say how much of it they leave open.
"""

from __future__ import annotations

import numpy as np

from ..arrays import Array
from .pick import PickModel
from .solver import Solution

OF = {"camera": slice(0, 6), "board": slice(6, 12)}  # among the unknowns
LEAST_SEEN = 1e-9  # [-] of the largest: a direction of drift that nothing shows


def drift_share(n: int) -> Array:
    """Return how much of a drift has come about at each of ``n`` stations, from 0 to 1."""
    return np.linspace(0.0, 1.0, n)


def hidden_drift(found: Solution, pick: PickModel) -> float | None:
    """Return u [mm] of a pick after the last station by a drift that the stations do not show.

    At the worst corner, the larger of a camera's and a board's drift. None where some drift shows
    at no station at all.
    """
    whole, errors = found.fit.covariance, found.fit.state.errors
    added = {name: _added(found, part) for name, part in OF.items()}
    known = {name: more for name, more in added.items() if more is not None}
    if len(known) < len(added):
        return None
    return float(np.sqrt(max(pick.parts(known, whole, errors)[name] for name in known)))


def _added(found: Solution, part: slice) -> Array | None:
    """Return by how much six more unknowns, a drift of ``part``, would widen the covariance (k, k).

    Transforms as they stand at the last station: there the drift's columns D = (t − 1)·H are zero.
    With K = G HᵀV⁻¹D and S = Dᵀ(V⁻¹ − V⁻¹H G HᵀV⁻¹)D, the inverse of the larger normal matrix holds
    G + K S⁻¹ Kᵀ (inverse in blocks).
    """
    system, G = found.system.take(found.used), found.fit.covariance
    before = drift_share(len(found.used))[found.used] - 1.0
    D = before[:, None, None] * system.rows[:, :, part]
    weighed = np.linalg.solve(system.covariance(found.fit.noise), D)
    told = np.einsum("nik,nij->kj", system.rows, weighed)
    seen = np.einsum("nik,nij->kj", D, weighed) - told.T @ G @ told
    scale = 1.0 / np.sqrt(np.maximum(np.diag(seen), 1e-300))
    scaled = seen * np.outer(scale, scale)
    if np.linalg.eigvalsh(scaled)[0] < LEAST_SEEN:
        return None
    K = G @ told * scale
    return np.asarray(K @ np.linalg.solve(scaled, K.T))
