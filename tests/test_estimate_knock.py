"""What a knock late in a session may do unseen is in U, by how likely the stations make it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from simulated_sessions import (
    BOARD,
    CAMERA,
    Case,
    Seen,
    Simulated,
    pick_errors,
    simulated,
)

from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND, Mount
from engine.cell.rule import Tolerance
from engine.diagnosis.diagnose import diagnosed
from engine.diagnosis.scene import scene
from engine.diagnosis.split import small_moves
from engine.estimate.assemble import assembled
from engine.estimate.budget import KNOCK
from engine.estimate.drift import OF
from engine.estimate.knock import CHANCE, LAST, LAST_CHANCE, SIZES_MM, hidden_knock, spread
from engine.estimate.pick import approach
from engine.estimate.solver import Solution, fitted
from engine.findings import Level
from engine.frames import rotation_exp, transform

MOVE = np.concatenate([np.radians([0.033, -0.033, 0.022]), [0.55, -0.33, 0.33]])
ARM = {"geometry_mm": 0.35, "beyond_mm": 0.2, "accuracy_mm": 0.4}


def knocked(case: Case, seed: int, row: int) -> tuple[Simulated, Solution]:
    """Return a session whose camera moves before ``row``, and its fit."""
    off = (np.arange(case.stations) >= row)[:, None] * MOVE
    made = simulated(
        case, np.random.default_rng(seed), Seen(BOARD.points(), CAMERA, camera_off=off)
    )
    made = replace(made, problem=replace(made.problem, tolerance=Tolerance(1.6, 0.3)))
    found = fitted(made.problem)
    assert found is not None
    return made, found


@pytest.mark.parametrize("mount", [EYE_TO_HAND, EYE_IN_HAND])
def test_each_knock_counts_by_how_likely_all_stations_at_once_are(mount: Mount) -> None:
    """Reference: the stations as one vector, the knock as noise that those after it share."""
    _, found = knocked(Case(mount, stations=6), 3, 4)
    system, G = found.system, found.fit.covariance
    V, H, n = system.covariance(found.fit.noise), system.rows, len(system.rows)
    r, flat = system.residual.ravel(), H.reshape(6 * n, -1)
    one = np.zeros((6 * n, 6 * n))
    for row, block in enumerate(V):
        one[6 * row : 6 * row + 6, 6 * row : 6 * row + 6] = block
    before = np.linalg.inv(G) - flat.T @ np.linalg.solve(one, flat)  # what is known beforehand
    pull = -flat.T @ np.linalg.solve(one, r)  # where the fit ended it balances the stations

    def weighed(part: slice, first: int, size: float) -> tuple[float, np.ndarray]:
        """Return the log density but for a constant, and the mean square of what holds now."""
        Z = (H[:, :, part] * (np.arange(n) >= first)[:, None, None]).reshape(6 * n, 6)
        rows = np.concatenate([flat, Z], axis=1)
        known = np.zeros((rows.shape[1],) * 2)
        known[:-6, :-6] = before
        known[-6:, -6:] = np.linalg.inv(spread(size)) if size else np.eye(6) * 1e12
        right = rows.T @ np.linalg.solve(one, r) + np.concatenate([pull, np.zeros(6)])
        C = np.linalg.inv(rows.T @ np.linalg.solve(one, rows) + known)
        now = np.eye(len(known))[:-6]
        now[part, -6:] = np.eye(6)
        mean = now @ C @ right
        gain = right @ C @ right + np.linalg.slogdet(C)[1] + np.linalg.slogdet(known[-6:, -6:])[1]
        return 0.5 * float(gain), now @ C @ now.T + np.outer(mean, mean)

    each, any_, of_last = list[tuple[float, np.ndarray]](), list[float](), list[float]()
    for thing, part in OF.items():
        for size in SIZES_MM:
            for first in range(1, n):
                each.append(weighed(part, first, size))
                any_.append(CHANCE / 4 / (n - 1))
                of_last.append((thing == "camera" and first >= n - LAST) * LAST_CHANCE / 2 / LAST)
    none, knock = weighed(OF["camera"], 1, 0.0)[0], hidden_knock(found)
    for common, added in (
        (np.array(any_), knock.added),
        (np.add(any_, of_last), knock.doubted),
    ):
        odds = common / (1.0 - common.sum()) * np.exp([gain - none for gain, _ in each])
        share = odds / (1.0 + odds.sum())
        wanted = sum(part * (square - G) for part, (_, square) in zip(share, each, strict=True))
        scale = np.sqrt(np.outer(np.diag(wanted), np.diag(wanted)))
        assert np.abs((added - wanted) / scale).max() < 1e-4
    assert knock.share == pytest.approx(share.sum(), rel=1e-4)


@pytest.mark.parametrize("mount", [EYE_TO_HAND, EYE_IN_HAND])
def test_without_a_knock_u_is_hardly_more(mount: Mount) -> None:
    added = list[float]()
    for seed in range(6):
        found = fitted(simulated(Case(mount, stations=12), np.random.default_rng(seed)).problem)
        assert found is not None
        result = assembled(found)
        assert result.budget is not None
        squares = {part.name: part.u_mm**2 for part in result.budget.parts}
        added.append(squares.get(KNOCK, 0.0) / sum(squares.values()))
        assert np.array_equal(result.full_covariance, found.fit.covariance)  # of a pick alone
    assert 0.0 in added
    assert np.mean(added) < 0.15  # of u²: board, lens and arm are known exactly here


def test_a_knock_before_the_last_stops_is_in_u_and_is_not_accepted() -> None:
    """The result, which is for where the camera was before, was accepted with U 0.64 mm."""
    made, found = knocked(Case(stations=24, **ARM), 1, 21)
    result, typed = assembled(found), found.stations.typed
    R = approach(made.problem, typed)
    off = pick_errors(made, result.camera, R, transform(R, typed[:, :3, 3].mean(axis=0)))
    assert result.verdict == "not-accepted"
    assert 0.64 < np.nanmax(off) < 2.0 * result.uncertainty.pick_mm
    assert result.budget is not None
    assert result.budget.parts[0].name == KNOCK
    assert result.budget.knock == 22
    (said,) = [item for item in result.findings if item.code == "tolerance"]
    assert "knocked before station 22" in said.remedy
    assert "record two or three more stations" in said.remedy


def test_a_move_as_small_as_stops_scatter_is_begun_where_the_stations_show_it() -> None:
    """Closed forms of two blocks began so far off that the session as declared was likelier."""
    _, found = knocked(Case(EYE_IN_HAND, stations=24, **ARM), 0, 21)
    starts = {start.sides: start.places for start in small_moves(scene(found, {}))}
    assert starts == {("flange",): (21,)}


def test_a_last_stop_that_does_not_fit_is_not_set_aside_before_more_tell() -> None:
    """It may be the first after a knock; set aside, the result was for where the camera stood."""
    problem = knocked(Case(stations=8), 3, 7)[0].problem
    seen, turn = problem.observations, rotation_exp([0.02, -0.03, 0.025])
    off = [transform(turn, [4.3, -3.1, 5.2]) @ one.base_T_flange for one in seen]
    for row, remedy in ((7, "record two more before you set it aside"), (4, "or set it aside.")):
        stops = (*seen[:row], replace(seen[row], base_T_flange=off[row]), *seen[row + 1 :])
        found = fitted(replace(problem, observations=stops))
        assert found is not None
        said = {item.station: item for item in assembled(found).findings if item.code == "outlier"}
        assert remedy in said[row + 1].remedy


def test_a_last_stop_that_may_be_off_by_chance_is_not_left_out_and_accepted() -> None:
    """It was a warning: accepted without the only stop that saw where the camera stands now."""
    off = (np.arange(8) >= 7)[:, None] * 1.5 * MOVE
    truly = Seen(BOARD.points(), CAMERA, camera_off=off)
    problem = simulated(Case(stations=8), np.random.default_rng(0), truly).problem
    result = diagnosed(replace(problem, tolerance=Tolerance(3.0, 1.0)))
    said = [item for item in result.findings if item.level is not Level.NOTE]
    assert [(item.code, item.station, item.level) for item in said] == [("outlier", 8, "error")]
    assert "record two more before you set it aside" in said[0].remedy
    assert result.verdict == "not-accepted"
