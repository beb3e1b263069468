"""One station against all the others: where they say its flange is, and what would explain it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import f as f_distribution

from ..boards.symmetry import HALF_TURN
from ..camera.reprojection import linearised
from ..checks.explain import Explanation, Prediction, explanations, two_fields
from ..estimate.fit import Fit, fit
from ..estimate.model import derivatives, implied_flange
from ..estimate.systematic import flange_errors
from ..frames import Array, displaced, inverse, transform
from .scene import Scene

POSTURES = 8  # stations that tell in which configuration the arm stands
FITS = 1e-4  # [-] a station within its noise is called unexplained this rarely
TURNABLE = ("chessboard", "circles")  # patterns whose grid falls on itself after half a turn


@dataclass(frozen=True, slots=True, eq=False)
class Others:
    """What all other stations say of one: its row, their fit, and the poses its image allows.

    ``limit``: the squared deviation up to which a station belongs to them; ``systematic`` (6, p):
    the flange's displacement per systematic error. The predictions beyond ``plain`` read the
    board's points turned by half a turn.
    """

    row: int
    fit: Fit
    predictions: tuple[Prediction, ...]
    plain: int
    limit: float
    kept: tuple[bool, ...]
    systematic: Array


def others(scene: Scene, row: int) -> Others:
    """Return what the stations used, less ``row``, say of station ``row``."""
    found = scene.found
    mask = scene.used.copy()
    mask[row] = False
    rest = found.fit
    if (mask != scene.used).any():
        start, noise = found.fit.state, found.fit.noise
        rest = fit(found.stations.take(mask), start, found.prior, noise=noise)
    degrees = max(6.0 * float(mask.sum()) - 12.0, 3.0)
    limit = 6.0 * float(f_distribution.isf(FITS, 6, degrees))
    candidates = found.gathered.candidates
    plain = candidates.pose[row][candidates.valid[row] & (candidates.turn[row] == found.turn[row])]
    turned = _half_turned(scene, plain)
    J = _errors_there(scene, rest, mask, plain[0])
    predictions = tuple(predicted(scene, rest, row, view, J) for view in [*plain, *turned])
    return Others(row, rest, predictions, len(plain), limit, tuple(mask), J)


def _errors_there(scene: Scene, rest: Fit, kept: NDArray[np.bool_], view: Array) -> Array:
    """Return the flange's displacement (6, p) per systematic error where the image puts it.

    Where it was typed may be anywhere. The arm stands as at the stations kept.
    """
    found, state = scene.found, rest.state
    if not len(found.stations.systematic_sd):
        return np.empty((6, 0))
    flange = implied_flange(found.problem.mount, state.camera, view, state.board)
    poses = np.concatenate([scene.stations.typed[kept][:POSTURES], flange[None]])
    return np.asarray(flange_errors(found.systematic, poses)[-1])


def _half_turned(scene: Scene, views: Array) -> Array:
    """Return the views with the board's points numbered from the other end, where that can be."""
    board = scene.found.problem.board
    if board.pattern not in TURNABLE or len(scene.found.gathered.turns) > 1:
        return views[:0]
    span = board.points()[-1] - board.points()[0]
    return np.asarray(views @ inverse(transform(np.diag([-1.0, -1.0, 1.0]), span)))


def predicted(scene: Scene, rest: Fit, row: int, view: Array, J: Array) -> Prediction:
    """Return base_T_flange as typed, if the image of ``row`` shows ``view``, and its covariance.

    ``J`` (6, p) is the flange's displacement per systematic error.
    """
    found, state = scene.found, rest.state
    mount = found.problem.mount
    flange = implied_flange(mount, state.camera, view, state.board)
    by_camera, by_board, by_flange = derivatives(mount, state.camera, flange[None], state.board)
    rows = np.concatenate([by_camera[0], by_board[0], by_flange[0] @ J], axis=1)
    seen = found.views.take(np.array([row]))
    information = linearised(seen, found.gathered.candidates.pose[row][:1], found.gathered.lens)
    image = rest.noise.pixel_px**2 * np.linalg.inv(information.information[0])
    back = np.linalg.inv(by_flange[0])
    spread = back @ (image + rows @ rest.covariance @ rows.T) @ back.T
    covariance = spread + rest.noise.robot_covariance()
    return Prediction(displaced(flange, -J @ state.errors), (covariance + covariance.T) / 2)


def deviation(prediction: Prediction, pose: Array) -> float:
    """Return the squared deviation of a typed pose from a prediction (chi-square, 6 degrees)."""
    from ..frames import displacement

    off = displacement(pose, prediction.flange)
    return float(off @ np.linalg.solve(prediction.covariance, off))


def slips_of(scene: Scene, seen: Others) -> list[Explanation]:
    """Return the single slips that bring the station within its noise, the likeliest first."""
    previous = scene.fields[seen.row - 1] if seen.row else None
    plain = seen.predictions[: seen.plain]
    found = explanations(scene.layout, scene.fields[seen.row], plain, previous)
    return [item for item in found if item.size <= seen.limit]


def double_slips_of(scene: Scene, seen: Others) -> list[Explanation]:
    """Return the slips in two fields that bring the station within its noise."""
    plain = seen.predictions[: seen.plain]
    found = two_fields(scene.layout, scene.fields[seen.row], plain)
    return [item for item in found if item.size <= seen.limit]


def half_turn_of(scene: Scene, seen: Others) -> str | None:
    """Return the turn that brings the station within its noise, or None."""
    typed = scene.stations.typed[seen.row]
    turned = seen.predictions[seen.plain :]
    fits = any(deviation(item, typed) <= seen.limit for item in turned)
    return HALF_TURN if fits else None
