"""What a recheck takes for granted of mount, movements and noise; what contradicts that."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from ..arrays import Array
from ..boards.pattern import Board, MountRepeatability
from ..estimate.result import Result
from ..findings import Finding, finding
from ..tails import chi2_isf, f_isf

CONTRADICTION = 1e-3  # [-] chance that stations which fit neither explanation are mere noise
ODDS = 100.0  # [-] one explanation this many times likelier than the other is told apart
# A mount with two pins and a stop, tightened by hand; common practice, no source.
ASSUMED_MOUNT = MountRepeatability(position_mm=0.1, angle_deg=0.05)
# What moved, moved this far or less as a rule (a standard deviation, every axis); larger bumps are
# estimated all the same, as they outweigh it by far. Common practice, no source.
FREE = np.diag([np.radians(5.0) ** 2] * 3 + [50.0**2] * 3)
LEAST_FREEDOM = 6  # degrees of freedom of the noise at least: it has a prior from the robot's data

Fit = Callable[[Sequence[int]], tuple[float, int]]


def plausible(misfit: float, views: int, freedom: float, moved: int = 1) -> bool:
    """Tell whether one explanation covers so many ``views`` of the board.

    The explained part (six components for each thing ``moved``, of unit variance against a nearly
    free prior) adds little; it is counted in. The noise is known to ``freedom`` only, hence F
    instead of chi-square.
    """
    return is_noise(misfit, 6.0 * (views - moved), freedom, 6 * moved)


def is_noise(misfit: float, rest: float, freedom: float, explained: int) -> bool:
    """Tell whether ``misfit`` is noise in ``rest`` numbers, beside those ``explained``."""
    if rest <= 0.0:
        return True
    limit = rest * f_isf(CONTRADICTION, rest, freedom) + chi2_isf(CONTRADICTION, explained)
    return bool(misfit <= limit)


def contradiction(ids: Sequence[int], fit: Fit, freedom: float) -> Finding:
    """Return the finding about stations ``ids``, which no explanation covers all together.

    ``fit`` returns, for the stations kept, the misfit of the best explanation and the number of
    views. The station without which the others fit best is left out, then the next, while more
    than half remain, and two at least: one station contradicts nobody. Those left out are named
    where the others then agree and leaving out another one instead would not do; where it would,
    those that come into question are named.
    """
    kept, out = list(ids), list[int]()
    while len(kept) > 2 and 2 * (len(kept) - 1) > len(ids):
        rests = {one: fit([k for k in kept if k != one]) for one in kept}
        enough = [one for one in kept if plausible(*rests[one], freedom)]
        if enough:
            variant = "some" if len(enough) == 1 else None
            return finding("stations-contradict", variant, stations=sorted([*out, *enough]))
        out.append(min(kept, key=lambda one: rests[one][0]))
        kept.remove(out[-1])
    return finding("stations-contradict", stations=sorted(ids))


def mount_covariance(board: Board) -> Array:
    """Return the covariance (6, 6) of where the board comes back to on its mount."""
    mount = board.mount_repeatability or ASSUMED_MOUNT
    turn, shift = np.radians(mount.angle_deg) ** 2, mount.position_mm**2
    return np.diag([turn] * 3 + [shift] * 3)


def mount_notes(board: Board) -> list[Finding]:
    """Return the note that the mount's repeatability is assumed, where the cell gives none."""
    if board.mount_repeatability is not None:
        return []
    mm, deg = ASSUMED_MOUNT.position_mm, ASSUMED_MOUNT.angle_deg
    return [finding("mount-assumed", position_mm=mm, angle_deg=deg)]


def noise_freedom(old: Result) -> float:
    """Return the degrees of freedom of the robot noise of ``old``: 6 for each station, less 12."""
    return float(max(6 * sum(station.used for station in old.stations) - 12, LEAST_FREEDOM))
