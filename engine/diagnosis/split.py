"""Something moved during the session: at once between two stations, or slowly from first to last.

After a knock two blocks of stations fit alone, not together. A drift is taken as linear in time,
and the stations as evenly spread over it; a closing stop at the first pose shows it best.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..cell.cell import EYE_TO_HAND
from ..estimate.drift import drift_share
from ..estimate.fit import Fit, State, Stations, fit
from ..estimate.problem import NoisePrior, absurd, implied_flange, related
from ..estimate.solver import hopeless, left_out
from ..estimate.start import closed_form, squared_deviation
from ..findings import Finding, finding
from ..frames import displaced, inverse, mean_rotation, rotation_angle, transform
from .causes import Cause, evidence, texts_of, with_errors
from .scene import LEAST_DRIFT, Scene, side_columns, split_places
from .whole import applied

SPLIT_SHARE = -4.0  # log of how common a move is among sessions, common practice, no source
DRIFT_SHARE = -5.0  # the same of a drift
# Prior standard deviations [rad, mm] of a move, equally common: something that gives a little, a
# knock, another tool or frame. Common practice, no source.
SIZES = ((0.003, 0.6), (0.03, 6.0), (0.3, 100.0))
DRIFTS = SIZES[:2]
COARSE = 16  # places of a long session that are tried first; then every one around the best
FITTED = 3  # best places that are fitted in full
# Stations that are left at least; squared size of six numbers that one good station in 20 exceeds:
# from there on it is tried without it, and the evidence decides.
LEAST_LEFT, TRIED_SIZE = 5, 12.6
CODES = {  # by mount and side: code and variant
    (True, "flange"): ("board-moved", None),
    (True, "base"): ("camera-moved", None),
    (False, "flange"): ("camera-moved", "on-flange"),
    (False, "base"): ("board-moved", "in-cell"),
}


@dataclass(frozen=True, slots=True, eq=False)
class Split:
    """A start of one split at row ``place``: ``typed`` with one block put right.

    ``moved`` (n,) is 1 in that block; ``camera`` and ``board`` hold for the other one. ``score``
    says how badly all of it fits. A drift has no place: ``moved`` grows from 0 to 1.
    """

    side: str
    place: int | None
    typed: Array
    moved: Array
    camera: Array
    board: Array
    score: float


def split_causes(scene: Scene) -> list[Cause]:
    """Return the likeliest places and sides of a move, and a drift of either side."""
    places = split_places(len(scene.ids))
    step = max(1, len(places) // COARSE)
    starts = [start for place in places[::step] for start in _starts(scene, int(place))]
    if step > 1 and starts:
        best = min(starts, key=lambda start: start.score).place or 0
        near = places[(np.abs(places - best) < step) & (places != best)]
        starts += [start for place in near for start in _starts(scene, int(place))]
    most = hopeless(scene.found.problem, scene.found.gathered)
    starts = sorted((s for s in starts if s.score < most), key=lambda start: start.score)
    share = SPLIT_SHARE - float(np.log(max(2 * len(places), 1)))
    causes = [_cause(scene, start, share, SIZES) for start in starts[:FITTED]]
    causes += [_cause(scene, start, DRIFT_SHARE, DRIFTS) for start in _drifts(scene)]
    return [cause for cause in causes if cause is not None]


def _drifts(scene: Scene) -> list[Split]:
    """Return a drift of either side, from where the fit is."""
    stations, state = scene.stations, scene.found.fit.state
    if len(scene.ids) < LEAST_DRIFT:
        return []
    grown = drift_share(len(scene.ids))
    return [
        Split(side, None, stations.typed, grown, state.camera, state.board, 0.0)
        for side in ("flange", "base")
    ]


def _starts(scene: Scene, place: int) -> list[Split]:
    """Return both sides' starts: transforms from one block, the move from the other.

    From the block that explains more: one bad station spoils what is taken from its own.
    """
    later = np.arange(len(scene.ids)) >= place
    blocks = [alone for alone in (later, ~later) if alone.sum() >= 3]
    starts = [start for alone in blocks for start in _from_block(scene, place, alone)]
    by_side = [[s for s in starts if s.side == side] for side in ("flange", "base")]
    return [min(found, key=lambda start: start.score) for found in by_side if found]


def _from_block(scene: Scene, place: int, alone: NDArray[np.bool_]) -> list[Split]:
    """Return both sides' starts with the transforms of the stations ``alone`` (n,)."""
    mount = scene.stations.mount
    typed, view, board_data = scene.stations.typed, scene.views, scene.found.gathered.board
    camera, board = closed_form(mount, typed[alone], view[alone], board_data)
    centre = board_data.points().mean(axis=0)
    implied = implied_flange(mount, camera, view, board)
    found = []
    for side in ("flange", "base"):
        each = inverse(typed) @ implied if side == "flange" else implied @ inverse(typed)
        other = each[~alone]
        move = transform(mean_rotation(other[:, :3, :3]), other[:, :3, 3].mean(axis=0))
        moved = typed.copy()
        moved[~alone] = typed[~alone] @ move if side == "flange" else move @ typed[~alone]
        off = squared_deviation(camera @ view, related(mount, moved) @ board, centre)
        score = float(np.log1p(off).sum())
        found.append(Split(side, place, moved, (~alone).astype(float), camera, board, score))
    return found


def _cause(
    scene: Scene, start: Split, share: float, sizes: Sequence[tuple[float, float]]
) -> Cause | None:
    """Return the cause from a fit with the move as six more unknowns; None if it fits nothing.

    The likeliest of the ``sizes`` is its prior.
    """
    found = scene.found
    p = len(found.stations.systematic_sd)
    columns = side_columns(start.typed)[start.side] * start.moved[:, None, None]
    errors = np.zeros(p + 6 + len(found.stations.terms_sd))
    state = State(start.camera, start.board, errors)
    used = np.ones(len(scene.ids), bool)
    tried, noise = [], None
    for size in sizes:
        stations = with_errors(found.stations, columns, np.repeat(size, 3))
        stations = replace(stations, typed=start.typed)
        ended = fit(stations, state, found.prior, noise=noise)
        tried.append((evidence(stations, used, ended, found.prior), stations, ended))
        state, noise = ended.state, ended.noise
    weight, stations, ended = max(tried, key=lambda item: item[0])
    weight, ended, used = _without_bad(stations, weight, ended, found.prior)
    if absurd(ended.noise, found.prior):
        return None
    weight += share - float(np.log(len(sizes)))
    typed = displaced(start.typed, columns @ ended.state.errors[p : p + 6])
    described = _finding(scene, start, typed, ended.state)
    if start.place is not None and not used[start.moved == 1.0].all():
        typed = _of_the_other(start, scene.stations.typed, typed)
    problem = applied(found.problem, scene.ids, typed)
    return Cause(weight, (described,), problem, texts_of(scene))


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


def _of_the_other(start: Split, old: Array, typed: Array) -> Array:
    """Return the poses (n, 4, 4) with the other block put right instead of the moved one.

    A bad station then keeps the pose that was typed, and its wrong field can be looked for.
    """
    row = int(start.moved.argmax())
    if start.side == "flange":
        back = np.asarray(inverse(typed[row]) @ old[row])
        return np.asarray(typed @ back)
    return np.asarray(old[row] @ inverse(typed[row]) @ typed)


def _finding(scene: Scene, start: Split, typed: Array, state: State) -> Finding:
    """Return the finding: how far the thing sits from where it sat before."""
    fixed = scene.stations.mount == EYE_TO_HAND
    old = scene.stations.typed
    row = int(start.moved.argmax())
    if start.side == "flange":
        move, thing = inverse(old[row]) @ typed[row], state.board if fixed else state.camera
    else:
        move, thing = old[row] @ inverse(typed[row]), state.camera if fixed else state.board
    moved = move @ thing
    code, variant = CODES[fixed, start.side]
    return finding(
        code,
        "drift" if start.place is None else variant,
        station=None if start.place is None else scene.ids[start.place],
        distance_mm=np.linalg.norm(moved[:3, 3] - thing[:3, 3]),
        angle_deg=np.degrees(rotation_angle(moved[:3, :3] @ thing[:3, :3].T)),
    )
