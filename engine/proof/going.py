"""Whether camera or board went on moving while a recheck was recorded: a drift, or a knock.

A recheck takes minutes. What a bump loosened may give way meanwhile, and what the stations then
show on average is not where the camera stands at the end, when picking goes on. Looked at are a
drift, even from the first station to the last, and one knock between any two of them, of the
camera or of the board, small or large. None is believed, and none is ruled out: each counts by how
likely it makes the stations, so that what they leave open stays in U.

So does a camera that was knocked by what moved the board: where the board alone explains the
stations, a small movement of the camera beside it may explain them as well. And so does a lens that
was focused anew then: to an arm that stays level, focal length and height look alike.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import scipy

from ..arrays import Array
from ..estimate.knock import SIZES_MM, spread
from ..estimate.result import Result
from .update import BOARD, CAMERA, Going, Seen, updated

CHANCE = 0.1  # [-] of rechecks in which something goes on moving; common practice, no source
# [-] of the moves of a board in which the camera was knocked too; common practice, no source
KNOCKED_TOO = 0.5
FOCUSED_TOO = 0.2  # [-] and of those in which the lens was focused anew; the same


def ways(count: int) -> Iterator[tuple[slice, Array]]:
    """Yield what may move while so many stations are recorded, and its share left at each (n,)."""
    if count < 2:
        return
    order = np.arange(count)
    shares = [(order[-1] - order) / (count - 1.0)]
    shares += [(order < first).astype(float) for first in range(1, count)]
    if count == 2:
        shares = shares[:1]  # a drift and a knock are one
    for part in (CAMERA, BOARD):
        for left in shares:
            yield part, left


def at_the_end(
    old: Result, seen: Seen, shift: Array, slip: Array, focused: Sequence[Array] = ()
) -> tuple[Array, Array]:
    """Return what holds at the end, and its covariance.

    As `Update.now`, whatever moved on meanwhile: the mean of all that may have, by their evidence.
    A ``shift`` of zero says that the board moved: then the camera may have, too, and the lens may
    be ``focused`` anew, variances as `changed.focused_anew` gives them.
    """
    each = [
        Going(part, left, spread(size)) for part, left in ways(len(seen.ids)) for size in SIZES_MM
    ]
    same = np.zeros(len(old.systematic.value)) if focused else None
    found = [updated(old, seen, shift, slip, one, same) for one in (None, *each)]
    chances = [1.0 - CHANCE, *(CHANCE / len(each) for _ in each)]
    if not shift.any():
        found += [updated(old, seen, spread(size), slip, None, same) for size in SIZES_MM]
        chances = _beside(chances, KNOCKED_TOO, len(SIZES_MM))
    if focused:
        found += [updated(old, seen, shift, slip, None, one) for one in focused]
        chances = _beside(chances, FOCUSED_TOO, len(focused))
    weights = np.log(chances) + [one.evidence for one in found]
    share = np.exp(weights - scipy.special.logsumexp(weights))
    now = np.einsum("m,mi->i", share, np.array([one.now for one in found]))
    covariance = np.zeros_like(found[0].now_covariance)
    for part, one in zip(share, found, strict=True):
        off = one.now - now
        covariance += part * (one.now_covariance + np.outer(off, off))
    return now, covariance


def _beside(chances: Sequence[float], share: float, count: int) -> list[float]:
    """Return the chances where ``count`` more have ``share`` of them all together."""
    return [*((1.0 - share) * chance for chance in chances), *[share / count] * count]
