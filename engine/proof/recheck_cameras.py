"""Which of several cameras moved: they see one board, so what one sees binds the others.

Each camera is rechecked alone first: that gives the alarm, at its stated rate. Once there is one,
explanations of all the cameras' stations at once compete: the board sits elsewhere on its mount;
some of the cameras moved, each its own way; or all moved as one, as when the frame that carries
them was hit. The unknown displacement of everything (cameras, board, robot errors) is Gaussian
under each, and its evidence says how likely it is. A camera that sees the board where it was
speaks against a slipped board even where one station alone could never tell.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from operator import attrgetter

import numpy as np
import scipy

from ..arrays import Array
from ..diagnosis.scene import Texts
from ..diagnosis.together import SolvedTogether
from ..estimate.joint import Joint, Part, Together, stops
from ..estimate.problem import Problem
from ..findings import Finding, by_gravity, finding
from ..frames import displaced
from .assumed import (
    FREE,
    ODDS,
    contradiction,
    mount_covariance,
    mount_notes,
    noise_freedom,
    plausible,
)
from .compare import moved
from .recheck import (
    LENS,
    Cause,
    Recheck,
    beside,
    board_elsewhere,
    movement_found,
    not_moved,
    recheck,
    shows_more,
    without,
)
from .update import STEPS, STILL, Seen, seen_stations


@dataclass(frozen=True, slots=True, eq=False)
class Explanation:
    """One explanation of all stations, and what it makes of them.

    ``cameras``: those that moved; none: the board did, or nothing and the pose of the stop
    ``typed`` is mistyped. ``change`` (size,) what moved by how much, in the order of
    `estimate.joint.Together`, with ``covariance``; ``misfit`` as in `recheck.Explanations`,
    ``evidence`` as in `update.Update`.
    """

    cameras: tuple[int, ...]
    change: Array
    covariance: Array
    misfit: float
    evidence: float
    typed: int | None = None


@dataclass(frozen=True, slots=True, eq=False)
class _Stations:
    """The new stations of cameras solved together, the old estimate, and the mount's covariance."""

    state: Together
    covariance: Array
    parts: list[Part]
    mount: Array

    @property
    def ids(self) -> tuple[int, ...]:
        """The ids of the stops, in the order of `stops`."""
        return tuple(dict.fromkeys(i for part in self.parts for i in part.ids))

    @property
    def views(self) -> int:
        """How many views of the board there are."""
        return sum(len(part.ids) for part in self.parts)

    def take(self, ids: Sequence[int]) -> _Stations:
        """Return the stops with these ids, of every camera."""
        parts = []
        for part in self.parts:
            kept = tuple(one for one in part.ids if one in ids)
            mask = np.isin(np.array(part.ids, int), ids)
            parts.append(replace(part, stations=part.stations.take(mask), ids=kept))
        return replace(self, parts=parts)


def recheck_cameras(
    old: SolvedTogether, problems: Sequence[Problem | None], texts: Texts | None = None
) -> list[Recheck | None]:
    """Return whether each camera moved since ``old``; None for one without new stations.

    ``problems``: the new stations of each camera, in the order of ``old.results``; ``texts``: the
    fields of each stop as typed. Cameras that were not solved together are rechecked apart. Raises
    SolveError where an old result is not solved.
    """
    answers = [
        None if problem is None else recheck(result, problem, texts)
        for result, problem in zip(old.results, problems, strict=True)
    ]
    if any(each is not None and (each.moved, each.cause) == (None, "board") for each in answers):
        return answers  # the board is the other way round, which no camera hides from another
    joined = {
        k: (answer, problem)
        for k in old.members
        if (answer := answers[k])
        and answer.stations
        and (problem := problems[k])
        and answer.cause != "lens"  # which another camera cannot tell otherwise
    }
    alarms = any(alone.cause != "none" for alone, _ in joined.values())
    if old.joint is None or len(joined) < 2 or not alarms:
        return answers
    stations = _stations(old.joint, old, problems)
    found = _explanations(stations, old, [*joined])
    freedom = min(noise_freedom(old.results[k]) for k in joined)
    if plausible(_least(found), stations.views, freedom):
        found += _slips(stations)
        for k, (alone, problem) in joined.items():
            answers[k] = _told(found, old, k, alone, problem)
        return answers

    def fit(kept: Sequence[int]) -> tuple[float, int]:
        some = stations.take(kept)
        return _least(_explanations(some, old, [*joined])), some.views

    said = contradiction(stations.ids, fit, freedom)
    slips = _mistyped(said, [alone for alone, _ in joined.values()])
    if slips:
        rest = [one and without(one, said.stations or ()) for one in problems]
        again = recheck_cameras(old, rest, texts)
        if any(one is not None and shows_more(one) for one in again):
            return [
                beside(one, slips, alone.stations) if one and alone else alone
                for one, alone in zip(again, answers, strict=True)
            ]
    for k, (alone, problem) in joined.items():
        unclear = replace(alone, movement=None)
        answers[k] = _answer(unclear, None, "unclear", said, problem, slips)
    return answers


def _mistyped(said: Finding, answers: Sequence[Recheck]) -> tuple[Finding, ...]:
    """Return which field of each contradicting stop a camera found mistyped; () if not of each."""
    if said.variant != "some" or said.stations is None:
        return ()
    every = [item for one in answers for item in one.findings if item.code == "typed-value"]
    named = {item.station: item for item in reversed(every)}
    return tuple(named[one] for one in said.stations) if named.keys() >= {*said.stations} else ()


def _explanations(
    stations: _Stations, old: SolvedTogether, joined: Sequence[int]
) -> list[Explanation]:
    return [_explained(stations, *each) for each in _possible(stations, old, joined)]


def _slips(stations: _Stations) -> list[Explanation]:
    """Return each of several stops as mistyped, with the freedom of a movement, and nothing moved.

    A single stop explains itself so whatever moved.
    """
    nothing = np.zeros((stations.state.size,) * 2)
    ids = stations.ids if len(stations.ids) > 1 else ()
    return [_explained(stations, (), nothing, one) for one in ids]


def _least(found: Sequence[Explanation]) -> float:
    return min(one.misfit for one in found)


def _stations(joint: Joint, old: SolvedTogether, problems: Sequence[Problem | None]) -> _Stations:
    parts = []
    for k, one in zip(old.members, joint.solutions, strict=True):
        problem = problems[k]
        seen = None if problem is None else seen_stations(old.results[k], problem)
        if seen is None:
            seen = Seen(one.stations.take(np.zeros(len(one.used), bool)), ())
        parts.append(Part(seen.stations, seen.ids, one.fit.noise))
    mount = mount_covariance(joint.solutions[-1].problem.board)
    return _Stations(joint.state, joint.covariance, parts, mount)


def _possible(
    stations: _Stations, old: SolvedTogether, joined: Sequence[int]
) -> Iterator[tuple[tuple[int, ...], Array]]:
    """Yield the cameras that moved and the prior covariance (size, size) of what moved."""
    state = stations.state
    board = slice(6 * len(state.cameras), 6 * len(state.cameras) + 6)
    slipped = np.zeros((state.size, state.size))
    slipped[board, board] = FREE
    yield (), slipped
    for count in range(1, len(joined) + 1):
        for some in combinations(joined, count):
            apart = np.zeros((state.size, state.size))
            for k in some:
                own = slice(6 * old.members.index(k), 6 * old.members.index(k) + 6)
                apart[own, own] = FREE
            yield some, apart
    yield tuple(joined), _as_one(state.cameras, state.size)


def _as_one(cameras: Sequence[Array], size: int) -> Array:
    """Return the covariance of cameras that move as one body about the middle of them."""
    middle = np.mean([T[:3, 3] for T in cameras], axis=0)
    lever = np.zeros((size, 6))
    for k, T in enumerate(cameras):
        x, y, z = T[:3, 3] - middle
        lever[6 * k : 6 * k + 6] = np.eye(6)
        lever[6 * k + 3 : 6 * k + 6, :3] = [[0, z, -y], [-z, 0, x], [y, -x, 0]]  # turn × arm
    return np.asarray(lever @ FREE @ lever.T)


def _explained(
    stations: _Stations, cameras: tuple[int, ...], change: Array, typed: int | None = None
) -> Explanation:
    """Return what ``change`` (prior covariance of what moved) makes of the stations.

    ``typed``: the stop whose pose may be anything.
    """
    state, first = stations.state, 6 * len(stations.state.cameras)
    prior = stations.covariance + change
    prior[first : first + 6, first : first + 6] += stations.mount
    u = np.zeros(state.size)
    for _ in range(STEPS):
        found = stops(stations.parts, state.moved(u))
        H = np.concatenate([stop.rows for stop in found])
        y = np.concatenate([stop.residual for stop in found]) + H @ u
        noise = [
            stop.covariance + stop.by_flange @ FREE @ stop.by_flange.T * (one == typed)
            for one, stop in zip(stations.ids, found, strict=True)
        ]
        S = H @ prior @ H.T + scipy.linalg.block_diag(*noise)
        before, u = u, prior @ H.T @ np.linalg.solve(S, y)
        if np.abs(u - before).max() < STILL:
            break
    half, weighed = change @ H.T, np.linalg.solve(S, y)
    went = half @ weighed
    misfit = float(y @ weighed)
    evidence = float(-0.5 * (misfit + np.linalg.slogdet(S)[1]))
    covariance = change - half @ np.linalg.solve(S, half.T)
    misfit -= float(weighed @ H @ went)  # what it costs to be so far
    return Explanation(cameras, went, covariance, misfit, evidence, typed)


def _told(
    found: Sequence[Explanation],
    old: SolvedTogether,
    k: int,
    alone: Recheck,
    problem: Problem,
) -> Recheck:
    """Return what all cameras' stations together say of camera ``k``."""
    went = [one for one in found if k in one.cameras]
    stayed = [one for one in found if k not in one.cameras]
    odds = scipy.special.logsumexp([one.evidence for one in went]) - scipy.special.logsumexp(
        [one.evidence for one in stayed]
    )
    if odds > np.log(ODDS):
        return _moved(max(went, key=attrgetter("evidence")), old, k, alone, problem)
    best = max(one.evidence for one in found) - np.log(ODDS)
    doubted = sorted(one.typed for one in found if one.typed is not None and one.evidence > best)
    if doubted and alone.cause != "none":
        said = finding("moved-unclear", "typed", stations=doubted)
        return _answer(alone, True, "unclear", said, problem)
    if odds >= -np.log(ODDS) and alone.cause != "none":
        if alone.movement is None:
            return alone
        said = movement_found(alone.movement, "unclear", len(alone.stations))
        return _answer(alone, True, "unclear", said, problem)
    likeliest = max(found, key=attrgetter("evidence"))
    if alone.cause != "none" and not likeliest.cameras:
        first = 6 * len(old.members)
        said = board_elsewhere(likeliest.change[first : first + 6], problem.mount)
        return _answer(alone, False, "board", said, problem)
    said = not_moved(alone.detectable_mm or 0.0, alone.detectable_deg or 0.0)
    return _answer(alone, False, "none", said, problem)


def _moved(
    best: Explanation, old: SolvedTogether, k: int, alone: Recheck, problem: Problem
) -> Recheck:
    """Return that camera ``k`` moved, and how far by the stations of all cameras."""
    result, own = old.results[k], slice(6 * old.members.index(k), 6 * old.members.index(k) + 6)
    if result.pick is None:
        return alone
    shift, covariance = best.change[own], best.covariance[own, own]
    geometric = displaced(result.geometric, shift)
    movement = moved(problem.mount, result.geometric, geometric, covariance, result.pick)
    variant = LENS if alone.findings[0].variant == LENS else "since"
    said = movement_found(movement, "camera", len(alone.stations), variant)
    return replace(_answer(alone, True, "camera", said, problem), movement=movement)


def _answer(
    alone: Recheck,
    answer: bool | None,
    cause: Cause,
    said: Finding,
    problem: Problem,
    slips: Sequence[Finding] = (),
) -> Recheck:
    findings = tuple(by_gravity([said, *slips, *mount_notes(problem.board)]))
    return replace(alone, moved=answer, cause=cause, findings=findings)
