"""Images of two cameras over one cell that changed places, at some stations or at all.

Each camera alone then has the wrong lens, or stations that fit nothing. With the images the other
way round nothing is wrong with either, and no other error of two cameras does that; but where all
are exchanged, lens data under the wrong names look the same.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from ..arrays import Array
from ..estimate.problem import Problem
from ..estimate.solver import Solution, fitted
from ..estimate.start import squared_deviation
from ..findings import finding, has_error
from ..frames import inverse
from .causes import declared_weight
from .diagnose import Diagnosis, Examined, examined, final
from .likeliest import SURE
from .scene import Texts

SHARE = -6.0  # log of how common it is among sessions, common practice, no source
SURER = 10.0  # [-] log odds by which it must beat both cameras as declared: 1 in 20,000
SEEN = ("point_ids", "pixels", "camera_T_board", "covariances", "depths", "spatial")  # of an image


def exchanged(texts: Sequence[Texts], alone: Sequence[Examined | None]) -> dict[int, Examined]:
    """Return by place what is to be said of two cameras whose images are exchanged; none: {}.

    ``alone``: each camera by itself.
    """
    for a, b in combinations(range(len(alone)), 2):
        first, other = alone[a], alone[b]
        if first is None or other is None or not (_doubted(first) and _doubted(other)):
            continue
        declared, named = (first.declared, other.declared), (texts[a], texts[b])
        best = _best(declared, named, _stations(first.solution, other.solution))
        if best is not None:
            return {a: best.first, b: best.other}
    return {}


def _doubted(one: Examined) -> bool:
    return one.diagnosis is not None and has_error(one.diagnosis.findings)


def _stations(first: Solution, other: Solution) -> list[frozenset[int]]:
    """Return the ids that may have been exchanged: of two parts either one or both, small first.

    From one camera to the other is always the same way; where the images are exchanged, it is the
    way back. With equal lens data both parts explain all alike. Read by another lens than theirs,
    images show no way, but fit neither camera.
    """
    seen, too = _views(first), _views(other)
    both = [i for i in seen if i in too]
    if not both:
        return []
    ways = np.array([seen[i] @ inverse(too[i]) for i in both])
    centre = first.gathered.board.points().mean(axis=0)
    along, back = (squared_deviation(ways, way, centre) for way in (ways[0], inverse(ways[0])))
    turned = frozenset(i for i, other_way in zip(both, back < along, strict=True) if other_way)
    every, unfit = frozenset(both), _left_out(first) & _left_out(other)
    return sorted({turned, every - turned, every, unfit} - {frozenset()}, key=len)


def _views(found: Solution) -> dict[int, Array]:
    """Return camera_T_board (4, 4) of each image by itself, by station id."""
    ids = [found.problem.observations[i].id for i in found.gathered.index]
    return dict(zip(ids, found.gathered.own_views(found.turn), strict=True))


def _left_out(found: Solution) -> frozenset[int]:
    ids = (found.problem.observations[i].id for i in found.gathered.index)
    return frozenset(i for i, used in zip(ids, found.used, strict=True) if not used)


def _best(
    declared: tuple[Solution, Solution],
    texts: tuple[Texts, Texts],
    parts: Sequence[frozenset[int]],
) -> _Exchange | None:
    """Return the first exchange after which all fit, or the likeliest; None where none explains.

    What then fits neither camera may have been exchanged too, or not at all.
    """
    told = dict[frozenset[int], _Exchange | None]()
    for rows in parts:
        told[rows] = one = _judged(declared, texts, rows)
        if one is not None and not one.unfit:
            return one
    found = [one for one in told.values() if one is not None]
    if not found:
        return None
    most = max(one.weight for one in found)
    best = next(one for one in found if one.weight > most - SURE)
    if (rows := best.rows ^ best.unfit) in told or not rows:
        return best
    again = _judged(declared, texts, rows)
    return best if again is None or again.weight < best.weight else again


@dataclass(frozen=True, slots=True, eq=False)
class _Exchange:
    """Both cameras with the exchange of ``rows`` (ids) named, and the weight of that.

    ``unfit`` fit neither camera then.
    """

    rows: frozenset[int]
    weight: float
    unfit: frozenset[int]
    first: Examined
    other: Examined


def _judged(
    declared: tuple[Solution, Solution], texts: tuple[Texts, Texts], rows: frozenset[int]
) -> _Exchange | None:
    """Return both cameras with the exchange named; None where it does not explain them."""
    problems = declared[0].problem, declared[1].problem
    other_way = _exchanged(problems, rows)
    if _weight(map(fitted, other_way)) + SHARE <= _weight(declared) + SURER:
        return None
    right = [examined(problem, names) for problem, names in zip(other_way, texts, strict=True)]
    before, after, found = 0.0, SHARE, list[tuple[Solution, Examined]]()
    for old, new in zip(declared, right, strict=True):
        if new is None or not new.holds:
            return None
        if 2 * len(rows & _left_out(new.solution)) > len(rows):
            return None
        before, after = before + declared_weight(old), after + declared_weight(new.solution)
        found.append((old, new))
    if after <= before + SURER:
        return None
    every = all(len(rows) == len(problem.observations) for problem in problems)
    (one, two), results = problems, []
    for (old, new), problem, other in zip(found, (one, two), (two, one), strict=True):
        name, its = problem.camera.name, other.camera.name
        some = finding("pairing", "cameras-some", stations=sorted(rows), camera=name, other=its)
        said = finding("pairing", "cameras", camera=name, other=its) if every else some
        rest = new.diagnosis
        beside, out = ((), frozenset[int]()) if rest is None else (rest.findings, rest.set_aside)
        aside = out if every else out | rows
        told = Diagnosis((said, *beside), aside, problem, new.solution)
        results.append(Examined(final(old, told), told, old))
    unfit = _left_out(found[0][1].solution) & _left_out(found[1][1].solution)
    return _Exchange(rows, after, unfit, results[0], results[1])


def _weight(fits: Iterable[Solution | None]) -> float:
    return sum(-np.inf if found is None else declared_weight(found) for found in fits)


def _exchanged(problems: tuple[Problem, Problem], rows: frozenset[int]) -> tuple[Problem, Problem]:
    """Return both problems with the images of the stations ``rows`` in each other's place."""
    by_id = [{seen.id: seen for seen in problem.observations} for problem in problems]

    def other_way(k: int) -> Problem:
        observations = tuple(
            replace(seen, **{name: getattr(by_id[1 - k][seen.id], name) for name in SEEN})
            if seen.id in rows
            else seen
            for seen in problems[k].observations
        )
        return replace(problems[k], observations=observations)

    return other_way(0), other_way(1)
