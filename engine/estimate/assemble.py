"""From a fit to the result that is shown, stored and judged."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..camera.lens import Terms
from ..cell.result import Convergence, StationResult, Uncertainty
from .budget import Budget, budget
from .fit import NOT_KNOWN_MM, NOT_KNOWN_RAD, Fit
from .knock import Knock, hidden_knock
from .noticed import not_solved, noticed
from .pick import PickModel, pick_model
from .problem import Problem, derivatives
from .result import Result, SystematicErrors, judged
from .ripple import ripple, turning
from .solver import Solution, fitted, without_ties
from .systematic import Systematic, typed_joints

LEAST_SHARE = 0.01  # [-] of u² of a pick: what adds less is not told, and left out


def estimated(problem: Problem) -> Result:
    """Return the estimate of ``problem``, with findings and verdict; see docs/method.md.

    Never fails on data that merely tell too little: what they do not tell is None in the document,
    and a finding says why. Raises StationbookError for lens data or a robot that make no sense.
    """
    found = fitted(problem)
    return unsolved(problem) if found is None else assembled(found)


def assembled(found: Solution) -> Result:
    """Return the result of a fit, with what is noticed in it."""
    problem, state = found.problem, found.fit.state
    seen = tuple(problem.observations[i] for i in found.gathered.index[found.used])
    typed, joints = found.stations.typed[found.used], typed_joints(seen)
    model, waves = _as_it_scatters(found), ripple(found) or turning(found)
    pick = pick_model(problem, model, state.camera, typed, joints, waves)
    if not _known(found.fit.covariance[:6, :6]).all():  # it sees the volume from no known place
        pick = replace(pick, rigid=np.zeros_like(pick.rigid))
    whole, knock = found.fit.covariance, None if found.fit.unknown else _knock(found, pick)
    of_pick = whole if knock is None else whole + knock.doubted
    whole = whole if knock is None else whole + knock.added
    pick_mm, angle = pick.pick_mm(of_pick, state.errors), pick.angle_deg(of_pick, state.errors)
    made_of = None if found.fit.unknown else budget(found, of_pick, pick, pick_mm, knock)
    covariance = pick.delivered_covariance(whole)
    result = Result(
        mount=problem.mount,
        tolerance=problem.tolerance,
        camera=pick.delivered(state.camera, state.errors),
        board=state.board,
        covariance=covariance,
        terms_covariance=pick.terms_covariance(whole, len(found.systematic.sd)),
        geometric=state.camera,
        joint_covariance=whole[:12, :12],
        full_covariance=whole,
        known=_known(covariance),
        board_known=_known(whole[6:12, 6:12]),
        uncertainty=_uncertainty(pick, pick_mm, angle, covariance, made_of),
        budget=made_of,
        noise=found.fit.noise,
        stations=_stations(found),
        systematic=_systematic(found.fit, found.systematic, found.gathered.terms),
        convergence=Convergence(
            found.fit.steps, found.relinearised, found.fit.change, found.fit.converged
        ),
        pick=pick,
        findings=(),
        verdict="not-accepted",
        depth=found.gathered.depth,
    )
    tied = found.stations.constraints and not found.fit.unknown
    own = noticed(found, result, pick, without_ties(found) if tied else None)
    return judged(result, own)


def _knock(found: Solution, pick: PickModel) -> Knock | None:
    """Return what a knock that nobody named leaves open; None where that is no part of U to tell.

    So it is in most sessions without one.
    """
    knock, covariance = hidden_knock(found), found.fit.covariance
    parts = {"added": knock.added, "doubted": knock.doubted, "rest": covariance}
    u2 = pick.parts(parts, covariance, found.fit.state.errors)
    least = LEAST_SHARE * u2["rest"]
    if u2["doubted"] <= least:
        return None
    return knock if u2["added"] > least else replace(knock, added=np.zeros_like(covariance))


def _as_it_scatters(found: Solution) -> Systematic:
    """Return the robot's errors; where its geometry is not known, no less than its stops scatter.

    Beyond what repeatability explains: an arm's own errors, which come back at the pick, look so.
    """
    model, noise = found.systematic, found.fit.noise
    if found.problem.robot is not None:
        return model
    beyond = max(3.0 * (noise.position**2 - found.prior.median[2] ** 2), 0.0)
    return replace(model, accuracy_mm=max(model.accuracy_mm, float(np.sqrt(beyond))))


def unsolved(problem: Problem) -> Result:
    """Return the result of a problem without a solution: no number, and why; None: too few."""
    nothing, nowhere = np.full((4, 4), np.nan), np.zeros(4, bool)
    result = Result(
        mount=problem.mount,
        tolerance=problem.tolerance,
        camera=nothing,
        board=nothing,
        covariance=np.full((6, 6), np.nan),
        terms_covariance=np.empty((0, 6)),
        geometric=nothing,
        joint_covariance=np.full((12, 12), np.nan),
        full_covariance=np.full((12, 12), np.nan),
        known=nowhere,
        board_known=nowhere,
        uncertainty=Uncertainty(None, None, None, None),
        noise=None,
        stations=tuple(_unused(seen.id) for seen in problem.observations),
        systematic=SystematicErrors((), (), np.empty(0), np.empty(0), np.empty(0), 1.0, 0),
        convergence=Convergence(0, 0, None, False),
        pick=None,
        budget=None,
        findings=(),
        verdict="not-accepted",
    )
    return judged(result, not_solved(problem))


def _known(covariance: Array) -> NDArray[np.bool_]:
    """Return which of x, y, z and the rotation are known well enough to be given, (4,)."""
    sd = np.sqrt(np.diag(covariance))
    return np.array([*(sd[3:] < NOT_KNOWN_MM), (sd[:3] < NOT_KNOWN_RAD).all()])


def _uncertainty(
    pick: PickModel, pick_mm: float, angle: float, covariance: Array, made_of: Budget | None
) -> Uncertainty:
    """Return u of position, angle, work volume and pick; None for what nobody knows.

    Where few stations tell the noise, each is larger by so much that U = 2u holds 95 %.
    """
    wider = 1.0 if made_of is None else made_of.wider
    sd = np.sqrt(np.diag(covariance))
    position = float(np.linalg.norm(sd[3:]))
    turned, placed = bool((sd[:3] < NOT_KNOWN_RAD).all()), bool((sd[3:] < NOT_KNOWN_MM).all())
    volume = pick.work_volume_mm(covariance)
    known = turned and placed and volume < NOT_KNOWN_MM
    return Uncertainty(
        position_mm=wider * position if placed else None,
        angle_deg=wider * angle if turned else None,
        work_volume_mm=wider * volume if known else None,
        pick_mm=wider * pick_mm if known else None,
    )


def _systematic(found: Fit, model: Systematic, terms: Terms) -> SystematicErrors:
    scale = np.exp(0.5 * found.noise.log_scale)
    return SystematicErrors(
        names=(*model.names, *terms.names),
        units=(*model.units, *terms.units),
        value=found.state.errors,
        sd=np.sqrt(np.diag(found.covariance)[12:]),
        prior_sd=np.concatenate([model.sd * scale[model.of_field.astype(int)], terms.sd]),
        scale=float(scale[0]),
        arm=len(model.sd),
    )


def _stations(found: Solution) -> tuple[StationResult, ...]:
    """Return every observation's part in the result, in their order."""
    off, known = _flange_error(found, found.left_out.residual), found.gathered
    error = np.where(found.used[:, None], found.error, off)  # or the distance from the others' word
    figures = (*_sizes(error), *_sizes(off), np.sqrt(found.left_out.mean_square()))
    mm, deg, off_mm, off_deg, size = (part.tolist() for part in figures)
    pixels = found.pixel_rms().tolist()
    used, turn = found.used.tolist(), found.turn.tolist()
    rows = {place: row for row, place in enumerate(known.index.tolist())}
    return tuple(
        _unused(seen.id)
        if (row := rows.get(place)) is None
        else StationResult(
            id=seen.id,
            used=used[row],
            weight=float(used[row]),
            residual_px=pixels[row] if known.dof[row] and np.isfinite(pixels[row]) else None,
            robot_residual_mm=mm[row],
            robot_residual_deg=deg[row],
            left_out_mm=off_mm[row],
            left_out_deg=off_deg[row],
            left_out_size=size[row],
            turn=known.turns[turn[row]].name if turn[row] else None,
        )
        for place, seen in enumerate(found.problem.observations)
    )


def _sizes(displacements: Array) -> tuple[Array, Array]:
    """Return how far (n,) [mm] and how much turned (n,) [deg] displacements (n, 6) are."""
    turn, shift = displacements[:, :3], displacements[:, 3:]
    return np.linalg.norm(shift, axis=1), np.degrees(np.linalg.norm(turn, axis=1))


def _flange_error(found: Solution, residual: Array) -> Array:
    """Return view residuals (n, 6) as displacements of the flange from the typed poses."""
    state = found.fit.state
    by_flange = derivatives(found.problem.mount, state.camera, found.stations.typed, state.board)[2]
    return np.asarray(np.linalg.solve(by_flange, residual[..., None])[..., 0])


def _unused(station_id: int) -> StationResult:
    return StationResult(station_id, False, 0.0, None, None, None, None, None, None)
