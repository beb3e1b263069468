"""What a slow drift may do unseen: said beside the budget, by the data alone, and not in U."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from simulated_sessions import Case, simulated

from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND, Mount
from engine.estimate.assemble import assembled, estimated
from engine.estimate.drift import OF, drift_share, hidden_drift
from engine.estimate.problem import Problem
from engine.estimate.solver import fitted
from engine.frames import displaced, displacement


def session(mount: Mount = EYE_TO_HAND, stations: int = 10, seed: int = 3) -> Problem:
    return simulated(Case(mount, stations=stations), np.random.default_rng(seed)).problem


@pytest.mark.parametrize("mount", [EYE_TO_HAND, EYE_IN_HAND])
def test_what_a_drift_hides_is_what_the_larger_normal_matrix_says(mount: Mount) -> None:
    found = fitted(session(mount))
    assert found is not None
    pick = assembled(found).pick
    assert pick is not None
    H, V = found.system.rows, found.system.covariance(found.fit.noise)
    k, sizes = H.shape[2], []
    for part in OF.values():
        D = (drift_share(len(H)) - 1.0)[:, None, None] * H[:, :, part]
        rows = np.concatenate([H, D], axis=2)
        N = np.einsum("nij,nik->jk", rows, np.linalg.solve(V, rows))
        told = np.einsum("nij,nik->jk", H, np.linalg.solve(V, H))
        N[:k, :k] += np.linalg.inv(found.fit.covariance) - told  # priors
        more = np.linalg.inv(N)[:k, :k] - found.fit.covariance
        parts = pick.parts({"drift": more}, found.fit.covariance, found.fit.state.errors)
        sizes.append(parts["drift"])
    assert hidden_drift(found, pick) == pytest.approx(np.sqrt(max(sizes)), rel=1e-4)


def test_a_camera_that_drifts_unseen_leaves_picks_off_by_what_is_said() -> None:
    """Drifts drawn as the data leave them open: RMS of what they do to the result at its end."""
    problem = session(stations=12)
    found = fitted(problem)
    assert found is not None
    still = assembled(found)
    assert still.pick is not None
    assert still.budget is not None
    D = (drift_share(12) - 1.0)[:, None, None] * found.system.rows[:, :, :6]
    solved = np.linalg.solve(found.system.covariance(found.fit.noise), D)
    told = np.einsum("nik,nij->kj", found.system.rows, solved)
    S = np.einsum("nik,nij->kj", D, solved) - told.T @ found.fit.covariance @ told
    rng, off = np.random.default_rng(1), []
    for d in rng.multivariate_normal(np.zeros(6), np.linalg.inv(S), 40):
        seen = []
        for t, item in zip(drift_share(12) - 1.0, problem.observations, strict=True):
            moved = displaced(still.geometric, t * d) @ np.linalg.inv(still.geometric)
            # the image was taken by a camera at rest: of one that moved, the flange stood elsewhere
            seen.append(replace(item, base_T_flange=moved @ item.base_T_flange))
        drifted = estimated(replace(problem, observations=tuple(seen)))
        shift = displacement(drifted.camera, still.camera)  # at the end the camera is where it was
        off.append((still.pick.moved[still.pick.corner] @ shift) ** 2)
    rms = np.sqrt(np.array(off).sum(axis=2).mean(axis=0).max())
    assert rms == pytest.approx(still.budget.drift_mm, rel=0.3)


def test_a_closing_stop_shows_more_of_a_drift_and_is_named() -> None:
    problem = session()
    first = replace(problem.observations[0], id=99, closing=True)
    closed = replace(problem, observations=(*problem.observations, first))
    without, with_ = estimated(problem).budget, estimated(closed).budget
    assert without is not None
    assert with_ is not None
    assert with_.drift_mm is not None
    assert without.drift_mm is not None
    assert with_.drift_mm < 0.85 * without.drift_mm
    assert "without a closing stop" in without.stored().drift_words()
    assert "with the closing stop" in with_.stored().drift_words()


def test_drift_is_not_in_u() -> None:
    made, found = estimated(session()).budget, estimated(session()).uncertainty.pick_mm
    assert made is not None
    assert found is not None
    assert made.drift_mm is not None
    assert made.stored().total_mm * made.coverage * made.corners / 2 == pytest.approx(
        found, rel=1e-3
    )
    size = f"up to {made.coverage * made.drift_mm:.2g} mm of it at a pick"
    assert size in made.stored().drift_words()
