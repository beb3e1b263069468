"""Whether another lens or another board lies behind new stations that an old result misses.

A lens that was exchanged or focused anew, a board of another pitch, or a bent one, shift what the
images show; with a board that is tilted little, that looks like a movement. The terms of lens and
board are unknown under these explanations, camera and board stand where they were or one of them
moved as well, and what each image says of the terms by itself counts too. They are weighed against
a movement of camera or board, and against a mistyped pose, by their evidence. A movement may be of
any size: its evidence is the mean over `SIZES_MM`, and of one alone over `ANYWHERE` as well.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Literal

import numpy as np
import scipy

from ..arrays import Array
from ..camera.lens import NAMES, UNITS
from ..camera.lens import lens as lens_of
from ..diagnosis.optics import changed as with_lens
from ..diagnosis.scale import with_pitch
from ..errors import SolveError
from ..estimate.knock import spread
from ..estimate.problem import Problem, terms_of
from ..estimate.result import Result
from ..findings import Finding, finding
from .assumed import ODDS, is_noise, mount_covariance, noise_freedom
from .update import Seen, Update, seen_stations, updated

Typed = tuple[int, Array]
Way = tuple[list[Array], list[Array]]  # covariances of what camera and board may have moved by
What = Literal["lens", "centre", "another-board"]

MARGIN = float(np.log(ODDS))
RARE = float(np.log(1e-3))  # log of how common they are beside movements; CP, no source
SIZES_MM = (0.5, 2.0, 10.0, 50.0)  # of movements, standard deviations on every axis; CP, no source
# One of the two as under another tool or frame, which may be turned anyhow; CP, no source.
ANYWHERE = np.diag([np.radians(90.0) ** 2] * 3 + [200.0**2] * 3)
SLIPS_MM = (2.0, 50.0)  # the same of how far a mistyped pose is off
SCALE, FOCAL = NAMES.index("board scale"), NAMES.index("focal length")
CENTRES = [NAMES.index(name) for name in ("image centre x", "image centre y")]
BENDS = [NAMES.index(name) for name in ("distortion r³", "distortion r⁵")]
SHAPES, BOWS = [1, 2], [3, 4, 5]  # of the board, within its plane and out of it
READ_WITH = (SCALE, FOCAL, *CENTRES)
# Standard deviations of what changes, in the units of `camera.lens.UNITS`; common practice.
REFOCUSED = {FOCAL: 0.02, **dict.fromkeys(CENTRES, 1.0), **dict.fromkeys(BENDS, 0.5)}
FOCUSED_BY = (1.0, 0.1)  # [-] of that, where the board moved too
ANOTHER_LENS = {FOCAL: 0.03, **dict.fromkeys(CENTRES, 30.0), **dict.fromkeys(BENDS, 10.0)}
KNOCKED_LENS = dict.fromkeys(CENTRES, 5.0)
ANOTHER_PITCH = {SCALE: 0.05}
ANOTHER_SHAPE = {SCALE: 0.05, **dict.fromkeys(SHAPES, 0.01), **dict.fromkeys(BOWS, 2.0)}
PRIORS: dict[What, tuple[Mapping[int, float], ...]] = {
    "lens": (REFOCUSED, ANOTHER_LENS),
    "centre": (KNOCKED_LENS,),
    "another-board": (ANOTHER_PITCH, ANOTHER_SHAPE),
}
READINGS = 6  # of the images at most, each with the pitch and the lens found: 25 % takes four
BESIDE_MM = 10.0  # of a movement beside such a change, on every axis; CP, no source
SETTLED = 1e-4  # [-] of pitch and focal length; what it leaves out is of its second order
FARTHEST = 0.5  # [-] of the same in one reading; what is beyond is no lens and no print of a board


@dataclass(frozen=True, slots=True, eq=False)
class Change:
    """One explanation of all stations: ``what`` is another than it was.

    ``weight``: log evidence with its share; ``covers``: what is left over is noise; ``terms`` (16,)
    what lens and board are off by against the cell, in the order of `camera.lens.NAMES`.
    """

    what: What
    weight: float
    covers: bool
    terms: Array


def changes(old: Result, problem: Problem, moved: bool) -> tuple[list[Change], list[Change]]:
    """Return which of lens and board certainly is another, both if that is certain of one; and may.

    A lens that merely sits elsewhere is told where none is that may be another: "centre".
    ``moved``: a movement of camera or board covers the stations; else one beside a mistyped pose
    competes too.
    """
    known = with_every_term(old)
    mount = mount_covariance(problem.board)
    each = (_changed(known, problem, mount, what) for what in PRIORS)
    found, best = [one for one in each if one.covers], -np.inf
    for other in _others(known, _seen(known, problem), mount, moved):
        best = max(best, other)
        found = [one for one in found if one.weight > best - MARGIN]
        if not found:
            return [], []
    first = max(one.weight for one in found)
    if first < best + MARGIN:
        return [], _one_lens(found)
    near = _one_lens([one for one in found if one.weight > first - MARGIN])
    return near, near


def _one_lens(found: Sequence[Change]) -> list[Change]:
    """Return the changes; no lens that merely sits elsewhere beside one that may be another."""
    another = any(one.what == "lens" for one in found)
    return [one for one in found if one.what != "centre" or not another]


def _others(old: Result, seen: Seen, mount: Array, moved: bool) -> Iterator[float]:
    """Yield the evidence of movements, of each mistyped pose, of these together where asked."""
    slips, every = [spread(size) for size in SLIPS_MM], range(len(seen.ids))
    still, camera, board, _ = ways = _ways(mount)
    yield from (_mean(old, seen, way) for way in ways[1:])
    for k in every:
        yield _mean(old, seen, still, [(k, C) for C in slips])
    for k in () if moved else every:
        yield _mean(old, seen, camera, [(k, C) for C in slips])
        yield _mean(old, seen, board, [(k, C) for C in slips])


def _ways(mount: Array) -> list[Way]:
    """Return what may have moved: nothing, the camera, the board, both."""
    sizes, still = [spread(size) for size in SIZES_MM], [np.zeros((6, 6))]
    slid = [C + mount for C in sizes]
    camera, board = [*sizes, ANYWHERE], [*slid, ANYWHERE]
    return [(still, [mount]), (camera, [mount]), (still, board), (sizes, slid)]


def _mean(old: Result, seen: Seen, way: Way, typed: Sequence[Typed | None] = (None,)) -> float:
    """Return the evidence of a movement of any size, beside a mistyped pose of any size."""
    same = np.zeros(len(old.systematic.value))
    each = [
        updated(old, seen, shift, slip, changed=same, typed=one).evidence
        for shift, slip, one in product(*way, typed)
    ]
    return float(scipy.special.logsumexp(each) - np.log(len(each)))


def both_moved(old: Result, problem: Problem) -> tuple[int, ...] | None:
    """Return the stations of which one may be mistyped instead, where camera and board both moved.

    None where that is not a hundred times likelier than either alone.
    """
    known, mount = with_every_term(old), mount_covariance(problem.board)
    seen = _seen(known, problem)
    _, *alone, together = _ways(mount)
    both = _mean(known, seen, together)
    if both < max(_mean(known, seen, way) for way in alone) + MARGIN:
        return None
    slips = [[(k, spread(size)) for size in SLIPS_MM] for k in range(len(seen.ids))]
    beside = [max(_mean(known, seen, way, slip) for way in alone) for slip in slips]
    return tuple(one for one, other in zip(seen.ids, beside, strict=True) if other > both - MARGIN)


def _changed(old: Result, problem: Problem, mount: Array, what: What) -> Change:
    """Return the stations explained by another lens or board, the likelier of its kinds.

    Camera and board where they were, or one of them moved.
    """
    found, freedom = list[tuple[Update, Array, int]](), noise_freedom(old)
    for prior in PRIORS[what]:
        for size, moved in _beside(mount):
            found.append((*_read(old, problem, moved, prior), size))
    best, terms, free = max(found, key=lambda one: one[0].evidence)
    covers = is_noise(best.misfit, best.count - free, freedom, free)
    total = scipy.special.logsumexp([one.evidence for one, *_ in found]) - np.log(len(PRIORS[what]))
    return Change(what, float(total) + RARE, covers, terms)


def _beside(mount: Array) -> Iterator[tuple[int, tuple[Array, Array]]]:
    """Yield what may have moved beside: numbers that explains, covariances of camera and board."""
    still, moved = np.zeros((6, 6)), spread(BESIDE_MM)
    yield from ((6, (still, mount)), (12, (moved, mount)), (12, (still, moved + mount)))


def _read(
    old: Result, problem: Problem, moved: tuple[Array, Array], prior: Mapping[int, float]
) -> tuple[Update, Array]:
    """Return the update where terms changed, by standard deviations ``prior``, and all terms (16,).

    ``moved``: covariances of what camera and board moved by. The images are read with the pitch,
    focal length and centre found, until these stand still.
    """
    arm = old.systematic.arm
    variances, applied = _variances(old, prior), np.zeros(len(NAMES))
    again = np.isin(np.arange(len(NAMES)), [one for one in prior if one in READ_WITH])
    for left in reversed(range(READINGS)):
        found = updated(old, _seen(old, problem), *moved, changed=variances)
        terms = old.systematic.value[arm:] + found.now[12 + arm :]
        step = np.where(again, terms, 0.0)
        most = float(np.abs(step[[SCALE, FOCAL]]).max())
        if not (SETTLED <= most <= FARTHEST and left):
            break
        problem = with_pitch(problem, float(np.log1p(step[SCALE])))
        lens = np.array([np.log1p(step[FOCAL]), 0.0, *step[CENTRES], *np.zeros(4)])
        problem = replace(problem, camera=with_lens(problem.camera, lens))
        applied = applied + step
        value = old.systematic.value.copy()
        value[arm:] -= step
        old = replace(old, systematic=replace(old.systematic, value=value))
    return found, applied + terms


def _seen(old: Result, problem: Problem) -> Seen:
    seen = seen_stations(old, problem)
    if seen is None:
        raise SolveError("no new station shows the board")
    return seen


def with_every_term(old: Result) -> Result:
    """Return a result that knows of every term of lens and board; those it had not are exact."""
    known, arm = old.systematic, old.systematic.arm
    index = np.array([*range(arm), *(arm + NAMES.index(name) for name in known.names[arm:])], int)
    size = arm + len(NAMES)
    each = np.zeros((3, size))
    each[:, index] = known.value, known.sd, known.prior_sd
    every = replace(
        known, names=(*known.names[:arm], *NAMES), units=(*known.units[:arm], *UNITS),
        value=each[0], sd=each[1], prior_sd=each[2],
    )  # fmt: skip
    covariance = np.zeros((12 + size, 12 + size))
    place = np.concatenate([np.arange(12), 12 + index])
    covariance[np.ix_(place, place)] = old.full_covariance
    return replace(old, systematic=every, full_covariance=covariance)


def open_to_another_lens(old: Result, problem: Problem) -> Result:
    """Return `with_every_term`, and in the model of a pick what each term does to a part.

    Of a cell whose parts are located by the same lens; where a term was exact, nothing made up for
    it.
    """
    every, pick = with_every_term(old), old.pick
    if pick is None:
        return every
    arm, names, R = old.systematic.arm, old.systematic.names, old.geometric[:3, :3]
    off = np.zeros((*pick.off.shape[:2], len(every.systematic.names)))
    if not problem.by_depth:
        terms = terms_of(problem).only(NAMES)
        off[..., arm:] = R @ terms.located(pick.lever @ R, lens_of(problem.camera))
    known = [*range(arm), *(arm + NAMES.index(name) for name in names[arm:])]
    rigid = np.zeros((6, off.shape[2]))
    off[..., known], rigid[:, known] = pick.off, pick.rigid
    return replace(every, pick=replace(pick, off=off, rigid=rigid))


def focused_anew(old: Result) -> list[Array]:
    """Return prior variances (p,) of a lens focused anew, by much and by little.

    ``old`` knows of every term.
    """
    return [share**2 * _variances(old, REFOCUSED) for share in FOCUSED_BY]


def _variances(old: Result, prior: Mapping[int, float]) -> Array:
    """Return prior variances (p,) where terms have the standard deviations ``prior``."""
    variances = np.zeros(len(old.systematic.value))
    variances[old.systematic.arm + np.array(list(prior))] = np.square(list(prior.values()))
    return variances


def told_changed(found: Change) -> Finding:
    """Return that lens or board is another than it was, and by how much."""
    if found.what != "another-board":
        px = float(np.linalg.norm(found.terms[CENTRES]))
        return finding("lens-changed", percent=100.0 * float(found.terms[FOCAL]), centre_px=px)
    bow = float(np.abs(found.terms[BOWS]).max())
    return finding("board-changed", percent=100.0 * float(found.terms[SCALE]), bow_mm=bow)


IN_WORDS: dict[What, str] = {
    "lens": "the lens was exchanged or focused anew",
    "centre": "the lens sits elsewhere in the camera",
    "another-board": "it is another board, or bent",
}


def in_words(found: Sequence[Change]) -> str:
    """Return what may be another than it was, in words."""
    return ", or ".join(IN_WORDS[one.what] for one in found)
