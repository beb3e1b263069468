"""The estimate on simulated sessions whose truth is known."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from simulated_sessions import Case, Simulated, simulated

from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND
from engine.estimate import Result, estimated
from engine.frames import displacement
from engine.sessions.results import result_document

MOUNTS = [EYE_TO_HAND, EYE_IN_HAND]


@cache
def session(mount: str = EYE_TO_HAND, seed: int = 0, **case: object) -> Simulated:
    return simulated(Case(mount=mount, **case), np.random.default_rng(seed))


@cache
def result(mount: str = EYE_TO_HAND, seed: int = 0, **case: object) -> Result:
    return estimated(session(mount, seed, **case).problem)


def codes(found: Result) -> list[str]:
    return [item.code for item in found.findings]


@pytest.mark.parametrize("mount", MOUNTS)
def test_a_clean_session_is_solved_within_its_uncertainty(mount: str) -> None:
    truth, found = session(mount), result(mount)
    off = displacement(found.camera, truth.camera)
    assert off @ np.linalg.solve(found.covariance, off) < 22.5  # chi-square, 6 dof, 99.9 %
    assert found.convergence.converged
    assert all(station.used for station in found.stations)
    assert found.verdict == "accepted"
    assert codes(found) == ["not-proven"]


@pytest.mark.parametrize("mount", MOUNTS)
def test_almost_noise_free_data_give_the_truth_back(mount: str) -> None:
    case = {"pixel_px": 0.001, "angle_deg": 1e-5, "position_mm": 1e-4}
    off = displacement(result(mount, **case).camera, session(mount, **case).camera)
    assert np.abs(off[:3]).max() < 2e-5
    assert np.abs(off[3:]).max() < 0.01


@pytest.mark.parametrize("mount", MOUNTS)
def test_document_has_the_promised_keys_and_is_json(mount: str) -> None:
    document = json.loads(json.dumps(result_document(result(mount).stored())))
    camera, board = (
        ("base_T_camera", "flange_T_board")
        if mount == EYE_TO_HAND
        else ("flange_T_camera", "base_T_board")
    )
    first = ["format", "mount", "verdict", camera, board, "covariance", "uncertainty", "proven"]
    assert list(document)[:11] == [*first, "noise", "stations", "findings"]
    assert set(document[camera]) == {"position_mm", "quaternion_xyzw", "matrix"}
    assert document["proven"] is False
    assert set(document["uncertainty"]) == {
        "position_mm",
        "angle_deg",
        "work_volume_mm",
        "pick_mm",
    }
    assert np.shape(document["covariance"]) == (6, 6)
    station = document["stations"][0]
    assert list(station)[:2] == ["id", "used"]
    assert {"residual_px", "robot_residual_mm", "robot_residual_deg"} <= set(station)


def test_two_stations_end_with_too_few_and_no_number() -> None:
    problem = session().problem
    found = estimated(replace(problem, observations=problem.observations[:2]))
    document = result_document(found.stored())
    assert codes(found) == ["too-few"]
    assert document["base_T_camera"] is None
    assert document["covariance"] is None
    assert set(document["uncertainty"].values()) == {None}
    assert found.verdict == "not-accepted"
