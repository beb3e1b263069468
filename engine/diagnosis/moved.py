"""What moved during the session: the start of a search for it, its fit, and how it is told."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..cell.mount import EYE_TO_HAND
from ..estimate.fit import Fit, State, Stations, linear_system
from ..findings import Finding, finding
from ..frames import displaced, inverse, rotation_angle
from .causes import LOG_2PI, LOG_ANYWHERE
from .scene import LEAST_BLOCK, Scene

BEYOND = 0.025  # [-] chance that a move was earlier, or later, than the stations that are told
CODES = {  # by mount and side: code, variant, and variant of two moves
    (True, "flange"): ("board-moved", None, "twice"),
    (True, "base"): ("camera-moved", None, "twice"),
    (False, "flange"): ("camera-moved", "on-flange", "twice-on-flange"),
    (False, "base"): ("board-moved", "in-cell", "twice-in-cell"),
}


@dataclass(frozen=True, slots=True, eq=False)
class Split:
    """A start of moves, each of one of the ``sides``, at the rows ``places``.

    ``base`` and ``flange`` (n, 4, 4) put the poses ``old`` right. ``moved`` (n, moves) is 1 in the
    stations that a move concerns; ``camera`` and ``board`` hold where it is 0 throughout. ``score``
    says how badly all of it fits. A drift has no place: ``moved`` (n, 1) grows from 0 to 1.
    """

    sides: tuple[str, ...]
    places: tuple[int, ...]
    old: Array
    base: Array
    flange: Array
    moved: Array
    camera: Array
    board: Array
    score: float

    @property
    def typed(self) -> Array:
        """The poses (n, 4, 4) with all blocks put right."""
        return np.asarray(self.base @ self.old @ self.flange)

    def as_at(self, row: int) -> Array:
        """Return all poses (n, 4, 4) with what puts the one in ``row`` right."""
        return np.asarray(self.base[row] @ self.old @ self.flange[row])

    def blocks(self) -> list[slice]:
        """Return the rows of each block, the first ones first."""
        ends = [0, *self.places, len(self.old)]
        return [slice(*rows) for rows in pairwise(ends)]


@dataclass(frozen=True, slots=True, eq=False)
class Fitted:
    """A split fitted with its moves as further unknowns: the poses put right by them, weight, state
    without the moves, fit, and which stations (n,) are in it.

    ``zoomed`` (n, 6): by what another focal length puts the flange off, which is ``longer`` [-];
    none: zero. The poses of ``start`` are without it.
    """

    start: Split
    weight: float
    state: State
    fit: Fit
    used: NDArray[np.bool_]
    zoomed: Array
    longer: float = 0.0

    @property
    def typed(self) -> Array:
        """The poses (n, 4, 4) with the moves and the lens put right."""
        later = np.arange(len(self.zoomed))[:, None] >= min(self.start.places, default=0)
        return displaced(self.start.typed, later * self.zoomed)


def moved_findings(scene: Scene, found: Fitted) -> tuple[Finding, ...]:
    """Return how far each thing sits from where it sat before, each time that it moved."""
    start, fixed = found.start, scene.stations.mount == EYE_TO_HAND
    rows = [block.start for block in start.blocks()] if start.places else [0, -1]
    since = [_since(scene, found, k) for k in range(len(start.places))]
    moves = list(zip(start.sides, pairwise(rows), strict=True))
    if found.longer:
        return (_refocused(scene, found, since[0]),)
    far = [_apart(*(_thing(scene, found, side, row) for row in ends)) for side, ends in moves]
    first = min((item[1] for item in since), default=None)  # repeated from there on, all is well
    last = max((item[2] for item in since), default=None)
    twice = len(since) > 1 and len(set(start.sides)) == 1
    said = []
    for k in range(1 if twice else len(moves)):
        code, once, again = CODES[fixed, start.sides[k]]
        variant = again if twice else once if since else "drift"
        one = finding(
            code,
            variant,
            station=scene.ids[start.places[k]] if since else None,
            distance_mm=far[k][0],
            angle_deg=far[k][1],
            since=since[k][0] if since else "",
            first=first,
            last=last,
            again_mm=far[-1][0],
            again_deg=far[-1][1],
            since_again=since[-1][0] if since else "",
        )
        said.append(one)
    return tuple(said)


def _refocused(scene: Scene, found: Fitted, since: tuple[str, int, int]) -> Finding:
    """Return that the camera was focused anew, ``since`` as of `_since`."""
    words, first, last = since
    return finding(
        "camera-moved",
        "refocused",
        station=scene.ids[found.start.places[0]],
        since=words,
        percent=100.0 * abs(found.longer),
        longer="longer" if found.longer > 0.0 else "shorter",
        first=first,
        last=last,
    )


def _thing(scene: Scene, found: Fitted, side: str, row: int) -> Array:
    """Return the transform (4, 4) of what moves on ``side`` as it was at the station in ``row``."""
    fixed, start, state = scene.stations.mount == EYE_TO_HAND, found.start, found.state
    if side == "flange":
        return np.asarray(start.flange[row] @ (state.board if fixed else state.camera))
    return np.asarray(inverse(start.base[row]) @ (state.camera if fixed else state.board))


def _apart(before: Array, after: Array) -> tuple[float, float]:
    """Return how far two transforms (4, 4) are apart, [mm] and [deg]."""
    distance = float(np.linalg.norm(after[:3, 3] - before[:3, 3]))
    return distance, float(np.degrees(rotation_angle(after[:3, :3] @ before[:3, :3].T)))


def _since(scene: Scene, found: Fitted, move: int) -> tuple[str, int, int]:
    """Return from which station on a move shows: in words, and the first and last it may be."""
    low, _, high = likely_places(scene, found, move)
    first, last = scene.ids[low], scene.ids[high]
    if high - low > 1:
        return f"one of stations {first} to {last}", first, last
    return (f"station {first}" if high == low else f"station {first} or {last}"), first, last


def likely_places(scene: Scene, found: Fitted, move: int) -> tuple[int, int, int]:
    """Return the likeliest row from which on the thing had moved, the lowest and highest with 95 %.

    In the order of the rows. Each station between the moves before and after is held against both
    places of the thing; a bad one, which fits neither, tells nothing.
    """
    blocks = found.start.blocks()
    at = [found.start.as_at(block.start) for block in blocks[move : move + 2]]
    at[1] = displaced(at[1], found.zoomed)
    fits = [_log_fits(replace(scene.stations, typed=typed), found) for typed in at]
    first, last = blocks[move].start + LEAST_BLOCK, blocks[move + 1].stop - LEAST_BLOCK
    stood = fits[0].cumsum() + fits[1][::-1].cumsum()[::-1] - fits[1]  # row k: the last before it
    weight = stood[first - 1 : last]
    below = np.exp(weight - np.logaddexp.reduce(weight)).cumsum()
    low, high = int((below > BEYOND).argmax()), int((below >= 1.0 - BEYOND).argmax())
    return first + low, first + int(weight.argmax()), first + high


def _log_fits(stations: Stations, found: Fitted) -> Array:
    """Return the log density of each station's residual (n,), or of lying anywhere."""
    system = linear_system(stations, found.state)
    V, r = system.covariance(found.fit.noise), system.residual
    size = np.einsum("ni,ni->n", r, np.linalg.solve(V, r[..., None])[..., 0])
    usual = -0.5 * (size + np.linalg.slogdet(V)[1] + r.shape[1] * LOG_2PI)
    return np.asarray(np.logaddexp(usual, LOG_ANYWHERE))
