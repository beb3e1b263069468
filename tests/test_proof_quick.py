"""Quick re-calibration: honest and better than the same few stations alone; never absorbs a slip.

The truth is simulated (tests/simulated_sessions.py). The bound is the Cramér-Rao bound that the
stated covariance claims: the mean squared error over it is held near 1.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from bumps import MOUNT, bump, old_session, remounted, revisited
from command import answer, refused, stationbook
from later_session import make_later
from made_session import make_session
from simulated_sessions import BOARD, Case, Simulated

from engine.cell.mount import EYE_IN_HAND
from engine.diagnosis.diagnose import diagnosed
from engine.estimate.problem import BoardPrior, Problem
from engine.files import sha256
from engine.findings import finding
from engine.frames import displaced, displacement, transform
from engine.proof.compare import corner_shifts
from engine.proof.quick import Quick, quick
from engine.proof.recheck import recheck
from engine.sessions.journal import append
from engine.sessions.yaml_text import yaml_dump
from engine.steps.starting import SKIPPED

CASES = {
    "fixed camera": Case(stations=8),
    "hand camera": Case(mount=EYE_IN_HAND, stations=8),
    "four axes": Case(stations=8, axes=4, height_known=True),
}
SESSIONS = 7


def recalibrated(case: Case, seed: int, stations: int, slip_mm: float = 0.0) -> tuple:
    rng = np.random.default_rng([seed, stations])
    session, old = old_session(case, seed)
    shift, slip = bump(5.0, rng), remounted(MOUNT, rng) + bump(slip_mm, rng)
    problem = revisited(session, stations, shift, slip, rng)
    return quick(old, problem, "old", diagnosed), problem, displaced(session.camera, shift)


def size(found: Quick, true: np.ndarray) -> float:
    off = displacement(found.result.geometric, true)
    covariance = found.result.joint_covariance[:6, :6]
    return float(off @ np.linalg.solve(covariance, off)) / 6.0


@pytest.mark.parametrize("name", CASES)
def test_error_of_the_quick_result_is_near_its_bound(name: str) -> None:
    runs = [recalibrated(CASES[name], seed, 4) for seed in range(SESSIONS)]
    sizes = [size(found, true) for found, _, true in runs]
    assert all(found.trusted for found, _, _ in runs)
    # Mean over 42 components, noise known from four stations only: 0.22 to 0.35 either way.
    assert 0.4 <= np.mean(sizes) <= 2.0


def test_board_mount_makes_four_stations_better_than_alone() -> None:
    errors = []
    for seed in range(SESSIONS):
        found, problem, true = recalibrated(CASES["fixed camera"], seed, 4)
        alone = diagnosed(problem)
        assert alone.pick is not None
        off = (displacement(result.geometric, true) for result in (found.result, alone))
        errors.append([corner_shifts(alone.pick, xi).max() for xi in off])
    with_mount, without = np.sqrt(np.mean(np.square(errors), axis=0))
    assert with_mount < 0.85 * without


@pytest.mark.parametrize(("stations", "slip_mm"), [(5, 6.0), (3, 3.0)])
def test_board_that_sits_elsewhere_is_reported_and_not_absorbed(
    stations: int, slip_mm: float
) -> None:
    """Three stations alone know too little of the board: the noise of the old session tells."""
    for seed in range(SESSIONS):
        found, problem, _ = recalibrated(CASES["fixed camera"], seed, stations, slip_mm)
        assert not found.trusted
        assert found.result.findings[0].code == "board-remounted"
        assert found.result.verdict == "not-accepted"
        np.testing.assert_array_equal(found.result.camera, diagnosed(problem).camera)


def test_a_board_of_another_pitch_lends_no_place() -> None:
    rng = np.random.default_rng(5)
    session, old = old_session(CASES["fixed camera"], 3)
    points = 1.02 * BOARD.points()
    problem = revisited(session, 3, np.zeros(6), np.zeros(6), rng, points=points)
    found = quick(old, problem, "old", diagnosed)
    assert not found.trusted
    assert found.result.verdict == "not-accepted"
    assert "board-changed" in {item.code for item in found.result.findings}


@pytest.mark.parametrize("name", ["fixed camera", "hand camera"])
def test_a_board_the_other_way_round_on_its_mount_is_called_that(name: str) -> None:
    rng = np.random.default_rng(5)
    session, old = old_session(CASES[name], 3)
    turned = session.board @ transform(np.diag([-1.0, -1.0, 1.0]), BOARD.points()[-1])
    slip = displacement(turned, session.board)
    problem = revisited(session, 5, np.zeros(6), slip, rng)
    said = quick(old, problem, "old", diagnosed).result.findings[0]
    assert said.code == "board-remounted"
    assert "the other way round" in said.message


def even(case: Case) -> Simulated:
    """A session with a tilted board of even circles, the height of its point 0 measured."""
    session, _ = old_session(case, 3)
    session = replace(session, board=displaced(session.board, np.array([0.2, 0, 0, 0, 0, 0])))
    height = float(session.board[2, 3])
    board = replace(session.problem.board, pattern="circles", diameter_mm=2.0, height_mm=height)
    return replace(session, problem=replace(session.problem, board=board))


@pytest.mark.parametrize("name", CASES)
def test_the_movement_is_stated_as_a_recheck_of_the_same_stations_states_it(name: str) -> None:
    rng = np.random.default_rng(5)
    session, old = old_session(CASES[name], 5)
    problem = revisited(session, 5, bump(5.0, rng), remounted(MOUNT, rng), rng)
    found, again = quick(old, problem, "old", diagnosed), recheck(old, problem)
    assert found.trusted
    assert found.movement is not None
    assert again.movement is not None
    np.testing.assert_allclose(found.movement.xi, again.movement.xi)
    np.testing.assert_allclose(found.movement.covariance, again.movement.covariance)
    spare = quick(old, problem, "old", diagnosed, spare=True).movement
    assert spare is not None
    assert found.movement.u_position_mm < 0.8 * spare.u_position_mm


def test_a_station_that_does_not_fit_takes_no_part_in_the_movement() -> None:
    rng, still = np.random.default_rng(5), np.zeros(6)
    session, old = old_session(CASES["fixed camera"], 3)
    problem = revisited(session, 6, still, still, rng)
    first, *rest = problem.observations
    slip = displaced(first.base_T_flange, np.array([0.0, 0.0, 0.0, 0.0, 30.0, 0.0]))
    wrong = replace(problem, observations=(replace(first, base_T_flange=slip), *rest))
    found = quick(old, wrong, "old", diagnosed)
    assert [station.used for station in found.result.stations] == [False, *[True] * 5]
    assert found.movement is not None
    assert found.movement.position_mm <= 2 * found.movement.u_position_mm


def test_the_remedy_names_what_makes_most_of_u_and_not_stations_further_apart() -> None:
    rng = np.random.default_rng(5)
    session, old = old_session(CASES["four axes"], 3)
    problem = revisited(session, 5, np.zeros(6), remounted(MOUNT, rng), rng)
    problem = replace(problem, tolerance=replace(problem.tolerance, position_mm=0.6))
    found = quick(old, problem, "old", diagnosed).result
    assert found.budget is not None
    assert found.budget.parts[0].name == "measured numbers"
    (said,) = (item.remedy for item in found.findings if item.code == "tolerance")
    assert "further apart" not in said
    assert said.startswith("Touch a point that the camera sees")


def turned(problem: Problem) -> Problem:
    """Return the problem with every image read turned by half a turn: point 0 is the other end."""
    last = problem.board.count - 1
    seen = (replace(o, point_ids=last - o.point_ids) for o in problem.observations)
    return replace(problem, observations=tuple(seen))


def test_a_height_is_that_of_one_end_of_an_even_board() -> None:
    rng, session, still = np.random.default_rng(5), even(CASES["four axes"]), np.zeros(6)
    board = session.problem.board
    old = diagnosed(revisited(session, 8, still, still, rng))
    (said,) = (f for f in old.findings if f.code == "height-open")
    far = session.board[2, :3] @ (board.points()[-1] - board.points()[0])
    assert f"{abs(far):.0f}." in said.message
    shift = np.array([0.0, 0.0, 0.0, 3.0, 0.0, 4.0])
    problem = revisited(session, 5, shift, still, rng)
    found = quick(old, turned(problem), "old", diagnosed)
    assert found.trusted
    assert "height-open" not in {f.code for f in found.result.findings}
    assert found.movement is not None
    off = displacement(found.result.geometric, displaced(session.camera, shift))
    assert np.linalg.norm(off[3:]) < 1.5


def test_an_arm_that_tilts_an_even_board_needs_no_height() -> None:
    rng, session, still = np.random.default_rng(5), even(CASES["fixed camera"]), np.zeros(6)
    found = diagnosed(turned(revisited(session, 8, still, still, rng)))
    assert found.verdict == "accepted"
    off = displacement(found.geometric, session.camera)
    assert np.linalg.norm(off[3:]) < 1.5


def test_prior_of_the_board_has_the_derivatives_that_it_claims() -> None:
    rng = np.random.default_rng(2)
    A = rng.normal(size=(6, 6))
    board = displaced(np.eye(4), rng.normal(size=6) * 0.1)
    prior = BoardPrior("test", displaced(board, rng.normal(size=6) * 1e-4), A @ A.T + np.eye(6))
    residual, rows = prior.whitened(np.eye(4), board, np.zeros(2))
    for k in range(6):
        step = np.zeros(6)
        step[k] = 1e-6
        moved = prior.whitened(np.eye(4), displaced(board, step), np.zeros(2))[0]
        np.testing.assert_allclose((residual - moved) / 1e-6, rows[:, 6 + k], atol=2e-4)
    assert not rows[:, :6].any()
    assert not rows[:, 12:].any()


# ---- the real command ----------------------------------------------------------------------------


@pytest.fixture
def old(tmp_path: Path) -> Path:
    make_session(tmp_path / "old", 8)
    return tmp_path / "old"


def test_a_result_that_touches_disproved_is_nothing_to_rest_on(old: Path, tmp_path: Path) -> None:
    assert stationbook("solve", old).returncode in (0, 1)
    make_later(tmp_path / "new", 5)
    words = ("solve", tmp_path / "new", "--board-from", old)
    before = {item["code"] for item in json.loads(stationbook(*words, "--json").stdout)["findings"]}
    assert "earlier-disproved" not in before
    document = yaml.safe_load((old / "result.yaml").read_text())
    said = finding("proof-tolerance", touches="2", worst=8.0, tolerance=1.0).document()
    document |= {"verdict": "not-accepted", "findings": [said, *document["findings"]]}
    (old / "result.yaml").write_text(yaml_dump(document))
    (old / "proof.yaml").write_text("format: 1\n")
    found = answer(*words, status=1)
    levels = {item["code"]: item["level"] for item in found["findings"]}
    assert (found["verdict"], levels["earlier-disproved"]) == ("not-accepted", "error")
    told = stationbook("recheck", tmp_path / "new", "--against", old).stdout
    assert "a pick on it is off even where the camera has not moved" in told


def test_command_gives_a_new_result_with_before_and_after(old: Path, tmp_path: Path) -> None:
    shift = np.array([0.003, 0.0, 0.0, 4.0, 0.0, 0.0])
    real = make_later(tmp_path / "new", 5, shift=shift)
    run = stationbook("solve", tmp_path / "new", "--board-from", old)
    assert run.returncode in (0, 1), run.stderr
    assert "moved since:" in run.stdout
    result = yaml.safe_load((tmp_path / "new" / "result.yaml").read_text(encoding="utf-8"))
    assert result["before"]["trusted_board"] is True
    run = stationbook("solve", tmp_path / "new", "--no-write", "--json")
    alone = json.loads(run.stdout)["findings"]
    (left,) = [item["message"] for item in alone if item["code"] == "board-prior"]
    assert left.endswith("this one rests on the stations here alone.")
    assert result["before"]["inputs"].keys() >= {"session.yaml"}
    move = result["before"]["movement"]
    assert abs(move["position_mm"] - 4.0) <= 2 * move["u_position_mm"]
    assert "board-prior" in {item["code"] for item in result["findings"]}
    off = np.array(result["base_T_camera"]["position_mm"]) - real.camera[:3, 3]
    assert np.linalg.norm(off) <= 3 * result["uncertainty"]["position_mm"] + 0.5
    again = answer("recheck", tmp_path / "new", "--against", old, status=1)["movement"]
    assert {key: again[key] for key in move} == pytest.approx(move)


def test_a_recalibration_names_the_questions_left_open_too(old: Path, tmp_path: Path) -> None:
    make_later(tmp_path / "new", 5)
    path = tmp_path / "new" / "session.yaml"
    digest = sha256(path.read_bytes())
    line = {"at": "2026-11-26T09:00:00+01:00", "who": None, "file": path.name, "files": {}}
    append(path.parent, {**line, "action": SKIPPED, "before": digest, "after": digest})
    run = stationbook("solve", path.parent, "--board-from", old, "--json")
    assert "start-open" in {item["code"] for item in json.loads(run.stdout)["findings"]}


def test_solved_again_with_all_it_rests_on_the_same_board(
    old: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("STATIONBOOK_CONFIG", str(tmp_path / "config"))
    make_later(tmp_path / "new", 5, shift=np.array([0.003, 0.0, 0.0, 4.0, 0.0, 0.0]))
    assert stationbook("solve", tmp_path / "new", "--board-from", old).returncode in (0, 1)
    stored = (tmp_path / "new" / "result.yaml").read_bytes()

    def again() -> dict[str, Any]:
        run = stationbook("solve", "--all", tmp_path, "--store", "--jobs", "1", "--json")
        rows = json.loads(run.stdout)["sessions"]
        return next(row for row in rows if Path(row["folder"]).name == "new")

    row = again()
    assert row["error"] is None
    assert row["changed"] is False
    assert (tmp_path / "new" / "result.yaml").read_bytes() == stored
    old.rename(tmp_path / "elsewhere")  # beside it, by another name
    assert again()["error"] is None
    (tmp_path / "away").mkdir()
    (tmp_path / "elsewhere").rename(tmp_path / "away" / "old")
    assert "which does not lie beside it as it was then" in again()["error"]
    assert (tmp_path / "new" / "result.yaml").read_bytes() == stored


def test_a_check_rests_on_the_same_board_or_says_that_it_does_not(
    old: Path, tmp_path: Path
) -> None:
    make_later(tmp_path / "new", 3, shift=np.array([0.003, 0.0, 0.0, 4.0, 0.0, 0.0]))
    assert stationbook("solve", tmp_path / "new", "--board-from", old).returncode in (0, 1)

    def checked(folder: Path) -> list[str]:
        found = json.loads(stationbook("check", folder, "--json").stdout)["findings"]
        return [item["message"] for item in found if item["code"] == "board-prior"]

    (beside,) = checked(tmp_path / "new")
    assert "was taken from the session" in beside
    stationbook("pack", tmp_path / "new", "--out", tmp_path / "new.zip")
    (tmp_path / "away").mkdir()
    run = stationbook("unpack", tmp_path / "new.zip", "--to", tmp_path / "away" / "new")
    assert run.returncode == 0, run.stderr
    (alone,) = checked(tmp_path / "away" / "new")
    assert "judges the stations without it" in alone


def test_command_names_five_stations_to_visit(old: Path, tmp_path: Path) -> None:
    make_later(tmp_path / "new", 0)
    found = answer("recheck", tmp_path / "new", "--against", old, "--visit", 5)
    assert len(found["findings"][0]["stations"]) == 5
    assert "too few" in refused("recheck", tmp_path / "new", "--against", old, "--visit", 0)


def test_command_refuses_a_board_from_another_cell(old: Path, tmp_path: Path) -> None:
    make_session(tmp_path / "hand", 8, EYE_IN_HAND)
    assert "mount" in refused("solve", old, "--board-from", tmp_path / "hand")
