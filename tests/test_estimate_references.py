"""The estimate against general-purpose libraries on the same input."""

from __future__ import annotations

import numpy as np
import pytest
from joint_least_squares import Everything, known_noise_fit
from opencv_closed_forms import HAND_EYE, ROBOT_WORLD, closed_form
from simulated_sessions import Case, simulated

from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND
from engine.estimate.gather import gather
from engine.estimate.problem import predicted_view
from engine.estimate.solver import fitted
from engine.frames import displacement

MOUNTS = [EYE_TO_HAND, EYE_IN_HAND]


@pytest.mark.parametrize("mount", MOUNTS)
def test_the_fit_is_the_minimum_that_scipy_finds_with_all_unknowns(mount: str) -> None:
    """External check: scipy.optimize.least_squares on all pixels and 12 + 6 n unknowns."""
    truth = simulated(Case(mount, stations=10), np.random.default_rng(4))
    everything = Everything(truth)
    camera, _ = everything.solved()
    found = known_noise_fit(truth, everything)
    sd = np.sqrt(np.diag(found.covariance)[:6])
    assert (np.abs(displacement(found.state.camera, camera)) < 0.05 * sd).all()


@pytest.mark.parametrize("mount", MOUNTS)
def test_the_covariance_is_the_inverse_of_scipys_normal_matrix(mount: str) -> None:
    """External check: (JᵀJ)⁻¹ of the whole problem, solved densely by NumPy."""
    truth = simulated(Case(mount, stations=8), np.random.default_rng(5))
    everything = Everything(truth)
    found = known_noise_fit(truth, everything)
    everything.camera, everything.board = found.state.camera, found.state.board
    J = everything.jacobian(np.zeros(12 + 6 * everything.n)).toarray()
    scale = 1.0 / np.sqrt((J**2).sum(axis=0))
    whole = np.linalg.inv((J * scale).T @ (J * scale)) * np.outer(scale, scale)
    sd = np.sqrt(np.diag(whole)[:12])
    np.testing.assert_allclose(
        found.covariance / np.outer(sd, sd), whole[:12, :12] / np.outer(sd, sd), atol=0.02
    )


@pytest.mark.parametrize("mount", MOUNTS)
@pytest.mark.parametrize("name", [*HAND_EYE, *ROBOT_WORLD])
def test_exact_data_give_what_opencv_gives(mount: str, name: str) -> None:
    """External check: calibrateHandEye and calibrateRobotWorldHandEye of opencv-python-headless."""
    case = Case(mount, pixel_px=1e-4, angle_deg=1e-7, position_mm=1e-6)
    truth = simulated(case, np.random.default_rng(6))
    gathered = gather(truth.problem)
    # Poses as typed are rounded, and the views follow the typed poses only to within that.
    views = predicted_view(mount, truth.camera, gathered.typed, truth.board)
    off = displacement(closed_form(name, mount, gathered.typed, views), truth.camera)
    np.testing.assert_allclose(off[:3], 0, atol=1e-5)
    np.testing.assert_allclose(off[3:], 0, atol=1e-2)


@pytest.mark.parametrize("mount", MOUNTS)
def test_noisy_data_are_solved_better_than_by_any_closed_form(mount: str) -> None:
    """External check: RMS rotation error against OpenCV's seven closed forms, 25 sessions."""
    ours, theirs = [], {name: [] for name in (*HAND_EYE, *ROBOT_WORLD)}
    for seed in range(25):
        truth = simulated(Case(mount, "reference"), np.random.default_rng([seed, 7]))
        found = fitted(truth.problem)
        ours.append(displacement(found.fit.state.camera, truth.camera)[:3])
        views = found.gathered.candidates.pose[:, 0]
        for name, errors in theirs.items():
            camera = closed_form(name, mount, found.stations.typed, views)
            errors.append(displacement(camera, truth.camera)[:3])
    best = min(np.sqrt(np.nanmean(np.square(errors))) for errors in theirs.values())
    assert np.sqrt(np.mean(np.square(ours))) < 0.95 * best
