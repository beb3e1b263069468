"""Something moved during the session: two blocks of stations that fit alone, not together."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..cell.cell import EYE_TO_HAND
from ..estimate.fit import State, fit
from ..estimate.gather import closed_form, squared_deviation
from ..estimate.problem import absurd, implied_flange, related
from ..findings import Finding, finding
from ..frames import displaced, inverse, mean_rotation, rotation_angle, transform
from .causes import Cause, evidence, texts_of
from .scene import Scene, side_columns, split_places
from .whole import applied

SPLIT_SHARE = -4.0  # log of how common a move is among sessions, common practice, no source
MOVE_RAD, MOVE_MM = 0.3, 100.0  # prior standard deviation of a move: a knock or another tool
_SD = np.array([MOVE_RAD] * 3 + [MOVE_MM] * 3)
COARSE = 16  # places of a long session that are tried first; then every one around the best
FITTED = 3  # best places that are fitted in full
CODES = {  # by mount and side: code and variant
    (True, "flange"): ("board-moved", None),
    (True, "base"): ("camera-moved", None),
    (False, "flange"): ("camera-moved", "on-flange"),
    (False, "base"): ("board-moved", "in-cell"),
}


@dataclass(frozen=True, slots=True, eq=False)
class Split:
    """A start of one split at row ``place``: ``typed`` with the smaller block put right.

    ``moved`` (n,) marks that block; ``camera`` and ``board`` hold for the other one. ``score`` says
    how badly all of it fits.
    """

    side: str
    place: int
    typed: Array
    moved: NDArray[np.bool_]
    camera: Array
    board: Array
    score: float


def split_causes(scene: Scene) -> list[Cause]:
    """Return the likeliest places and sides of a move."""
    places = split_places(len(scene.ids))
    step = max(1, len(places) // COARSE)
    starts = [start for place in places[::step] for start in _starts(scene, int(place))]
    if step > 1 and starts:
        best = min(starts, key=lambda start: start.score).place
        near = places[(np.abs(places - best) < step) & (places != best)]
        starts += [start for place in near for start in _starts(scene, int(place))]
    starts.sort(key=lambda start: start.score)
    causes = [_cause(scene, start, 2 * len(places)) for start in starts[:FITTED]]
    return [cause for cause in causes if cause is not None]


def _starts(scene: Scene, place: int) -> list[Split]:
    """Return both sides' starts: transforms from the larger block, the move from the other."""
    mount, n = scene.stations.mount, len(scene.ids)
    later = np.arange(n) >= place
    alone = later if n - place > place else ~later
    if alone.sum() < 3:
        return []
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
        found.append(Split(side, place, moved, ~alone, camera, board, score))
    return found


def _cause(scene: Scene, start: Split, count: int) -> Cause | None:
    """Return the cause from a fit with the move as six more unknowns; None if it fits nothing."""
    found = scene.found
    p = len(found.stations.systematic_sd)
    columns = side_columns(start.typed)[start.side] * start.moved[:, None, None]
    stations = replace(
        found.stations,
        typed=start.typed,
        systematic=np.concatenate([found.stations.systematic, columns], axis=2),
        systematic_sd=np.concatenate([found.stations.systematic_sd, _SD]),
    )
    errors = np.zeros(p + 6 + len(stations.terms_sd))
    state = State(start.camera, start.board, errors)
    everyone = np.ones(len(scene.ids), bool)
    ended = fit(stations, state, found.prior)
    if absurd(ended.noise, found.prior):
        return None
    weight = evidence(stations, everyone, ended, found.prior)
    weight += SPLIT_SHARE - float(np.log(max(count, 1)))
    typed = displaced(start.typed, columns @ ended.state.errors[p : p + 6])
    problem = applied(found.problem, scene.ids, typed)
    described = _finding(scene, start, typed, ended.state)
    return Cause(weight, (described,), problem, texts_of(scene), last=True)


def _finding(scene: Scene, start: Split, typed: Array, state: State) -> Finding:
    """Return the finding: how far the thing sits from where it sat before."""
    fixed = scene.stations.mount == EYE_TO_HAND
    old = scene.stations.typed
    row = int(np.flatnonzero(start.moved)[0])
    if start.side == "flange":
        move, thing = inverse(old[row]) @ typed[row], state.board if fixed else state.camera
    else:
        move, thing = old[row] @ inverse(typed[row]), state.camera if fixed else state.board
    moved = move @ thing
    code, variant = CODES[fixed, start.side]
    return finding(
        code,
        variant,
        station=scene.ids[start.place],
        distance_mm=np.linalg.norm(moved[:3, 3] - thing[:3, 3]),
        angle_deg=np.degrees(rotation_angle(moved[:3, :3] @ thing[:3, :3].T)),
    )
