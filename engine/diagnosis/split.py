"""Something moved during the session: at once between two stations, or slowly from first to last.

After a knock two blocks of stations fit alone, not together; after two knocks, of one thing or of
two, three blocks. A drift is taken as linear in time, and the stations as evenly spread over it; a
closing stop at the first pose shows it best.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..cell.mount import EYE_TO_HAND
from ..estimate.drift import drift_share
from ..estimate.fit import Fit, State, Stations, fit
from ..estimate.problem import NoisePrior, absurd, implied_flange, related
from ..estimate.solver import hopeless, left_out
from ..estimate.start import closed_form, squared_deviation
from ..frames import displaced, inverse, mean_rotation, transform
from .causes import Cause, evidence, texts_of, with_errors
from .likeliest import SURE, least_weight
from .moved import CODES, Fitted, Split, likely_places, moved_findings
from .scene import (
    LEAST_BLOCK,
    LEAST_DRIFT,
    Scene,
    focal_views,
    side_columns,
    split_chance,
    split_places,
    split_tests,
)
from .whole import applied

SPLIT_SHARE = -4.0  # log of how common a move is among sessions, common practice, no source
DRIFT_SHARE = -5.0  # the same of a drift
# Prior standard deviations [rad, mm] of a move, equally common: something that gives a little, a
# knock, another tool or frame. Common practice, no source.
SIZES = ((0.003, 0.6), (0.03, 6.0), (0.3, 100.0))
DRIFTS = SIZES[:2]
# Log of how common it is that a camera which moved was focused anew, and by what part of the focal
# length (standard deviation). Common practice, no source.
FOCUS_SHARE, FOCUS_SD = -1.0, 0.01
LEAST_FOCUS = 0.001  # [-] as much is off in usual lens data: less is no other focus
COARSE, FINER = 16, 4  # places that are tried first; then between the best and its neighbours
FITTED = 3  # best places that are fitted in full
PAIRED = 48  # starts at most, the best, beside whose place a second one is looked for
SETTLING = 3  # times that places are moved to where the fit says; mostly they stand at once
# Stations that are left at least; squared size of six numbers that one good station in 20 exceeds:
# from there on it is tried without it, and the evidence decides.
LEAST_LEFT, TRIED_SIZE = 5, 12.6
TOLD = 0.05  # [-] chance of its test from which on a small move is no longer likelier than none


def split_causes(scene: Scene) -> list[Cause]:
    """Return the likeliest places and sides of a move, two moves, and a drift of either side."""
    tried = _everywhere(scene)
    most = hopeless(scene.found.problem, scene.found.gathered)
    starts = [start for some in tried.values() for start in _better(some) if start.score < most]
    share = SPLIT_SHARE - float(np.log(max(2 * len(split_places(len(scene.ids))), 1)))
    starts = [*sorted(starts, key=_score)[:FITTED], *small_moves(scene)]
    fits = [_fitted(scene, start, share, SIZES) for start in starts]
    found = sorted((one for one in fits if one is not None), key=lambda one: -one.weight)
    if found:
        found[0] = _settled(scene, found[0], share)
        found += _refocused(scene, found, share)
        found += _twice(scene, tried, found[0], share)
    drifts = [_fitted(scene, start, DRIFT_SHARE, DRIFTS) for start in _drifts(scene)]
    return [_cause(scene, one) for one in (*found, *drifts) if one is not None]


def _score(start: Split) -> float:
    return start.score


def _everywhere(scene: Scene) -> dict[int, list[Split]]:
    """Return the starts at places all over the session, and at every one around the best.

    In a long session the best of some is looked for, then of those between its neighbours.
    """
    places = np.arange(LEAST_BLOCK, len(scene.ids) - LEAST_BLOCK + 1)
    step, starts = max(1, len(places) // COARSE), dict[int, list[Split]]()
    near = places[::step]
    while len(near):
        starts |= {int(place): _starts(scene, int(place)) for place in near}
        flat = [start for some in starts.values() for start in some]
        if step == 1 or not flat:
            break
        best = min(flat, key=_score).places[0]
        around = places[np.abs(places - best) < step]
        step = max(1, step // FINER)
        near = np.array([k for k in around if (k - best) % step == 0 and k not in starts], int)
    return starts


def small_moves(scene: Scene) -> list[Split]:
    """Return a move of either side where its test says, from where the fit is.

    One about as large as the stops scatter is not seen in what closed forms make of two blocks.
    """
    n, places = len(scene.ids), split_places(len(scene.ids))
    if absurd(scene.found.fit.noise, scene.found.prior) or not len(places):
        return []
    strongest = {side: T[:-1] for side, T in split_tests(scene).items()}
    best = {
        side: places[int(T.argmax())]
        for side, T in strongest.items()
        if split_chance(scene, T) < TOLD
    }
    return [
        _at_the_fit(scene, side, (int(place),), _steps(n, [place], earlier=False))
        for side, place in best.items()
    ]


def _drifts(scene: Scene) -> list[Split]:
    """Return a drift of either side, from where the fit is."""
    if len(scene.ids) < LEAST_DRIFT:
        return []
    grown = drift_share(len(scene.ids))[:, None]
    return [_at_the_fit(scene, side, (), grown) for side in ("flange", "base")]


def _at_the_fit(scene: Scene, side: str, places: tuple[int, ...], moved: Array) -> Split:
    """Return the start of a move that is still to be found: all as in the fit."""
    stations, state = scene.stations, scene.found.fit.state
    still = _still(stations)
    return Split(
        (side,), places, stations.typed, still, still, moved, state.camera, state.board, 0.0
    )


def _still(stations: Stations) -> Array:
    """Return what puts no pose right (n, 4, 4)."""
    return np.broadcast_to(np.eye(4), stations.typed.shape)


def _starts(scene: Scene, place: int) -> list[Split]:
    """Return starts of both sides: transforms from one block or the other, the move from the rest.

    One bad station spoils what is taken from its own block.
    """
    later = np.arange(len(scene.ids)) >= place
    blocks = [alone for alone in (later, ~later) if alone.sum() >= 3]
    return [start for alone in blocks for start in _from_block(scene, place, alone)]


def _better(starts: Sequence[Split]) -> list[Split]:
    """Return of the starts at one place the better one of each side."""
    by_side = [[s for s in starts if s.sides == (side,)] for side in ("flange", "base")]
    return [min(found, key=_score) for found in by_side if found]


def _from_block(scene: Scene, place: int, alone: NDArray[np.bool_]) -> list[Split]:
    """Return both sides' starts with the transforms of the stations ``alone`` (n,)."""
    typed, moved = scene.stations.typed, (~alone).astype(float)[:, None]
    camera, board = closed_form(
        scene.stations.mount, typed[alone], scene.views[alone], scene.found.gathered.board
    )
    still = _still(scene.stations)
    starts = [
        Split((side,), (place,), typed, still, still, moved, camera, board, 0.0)
        for side in ("flange", "base")
    ]
    implied = _implied(scene, starts[0])
    return [_moved(scene, start, implied) for start in starts]


def _implied(scene: Scene, start: Split) -> Array:
    """Return the flange poses (n, 4, 4) that the images give with camera and board of a start."""
    return implied_flange(scene.stations.mount, start.camera, scene.views, start.board)


def _moved(scene: Scene, start: Split, implied: Array) -> Split:
    """Return the start with each block that moved put as a whole to where it fits best.

    Outwards from the block that did not: what moved there has not moved back. ``implied``
    (n, 4, 4): see `_implied`.
    """
    mount, old = scene.stations.mount, start.old
    base, flange, blocks = (
        np.array(_still(scene.stations)),
        np.array(_still(scene.stations)),
        start.blocks(),
    )
    outwards = zip(blocks[1:], start.sides, strict=True)
    if start.moved[0, 0]:
        outwards = zip(blocks[-2::-1], start.sides[::-1], strict=True)
    by_base, by_flange = np.eye(4), np.eye(4)
    for rows, side in outwards:
        if side == "flange":
            by_flange = _mean(inverse(by_base @ old[rows]) @ implied[rows])
        else:
            by_base = _mean(implied[rows] @ inverse(old[rows] @ by_flange))
        base[rows], flange[rows] = by_base, by_flange
    start = replace(start, base=base, flange=flange)
    centre = scene.found.gathered.board.points().mean(axis=0)
    seen = related(mount, start.typed) @ start.board
    off = squared_deviation(start.camera @ scene.views, seen, centre)
    return replace(start, score=float(np.log1p(off).sum()))


def _mean(T: Array) -> Array:
    return transform(mean_rotation(T[:, :3, :3]), T[:, :3, 3].mean(axis=0))


def _settled(scene: Scene, found: Fitted, share: float) -> Fitted:
    """Return the split at the places to which its own fit points, while that is heavier."""
    for _ in range(SETTLING):
        count = range(len(found.start.places))
        places = tuple(likely_places(scene, found, k)[1] for k in count)
        if places == found.start.places or min(np.diff(places), default=LEAST_BLOCK) < LEAST_BLOCK:
            break
        state, moved = found.state, _steps(len(scene.ids), places, found.start.moved[0].any())
        start = replace(found.start, places=places, moved=moved)
        start = replace(start, camera=state.camera, board=state.board)
        start = _moved(scene, start, _implied(scene, start))
        again = _fitted(scene, start, share, SIZES)
        if again is None or again.weight <= found.weight:
            break
        found = again
    return found


def _steps(n: int, places: Sequence[int], earlier: bool) -> Array:
    """Return in which of ``n`` stations the moves at ``places`` show, (n, moves).

    In those after them, or ``earlier``: in those before.
    """
    later = np.arange(n)[:, None] >= np.array(places)
    return (~later if earlier else later).astype(float)


def _twice(scene: Scene, tried: dict[int, list[Split]], once: Fitted, share: float) -> list[Fitted]:
    """Return two moves, of the same thing or of both, where they are clearly likelier than one.

    Not where one is no better than the session as declared: two are looked for once one is there.
    """
    beyond = absurd(scene.found.fit.noise, scene.found.prior)
    if once.weight < least_weight(scene) and not beyond:
        return []
    starts = sorted((one for some in tried.values() for one in some), key=_score)[:PAIRED]
    pairs = [pair for start in starts for pair in _again(scene, start, [*tried])]
    twice = 2.0 * share + float(np.log(2.0))  # either of them may be the first
    alike = [[p for p in pairs if (len(set(p.sides)) == 1) is same] for same in (True, False)]
    fits = [_fitted(scene, min(some, key=_score), twice, SIZES) for some in alike if some]
    found = [_settled(scene, one, twice) for one in fits if one is not None]
    return [one for one in found if one.weight > once.weight + SURE]


def _refocused(scene: Scene, found: Sequence[Fitted], share: float) -> list[Fitted]:
    """Return the camera focused anew where it would have moved, where that is clearly likelier."""
    fixed = scene.stations.mount == EYE_TO_HAND
    moved = next((f for f in found if CODES[fixed, f.start.sides[0]][0] == "camera-moved"), None)
    if moved is None or not scene.stations.dof.all():  # of a reported pose no lens tells anything
        return []
    start = replace(moved.start, camera=moved.state.camera, board=moved.state.board)
    anew = _fitted(scene, start, share + FOCUS_SHARE, SIZES, focus=True)
    if anew is None or abs(anew.longer) < LEAST_FOCUS:
        return []
    return [anew] if anew.weight > found[0].weight + SURE else []


def _focus_column(scene: Scene) -> Array:
    """Return how a focal length that is longer by all of itself puts the flange off (n, 6, 1)."""
    views, focal = focal_views(scene, np.arange(len(scene.ids)))
    column = views.by_terms[:, :, focal, None]
    return np.asarray(np.linalg.solve(scene.system.by_flange, column), float)


def _again(scene: Scene, start: Split, places: Sequence[int]) -> list[Split]:
    """Return the starts with a second move at one of ``places`` among the stations moved."""
    earlier, (first,), (side,) = bool(start.moved[0, 0]), start.places, start.sides
    found, implied = [], _implied(scene, start)
    for other in places:
        if (other < first) != earlier or abs(other - first) < LEAST_BLOCK:
            continue
        both = (min(first, other), max(first, other))
        moved = _steps(len(scene.ids), both, earlier)
        for too in ("flange", "base"):
            sides = (too, side) if earlier else (side, too)
            two = replace(start, sides=sides, places=both, moved=moved)
            found.append(_moved(scene, two, implied))
    return found


def _fitted(
    scene: Scene,
    start: Split,
    share: float,
    sizes: Sequence[tuple[float, float]],
    *,
    focus: bool = False,
) -> Fitted | None:
    """Return the fit with the moves as six more unknowns each; None if it fits nothing.

    The likeliest of the ``sizes`` is their prior. ``focus``: and another focal length since.
    """
    found, moves, typed = scene.found, len(start.sides), start.typed
    p, by_side = len(found.stations.systematic_sd), side_columns(typed)
    each = zip(start.sides, start.moved.T, strict=True)
    columns = np.concatenate([by_side[side] * part[:, None, None] for side, part in each], axis=2)
    if focus:
        zoom = _focus_column(scene)
        later = _steps(len(typed), start.places, earlier=False)[..., None]
        columns = np.concatenate([columns, later * zoom], axis=2)
    errors = np.zeros(p + columns.shape[2] + len(found.stations.terms_sd))
    state = State(start.camera, start.board, errors)
    used = np.ones(len(scene.ids), bool)
    tried, noise = [], None
    for size in sizes:
        sd = np.concatenate([np.tile(np.repeat(size, 3), moves), [FOCUS_SD] * focus])
        stations = with_errors(found.stations, columns, sd)
        stations = replace(stations, typed=typed)
        ended = fit(stations, state, found.prior, noise=noise)
        tried.append((evidence(stations, used, ended, found.prior), stations, ended))
        state, noise = ended.state, ended.noise
    weight, stations, ended = max(tried, key=lambda item: item[0])
    weight, ended, used = _without_bad(stations, weight, ended, found.prior)
    if absurd(ended.noise, found.prior):
        return None
    weight += share - float(np.log(len(sizes)))
    of_moves = slice(p, p + columns.shape[2])
    moved, longer = np.split(ended.state.errors[of_moves], [6 * moves])
    right = _further(start, moved.reshape(moves, 6))
    plain = replace(ended.state, errors=np.delete(ended.state.errors, of_moves))
    zoomed = zoom @ longer if focus else np.zeros((len(typed), 6))
    return Fitted(right, weight, plain, ended, used, zoomed, float(longer.sum()))


def _further(start: Split, moves: Array) -> Split:
    """Return the start with further ``moves`` (moves, 6) as `side_columns` has them."""
    base, flange, middle = start.base, start.flange, start.typed[:, :3, 3].mean(axis=0)
    for side, part, move in zip(start.sides, start.moved.T, moves, strict=True):
        by = displaced(np.eye(4), part[:, None] * move)
        if side == "flange":
            flange = flange @ by
        else:
            about = middle - by[:, :3, :3] @ middle
            base = transform(by[:, :3, :3], by[:, :3, 3] + about) @ base
    return replace(start, base=base, flange=flange)


def _cause(scene: Scene, found: Fitted) -> Cause:
    """Return the split as a cause."""
    start, typed = found.start, found.typed
    if not found.used[start.moved.any(axis=1)].all():
        typed = _of_the_other(found)
    problem = applied(scene.found.problem, scene.ids, typed)
    return Cause(found.weight, moved_findings(scene, found), problem, texts_of(scene))


def _without_bad(
    stations: Stations, weight: float, ended: Fit, prior: NoisePrior
) -> tuple[float, Fit, NDArray[np.bool_]]:
    """Return weight, fit and which stations (n,) are in it: not those that do not fit beside it.

    One bad station among them would carry the move with it, and what is left of that would be told
    as a second one. A station that is left out is no cause: it is looked at in the next round.
    """
    used = np.ones(len(stations.typed), bool)
    while used.sum() > LEAST_LEFT:
        test = left_out(stations, ended, used.astype(float))
        row = int(np.argmax(np.where(used, test.squared_size, 0.0)))
        if test.squared_size[row] < TRIED_SIZE:
            break
        fewer = used.copy()
        fewer[row] = False
        without = fit(stations.take(fewer), ended.state, prior, noise=ended.noise)
        heavier = evidence(stations, fewer, without, prior)
        if heavier <= weight:
            break
        used, weight, ended = fewer, heavier, without
    return weight, ended, used


def _of_the_other(found: Fitted) -> Array:
    """Return the poses (n, 4, 4) all put to where a bad station is.

    Which then keeps the pose that was typed, and its wrong field can be looked for.
    """
    start, row = found.start, int(np.argmin(found.used))
    return np.asarray(inverse(start.base[row]) @ start.typed @ inverse(start.flange[row]))
