"""Two causes of all stations at once: what may be the first of them.

Neither alone brings the stations together. But whatever is wrong with lengths, robot and board turn
alike and travel in proportion, so a closed form with the lengths left open tells what is wrong with
the poses: a convention, an angle unit, inverse poses, mirrored images, images one pose off, or two
of these. The factor of lengths tells a unit. With the first cause put right, the second is looked
for as the only one.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..estimate.gather import in_one_numbering
from ..estimate.problem import related
from ..estimate.solver import LEAST_STATIONS
from ..estimate.start import DEPTHS, SCALE_MM, SCALE_RAD, travelled
from ..frames import inverse, proper
from ..pendant.settings import LENGTH_MM
from .causes import Cause
from .images import HOPELESS, mirrored
from .scale import BESIDE
from .scene import Scene
from .whole import Reading, one_off, readings, unfitted

FIRSTS = 3  # first causes that are tried at most
NEAR = 1.0  # [-] mean log score within which the next best are tried too
LEAST_FACTOR = 1e-6  # [-] of lengths; no unit is so far off
ALIKE = 0.03  # [-] of the same: where two causes turn the poses, lengths are right within this


@dataclass(frozen=True, slots=True, eq=False)
class _Typed:
    """Typed poses (n, 4, 4) read otherwise by so many ``causes``; ``first`` of them."""

    poses: Array
    causes: int
    first: Reading | None


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """Images read otherwise: ``views`` (n, 4, 4), which of them (m,) belong to which poses (m,).

    By so many ``causes``; ``first`` of them.
    """

    views: Array
    images: NDArray[np.int64]
    poses: NDArray[np.int64]
    causes: int
    first: Cause | None


def first_causes(scene: Scene) -> list[Cause]:
    """Return what may be the first of two causes, the likeliest first.

    Not fitted; their weight says how common they are.
    """
    others = [one for one in readings(scene, calm=False) if not one.some]
    typed = _typed(scene, others)
    tried = [one for seen in _seen(scene) for one in _scored(scene, typed, seen)]
    tried.sort(key=lambda one: one.score)
    found = list[Cause]()
    for one in tried:
        if one.score > min(tried[0].score + NEAR, HOPELESS) or len(found) >= FIRSTS:
            break
        turning = one.typed.first
        if turning is not None and turning.code != "inverse-pose":
            found.append(unfitted(scene, turning))
        elif one.seen.first is not None:
            found.append(one.seen.first)
        else:
            found += [unfitted(scene, unit) for unit in _lengths(scene, others, one.scale)]
            found += [unfitted(scene, turning)] if turning is not None else []
    return _each_once(found)[:FIRSTS]


def _typed(scene: Scene, others: Sequence[Reading]) -> list[_Typed]:
    """Return the typed poses as they are and read otherwise, and the inverses of them all.

    Inverse poses come last: nothing that was typed can be told once they are put right.
    """
    turning = [
        one
        for one in others
        if one.code == "rotation-convention" or (one.code, one.quantity) == ("unit", "angles")
    ]
    plain = [_Typed(scene.stations.typed, 0, None), *(_Typed(r.typed, 1, r) for r in turning)]
    (back,) = (one for one in others if one.code == "inverse-pose")
    return plain + [_Typed(inverse(one.poses), one.causes + 1, one.first or back) for one in plain]


def _seen(scene: Scene) -> Iterator[_Seen]:
    """Yield the images as they are or mirrored, each with its pose, the one before or after."""
    rows, shifts = np.arange(len(scene.ids)), list[Reading]()
    if len(rows) > LEAST_STATIONS:
        shifts = one_off(scene)
    for views, mirror in ((scene.views, None), *mirrored(scene)):
        of_mirror = mirror is not None
        yield _Seen(views, rows, rows, int(of_mirror), mirror)
        for shift in shifts:
            kept = np.setdiff1d(rows, shift.alone)
            order = np.array(shift.order)[kept]
            yield _Seen(views, kept, order, 1 + of_mirror, mirror or unfitted(scene, shift))


@dataclass(frozen=True, slots=True, eq=False)
class _Scored:
    """Poses and images as read, the mean log score of their best closed form, and the logarithm of
    the factor on the views' lengths with which they follow the robot's travel."""

    score: float
    scale: float
    typed: _Typed
    seen: _Seen


def _scored(scene: Scene, typed: Sequence[_Typed], seen: _Seen) -> list[_Scored]:
    """Return what one or two causes explain of the stations, with lengths and depths left open."""
    several = [one for one in typed if one.causes + seen.causes <= 2]
    mount, board = scene.stations.mount, scene.found.gathered.board
    T = np.array([one.poses[seen.poses] for one in several])
    views = np.array([in_one_numbering(mount, board, one, seen.views[seen.images]) for one in T])
    G, h = related(mount, T), len(several)
    turns, factors, off = travelled(G, views, DEPTHS)
    G, views = np.concatenate([G] * 3)[..., :3, :3], np.concatenate([views] * 3)[..., :3, :3]
    boards = proper((np.swapaxes(G, -1, -2) @ turns[:, None] @ views).sum(axis=1))
    turn = ((turns[:, None] @ views - G @ boards[:, None]) ** 2).sum(axis=(-1, -2)) / 2.0
    size = turn / SCALE_RAD**2 + (off**2).sum(axis=-1) / SCALE_MM**2
    factors = np.maximum(factors, LEAST_FACTOR)  # a factor below zero is a mirrored image's
    score = np.nan_to_num(np.log1p(size).mean(axis=1), nan=np.inf)
    score = np.where((factors > LEAST_FACTOR).all(axis=1), score, np.inf).reshape(3, h)
    best = score.argmin(axis=0)
    found = []
    for k, one in enumerate(several):
        scale = np.log(factors.reshape(3, h, 2)[best[k], k])
        if one.causes + seen.causes < 2 or np.abs(scale).max() < ALIKE:
            found.append(_Scored(float(score[best[k], k]), float(scale.mean()), one, seen))
    return found


def _lengths(scene: Scene, others: Sequence[Reading], scale: float) -> list[Reading]:
    """Return the length units by which the robot travels about as far as the images show.

    ``scale`` as in `_Scored`.
    """
    declared = LENGTH_MM[scene.layout.pendant.length_unit]
    units = [one for one in others if (one.code, one.quantity) == ("unit", "positions")]
    return [u for u in units if abs(scale + np.log(LENGTH_MM[u.value] / declared)) < BESIDE]


def _each_once(causes: Sequence[Cause]) -> list[Cause]:
    return list({cause.findings: cause for cause in reversed(causes)}.values())[::-1]
