"""Rechecks: bumps are found, unmoved cameras are left alone, and camera is told from board.

The truth is simulated (tests/simulated_sessions.py: robot and image noise, poses rounded as the
pendant shows them). The alarm's limit is held against scipy's F distribution by counting.
"""

from __future__ import annotations

import re
import shlex
import shutil
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import yaml
from bumps import MOUNT, bump, half_turned, old_session, pick_errors, remounted, revisited
from command import answer, refused, stationbook
from later_session import make_later
from made_session import make_session
from scipy.stats import chi2
from simulated_sessions import Case

from engine import api
from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND
from engine.cell.rule import Tolerance
from engine.cell.session import PlannedStation, Station
from engine.errors import UsageError
from engine.estimate.problem import Problem
from engine.frames import displaced, displacement
from engine.pendant.settings import Active
from engine.plant.archive import summaries
from engine.plant.cells import Rating
from engine.plant.cells import rows as cell_rows
from engine.proof.compare import clearest
from engine.proof.pick_now import _next, _state, commands, pick_now, said
from engine.proof.recheck import Recheck, recheck, stations_to_revisit
from engine.proof.stated import check_same, differences
from engine.sessions.changes import Change, Who, commit
from engine.sessions.folder import open_session, session_text
from engine.sessions.journal import overtaken, read_journal
from engine.sessions.lock import writing
from engine.sessions.results import read_result
from engine.simulate.scenario import cell
from engine.steps.planning import revised
from engine.steps.recheck import mark_recheck, recheck_session, start_again
from tui.desk.overview import session_row
from tui.desk.solution import solve
from tui.words import line_text, recheck_lines, unwrapped

NOON = datetime.fromisoformat("2026-11-25T12:00:00+01:00")
ZERO = np.zeros(6)
WAYS = commands("new", "old")
CASES = {
    "fixed camera": Case(stations=8),
    "hand camera": Case(mount=EYE_IN_HAND, stations=8),
    "arm with geometric errors": Case(stations=8, geometry_mm=0.3, accuracy_mm=0.4),
    "four axes": Case(stations=8, axes=4),
}
SESSIONS = 8  # per case: the bench counts many more


def rechecked(case: Case, seed: int, stations: int, size_mm: float, slip_mm: float = 0.0) -> tuple:
    rng = np.random.default_rng([seed, stations, int(10 * size_mm)])
    session, old = old_session(case, seed)
    shift = bump(size_mm, rng)
    slip = remounted(MOUNT, rng) + bump(slip_mm, rng)
    return recheck(old, revisited(session, stations, shift, slip, rng)), shift


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("stations", [1, 3])
def test_a_board_the_other_way_round_on_its_mount_is_named(name: str, stations: int) -> None:
    rng = np.random.default_rng(5)
    session, old = old_session(CASES[name], 3)
    slip = half_turned(session, rng)
    answer = recheck(old, revisited(session, stations, bump(1.0, rng), slip, rng))
    assert (answer.moved, answer.cause, answer.movement) == (None, "board", None)
    assert answer.findings[0].code == "board-moved"
    assert "other way round" in answer.findings[0].message


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("stations", [1, 3])
def test_unmoved_camera_raises_no_alarm(name: str, stations: int) -> None:
    answers = [rechecked(CASES[name], seed, stations, 0.0)[0] for seed in range(SESSIONS)]
    assert sum(found.moved is not False for found in answers) <= 1  # 1 % each: two are 1 in 400
    assert all(found.cause == "none" for found in answers if found.moved is False)


@pytest.mark.parametrize("name", CASES)
def test_large_bump_is_found_with_one_station_and_named_with_three(name: str) -> None:
    one = [rechecked(CASES[name], seed, 1, 5.0)[0] for seed in range(SESSIONS)]
    three = [rechecked(CASES[name], seed, 3, 5.0)[0] for seed in range(SESSIONS)]
    assert all(found.moved is True and found.cause == "unclear" for found in one)
    assert all(found.moved is True and found.cause == "camera" for found in three)
    assert {found.findings[0].code for found in three} == {"camera-moved"}


@pytest.mark.parametrize("name", CASES)
def test_board_mounted_elsewhere_is_not_taken_for_the_camera(name: str) -> None:
    answers = [rechecked(CASES[name], seed, 3, 0.0, 5.0)[0] for seed in range(SESSIONS)]
    assert all(found.moved is False and found.cause == "board" for found in answers)


def squared_error(found: Recheck, shift: np.ndarray) -> float:
    assert found.movement is not None
    off = found.movement.xi - shift
    return float(off @ np.linalg.solve(found.movement.covariance, off)) / 6.0


@pytest.mark.parametrize("name", CASES)
def test_stated_uncertainty_of_the_movement_is_true(name: str) -> None:
    pairs = [rechecked(CASES[name], s, m, 5.0) for s in range(SESSIONS) for m in (2, 3)]
    sizes = [squared_error(found, shift) for found, shift in pairs]
    # Mean of 96 squared normal numbers over 6: standard deviation 0.14; four of them either way.
    assert 0.45 <= np.mean(sizes) <= 1.6


def test_movement_of_detectable_size_is_found() -> None:
    """A pure shift of the stated size in any direction is found in at least 95 % of cases."""
    found = 0
    for seed in range(16):
        rng = np.random.default_rng(seed)
        session, old = old_session(CASES["fixed camera"], seed % SESSIONS)
        quiet = recheck(old, revisited(session, 2, ZERO, remounted(MOUNT, rng), rng))
        assert quiet.detectable_mm is not None
        way = rng.normal(size=3)
        shift = np.concatenate([np.zeros(3), quiet.detectable_mm * way / np.linalg.norm(way)])
        again = np.random.default_rng(seed)
        slip = remounted(MOUNT, again)
        found += recheck(old, revisited(session, 2, shift, slip, again)).moved is True
    assert found >= 13  # of 16 at 95 %: fewer has a chance below 1 %


def test_more_stations_find_smaller_movements() -> None:
    answers = [rechecked(CASES["fixed camera"], 3, m, 0.0)[0] for m in (1, 2, 3, 5)]
    sizes = [found.detectable_mm for found in answers]
    assert sizes == sorted(sizes, reverse=True)


def test_large_movement_is_not_linearised() -> None:
    rng = np.random.default_rng(5)
    session, old = old_session(CASES["fixed camera"], 1)
    shift = np.concatenate([np.radians([3.0, -4.0, 2.0]), [30.0, -20.0, 25.0]])
    found = recheck(old, revisited(session, 3, shift, remounted(MOUNT, rng), rng))
    assert squared_error(found, shift) < 4.0  # chi-square with 6: above 4 · 6 in 1 of 2000
    assert found.movement is not None
    new = displaced(session.camera, found.movement.xi)
    moved = found.movement.matrix @ old.geometric
    np.testing.assert_allclose(displacement(moved, old.geometric), found.movement.xi, atol=1e-9)
    assert np.linalg.norm(displacement(new, displaced(session.camera, shift))[3:]) < 2.0


def test_contradicting_stations_are_not_explained_away() -> None:
    rng = np.random.default_rng(4)
    session, old = old_session(CASES["fixed camera"], 2)
    problem = revisited(session, 3, ZERO, ZERO, rng)
    wrong = problem.observations[1].base_T_flange.copy()
    wrong[1, 3] += 20.0
    first, second, third = problem.observations
    spoilt = replace(problem, observations=(first, replace(second, base_T_flange=wrong), third))
    found = recheck(old, spoilt)
    assert found.moved is None
    assert found.findings[0].code == "stations-contradict"
    assert found.movement is None  # nothing with a ± where nothing is known


def mistyped(problem: Problem, *places: int) -> Problem:
    """Return the problem with the poses at ``places`` each 20 mm or more off, another way."""
    seen = list(problem.observations)
    for number, place in enumerate(places):
        wrong = seen[place].base_T_flange.copy()
        wrong[number % 3, 3] += 20.0 + 15.0 * number
        seen[place] = replace(seen[place], base_T_flange=wrong)
    return replace(problem, observations=tuple(seen))


@pytest.mark.parametrize(
    ("stations", "wrong"), [(3, (1,)), (4, (2,)), (8, (0,)), (8, (4, 6)), (8, (1, 2, 5))]
)
@pytest.mark.parametrize("shift_mm", [0.0, 5.0])
def test_the_stations_that_contradict_the_others_are_named(
    stations: int, wrong: tuple[int, ...], shift_mm: float
) -> None:
    """Where something moved, the answer of the others stands beside them: it is no mere knock."""
    rng = np.random.default_rng(4)
    session, old = old_session(CASES["fixed camera"], 2)
    problem = revisited(session, stations, bump(shift_mm, rng), ZERO, rng)
    answer = recheck(old, mistyped(problem, *wrong))
    first, ids = answer.findings[0], tuple(problem.observations[k].id for k in wrong)
    named = {item.station: item for item in answer.findings if item.code == "typed-value"}
    assert tuple(named) == ids
    for number, item in enumerate(named.values()):
        assert item.field == "XYZ"[number % 3]
        off = float(item.typed or 0) - float(item.suggested or 0)
        assert off == pytest.approx(20.0 + 15.0 * number, abs=2.0)
    if shift_mm:
        assert (answer.moved, answer.cause, first.code) == (True, "camera", "camera-moved")
        assert answer.left_out == ids
        wide = Tolerance(50.0, 5.0)
        now = pick_now(old, session.problem, problem, answer, wide, WAYS)
        assert now.state == "not-known"  # what looks like a mistyped pose may be a knock
    else:
        assert (answer.moved, first.code, first.stations) == (None, "stations-contradict", ids)
        assert "the others agree" in first.message
        assert answer.left_out == ()


def test_camera_and_board_that_both_moved_are_both_named() -> None:
    for seed in range(3):
        rng = np.random.default_rng([seed, 7])
        session, old = old_session(CASES["fixed camera"], seed)
        problem = revisited(session, 4, bump(5.0, rng), bump(4.0, rng), rng)
        found = recheck(old, problem)
        assert found.findings[0].code == "camera-moved"
        assert "and the board on its mount" in found.findings[0].message
        assert found.movement is not None
        off = abs(found.movement.position_mm - 5.0)
        assert off < 2.0 * found.movement.u_position_mm


def test_a_board_that_sits_elsewhere_leaves_no_movement_of_the_camera() -> None:
    rng = np.random.default_rng(4)
    session, old = old_session(CASES["fixed camera"], 1)
    problem = revisited(session, 4, ZERO, bump(8.0, rng), rng)
    found = recheck(old, problem)
    assert (found.moved, found.cause) == (False, "board")
    text = "\n".join(map(line_text, recheck_lines(found, "old", unwrapped, 80)))
    assert "camera alone" not in text
    assert "at the pick area" not in text


def test_one_stop_that_more_would_not_help_is_told_one_thing_to_do() -> None:
    rng = np.random.default_rng(4)
    session, old = old_session(CASES["fixed camera"], 1)
    problem, tolerance = revisited(session, 1, ZERO, ZERO, rng), Tolerance(0.05, 0.2)
    found = recheck(old, problem)
    now = pick_now(old, session.problem, problem, found, tolerance, WAYS)
    never = replace(now, state="not-known", more=None, next=_next("not-known", None, found, WAYS))
    remedy = said(never, found, tolerance).remedy
    assert "the quick re-calibration takes 2 more stations" in remedy
    assert remedy.endswith("Where to: `stationbook recheck new --against old --visit 2`.")


def test_two_stations_that_contradict_each_other_are_both_named() -> None:
    rng = np.random.default_rng(4)
    session, old = old_session(CASES["fixed camera"], 2)
    found = recheck(old, mistyped(revisited(session, 2, ZERO, ZERO, rng), 1))
    assert found.findings[0].code == "stations-contradict"
    assert found.findings[0].stations == (1, 2)
    assert "each other" in found.findings[0].message


def test_stations_of_which_most_are_wrong_are_all_named() -> None:
    rng = np.random.default_rng(4)
    session, old = old_session(CASES["fixed camera"], 2)
    found = recheck(old, mistyped(revisited(session, 6, ZERO, ZERO, rng), 0, 1, 2, 3))
    assert found.findings[0].stations == (1, 2, 3, 4, 5, 6)


def test_direction_is_named_only_for_a_movement_beyond_its_uncertainty() -> None:
    session, old = old_session(CASES["fixed camera"], 0)
    for size, named in ((0.0, False), (5.0, True)):
        rng = np.random.default_rng(11)
        shift = np.array([0.0, 0.0, 0.0, 0.0, 0.0, -size])
        movement = recheck(old, revisited(session, 3, shift, ZERO, rng)).movement
        assert movement is not None
        assert ("base -Z" in movement.words()) is named
        assert ("along" in movement.words() or "wards" in movement.words()) is named
    still = replace(movement, xi=ZERO, covariance=np.zeros((6, 6)))
    assert still.words() == "0.00 ± 0.00 mm, 0.000 ± 0.000°"


FIGURE = re.compile(r"(\d+\.\d+) ± (\d+\.\d+)")


def test_an_alarm_shows_a_figure_beyond_its_own_uncertainty() -> None:
    """What shift and turn hide apart is seen where they meet: at a corner of the work volume."""
    alarms = hidden = 0
    for name in ("fixed camera", "hand camera", "four axes"):
        for seed in range(SESSIONS):
            for stations, size_mm in ((1, 1.0), (3, 0.5)):
                found, _ = rechecked(CASES[name], seed, stations, size_mm)
                if not found.moved or found.movement is None or found.cause == "none":
                    continue
                said = found.findings[0].message
                figures = [tuple(map(float, pair)) for pair in FIGURE.findall(said)]
                if not figures:  # of mistyped poses nothing is measured
                    continue
                alarms += 1
                hidden += found.movement.hidden
                assert any(value > U for value, U in figures), said
                lines = [line_text(one) for one in recheck_lines(found, "old", unwrapped, 200)]
                assert any("most clearly  " in one for one in lines) is found.movement.hidden
    assert alarms > 20
    assert hidden > 5  # before, every figure of these lay inside its own U


def test_stated_uncertainty_of_the_clearest_shift_is_true_though_it_is_chosen_afterwards() -> None:
    inside = []
    for name in ("fixed camera", "hand camera", "four axes"):
        for seed in range(SESSIONS):
            for stations, size_mm in ((2, 0.0), (1, 1.0), (3, 0.5)):
                found, shift = rechecked(CASES[name], seed, stations, size_mm)
                if found.movement is None:
                    continue
                pick = old_session(CASES[name], seed)[1].pick
                assert pick is not None
                rows, move = pick.moved[pick.corner], found.movement
                best = move.clearest
                way = best.shift / best.size_mm
                there = int(np.abs(rows @ move.xi @ way - best.size_mm).argmin())
                inside.append(abs(rows[there] @ shift @ way - best.size_mm) <= best.expanded_mm)
    assert len(inside) > 60
    assert np.mean(inside) >= 0.93  # 0.82 with U = 2u


def test_a_movement_that_chance_explains_is_shown_nowhere_best() -> None:
    for seed in range(SESSIONS):
        found, _ = rechecked(CASES["fixed camera"], seed, 3, 0.0)
        lines = [line_text(one) for one in recheck_lines(found, "old", unwrapped, 200)]
        assert found.cause != "none" or not any("most clearly" in one for one in lines)


def test_the_clearest_shift_exceeds_its_uncertainty_more_than_along_any_other_direction() -> None:
    rng = np.random.default_rng(4)
    rows, half = rng.normal(size=(8, 3, 6)), rng.normal(size=(6, 6))
    xi, covariance = rng.normal(size=6), half @ half.T
    found = clearest(rows, xi, covariance)
    best = np.sqrt(chi2.ppf(0.95, 6)) * found.size_mm / found.expanded_mm
    ways = rng.normal(size=(4000, 3))
    for row in rows:
        along = ways @ row
        over = np.abs(along @ xi) / np.sqrt(np.einsum("ni,ij,nj->n", along, covariance, along))
        assert over.max() <= best * (1 + 1e-9)


def test_revisited_stations_beat_the_first_ones_of_the_session() -> None:
    session, old = old_session(CASES["fixed camera"], 0)
    ids = stations_to_revisit(old, session.problem, 3)
    assert len(set(ids)) == 3
    assert set(ids) <= {station.id for station in old.stations if station.used}


def test_other_cells_are_refused_by_what_differs() -> None:
    old = cell(EYE_TO_HAND, 6)
    camera = replace(old.camera, image_size_px=(640, 512))
    assert differences(old, old) == []
    for other, word in (
        (replace(old, camera=camera), "image size"),
        (replace(old, board=replace(old.board, pitch_mm=25.0)), "pitch"),
        (replace(old, robot=None), "robot"),
        (
            replace(old, pendant=replace(old.pendant, active_frame=Active("table", ("0",) * 6))),
            "active frame",
        ),
        (cell(EYE_IN_HAND, 6), "mount"),
    ):
        with pytest.raises(UsageError, match=word):
            check_same(old, other)


# ---- the real command ----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def old_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("old") / "session"
    make_session(folder, 8)
    return folder


def test_command_finds_no_movement(old_folder: Path, tmp_path: Path) -> None:
    make_later(tmp_path / "new", 3)
    found = answer("recheck", tmp_path / "new", "--against", old_folder)
    assert list(found) == [
        "format",
        "moved",
        "cause",
        "movement",
        "detectable_mm",
        "decision",
        "findings",
    ]
    assert (found["moved"], found["cause"]) == (False, "none")
    assert "No movement found" in found["findings"][0]["message"]


def test_command_finds_the_movement(old_folder: Path, tmp_path: Path) -> None:
    shift = np.array([0.0, 0.004, 0.0, 0.0, 1.0, -6.0])
    make_later(tmp_path / "new", 3, shift=shift)
    found = answer("recheck", tmp_path / "new", "--against", old_folder, status=1)
    assert (found["moved"], found["cause"]) == (True, "camera")
    movement = found["movement"]
    size = np.linalg.norm(shift[3:])
    assert abs(movement["position_mm"] - size) <= 3 * movement["u_position_mm"]
    assert "downwards" in found["findings"][0]["message"]
    assert "must not be shifted" in found["findings"][0]["remedy"]


def test_command_refuses_a_session_as_evidence_about_itself(
    old_folder: Path, tmp_path: Path
) -> None:
    for other in (old_folder, shutil.copytree(old_folder, tmp_path / "copy")):
        assert "nothing about itself" in refused("recheck", old_folder, "--against", other)


def test_command_refuses_stations_that_are_older_than_the_result(
    old_folder: Path, tmp_path: Path
) -> None:
    make_later(tmp_path / "new", 3, shift=np.array([0.003, 0.0, 0.0, 4.0, 0.0, 0.0]))
    said = refused("recheck", old_folder, "--against", tmp_path / "new")
    assert "was recorded after these stations" in said
    assert overtaken(tmp_path / "new", ("frame camera",)) == {}


def test_command_says_where_to_go_before_the_first_station(
    old_folder: Path, tmp_path: Path
) -> None:
    make_later(tmp_path / "new", 0)
    run = stationbook("recheck", tmp_path / "new", "--against", old_folder)
    assert run.returncode == 0
    assert "3 of them, best first" in run.stdout
    assert "reduced speed" in run.stdout


def test_command_refuses_another_cell(old_folder: Path, tmp_path: Path) -> None:
    make_later(tmp_path / "new", 2, EYE_IN_HAND)
    assert "mount" in refused("recheck", tmp_path / "new", "--against", old_folder)


def test_command_refuses_a_session_without_a_result(old_folder: Path, tmp_path: Path) -> None:
    make_later(tmp_path / "few", 2)
    assert "no result" in refused("recheck", old_folder, "--against", tmp_path / "few")


def test_command_leaves_a_line_in_the_journal(old_folder: Path, tmp_path: Path) -> None:
    make_later(tmp_path / "new", 2)
    answer("recheck", tmp_path / "new", "--against", old_folder)
    (line,) = read_journal(tmp_path / "new")
    assert (line["action"], line["cause"], line["moved"]) == ("recheck", "none", False)
    assert (line["against"], line["stations"]) == (str(old_folder.resolve()), [1, 2])
    assert line["finished"]


def test_command_answers_without_a_line_while_somebody_records(
    old_folder: Path, tmp_path: Path
) -> None:
    make_later(tmp_path / "new", 2)
    with writing(tmp_path / "new", "A. Example"):
        found = answer("recheck", tmp_path / "new", "--against", old_folder)
    assert found["moved"] is False
    assert read_journal(tmp_path / "new") == ()


# ---- what a pick on the old result is off now ----------------------------------------------------


def test_stated_pick_error_on_the_old_result_holds_the_truth() -> None:
    """The pick error is drawn from the truth at the corners, as `pick_now` states it."""
    inside, beyond = [], 0
    for name in ("fixed camera", "arm with geometric errors", "hand camera"):
        case = CASES[name]
        for seed in range(SESSIONS):
            for stations, size_mm in ((2, 0.0), (3, 1.0), (4, 4.0)):
                rng = np.random.default_rng([seed, stations])
                session, old = old_session(case, seed)
                shift = bump(size_mm, rng)
                problem = revisited(session, stations, shift, remounted(MOUNT, rng), rng)
                answer = recheck(old, problem)
                if answer.cause not in ("camera", "none"):
                    continue
                now = pick_now(old, session.problem, problem, answer, Tolerance(1.0, 0.2), WAYS)
                assert now.error_mm is not None
                assert now.expanded_mm is not None
                true = float(np.linalg.norm(pick_errors(session, old, shift), axis=1).max())
                inside.append(abs(true - now.error_mm) <= now.expanded_mm)
                if now.state == "within":
                    beyond += true > 1.0
                elif now.state == "beyond":
                    beyond += true <= 1.0
    assert len(inside) > 60
    assert np.mean(inside) >= 0.93
    assert beyond <= 1


def ending(answer: dict) -> dict:
    last = answer["findings"][-1]
    assert last["code"] == "pick-now"
    return last


def test_a_recheck_ends_in_the_pick_error_and_the_next_command(
    old_folder: Path, tmp_path: Path
) -> None:
    down = np.array([0.0, 0.0007, 0.0, 0.0, 0.17, -1.0])
    for count, size, word, level, command in (
        (1, 0.0, "NOT KNOWN YET", "warning", "--visit 1"),
        (1, 60.0, "If it is the camera that moved", "warning", "--visit"),
        (3, 0.0, "WITHIN the tolerance", "note", "stationbook report"),
        (3, 6.0, "BEYOND the tolerance", "error", "--board-from"),
    ):
        folder = tmp_path / f"new {count} {size}"
        make_later(folder, count, shift=size * down)
        said = ending(answer("recheck", folder, "--against", old_folder, status=int(size > 0)))
        assert word in said["message"]
        assert (said["level"], "(95 %)" in said["message"]) == (level, True)
        assert command in said["remedy"]
        assert ("Nothing to do" in said["remedy"]) is (word == "WITHIN the tolerance")
        assert "guarded rule, nobody is named as having set it" in said["message"]


def test_a_recheck_at_the_same_poses_is_not_taken_for_the_same_session(tmp_path: Path) -> None:
    """A robot sent to stored poses shows them again, digit for digit; its images are new."""
    old, new = tmp_path / "old", tmp_path / "new"
    make_later(old, 8)
    answer("solve", old)
    make_later(new, 8, shift=6.0 * np.array([0.0, 0.0007, 0.0, 0.0, 0.17, -1.0]))
    assert open_session(old).stations == open_session(new).stations
    assert answer("recheck", new, "--against", old, status=1)["cause"] == "camera"
    shutil.copytree(old, tmp_path / "copy")
    said = stationbook("recheck", tmp_path / "copy", "--against", old)
    assert said.returncode == 2
    assert "a session says nothing about itself" in said.stderr


def test_nothing_to_do_is_not_said_beside_a_board_that_sits_elsewhere(
    old_folder: Path, tmp_path: Path
) -> None:
    slip = np.array([0.0, 0.0, 0.0, 3.0, 0.0, 0.0])
    make_later(tmp_path / "new", 3, slip=slip)
    found = answer("recheck", tmp_path / "new", "--against", old_folder, status=1)
    said = ending(found)
    assert (found["cause"], found["decision"]["state"]) == ("board", "within")
    assert "although something changed: WITHIN the tolerance" in said["message"]
    assert "Nothing to do" not in said["remedy"]
    assert "with a bent tool, it cannot" in said["remedy"]
    assert (
        "the tool that carries the board was exchanged or bent" in found["findings"][0]["message"]
    )
    assert found["decision"]["next"].startswith("stationbook start")
    assert found["decision"]["next"].endswith("-again")


def test_a_program_is_told_the_decision_without_reading_sentences(
    old_folder: Path, tmp_path: Path
) -> None:
    down = np.array([0.0, 0.0007, 0.0, 0.0, 0.17, -1.0])
    for count, size, state, command in (
        (0, 0.0, "not-known", "recheck"),
        (1, 0.0, "not-known", "--visit 1"),
        (1, 60.0, "not-known", "--visit"),
        (3, 0.0, "within", "stationbook report"),
        (3, 6.0, "beyond", "--board-from"),
    ):
        folder = tmp_path / f"new {count} {size}"  # the blank is for the shell to keep
        make_later(folder, count, shift=size * down)
        found = answer("recheck", folder, "--against", old_folder, status=int(size > 0))
        decision, said = found["decision"], found["findings"][-1]
        assert (decision["rule"], decision["set_by"]) == ("guarded", None)
        assert (decision["state"], decision["tolerance_mm"]) == (state, 1.0)
        error, U = decision["pick_error_mm"], decision["expanded_mm"]
        if count:
            assert f"{error:.2f} ± {U:.2f} mm" in said["message"]
            assert decision["next"] in said["remedy"]
        else:
            assert (error, U) == (None, None)
        assert command in decision["next"]
        assert shlex.split(decision["next"])[0] == "stationbook"
        chance, needed = decision["chance_wrong"], decision["stations_needed"]
        if state == "not-known":
            assert chance is None
            assert needed is None if count == 0 else f"About {needed} more" in said["remedy"]
        else:
            assert needed == 0
            assert 0.0 <= chance < 0.5
        if count:
            words = shlex.split(decision["next"])
            assert str(folder if "report" not in words else old_folder) in words
            kept = read_journal(folder)[-1]["decision"]
            assert kept == {key: decision[key] for key in decision if key != "next"}
    folder = tmp_path / "owned"
    make_later(folder, 3)
    text = (folder / "session.yaml").read_text(encoding="utf-8")
    loaded = yaml.safe_load(text)
    loaded["cell"]["tolerance"] |= {"rule": "simple", "set_by": "A. Example, quality"}
    (folder / "session.yaml").write_text(yaml.safe_dump(loaded, sort_keys=False), "utf-8")
    found = answer("recheck", folder, "--against", old_folder)
    owned = found["decision"]
    assert (owned["rule"], owned["set_by"]) == ("simple", "A. Example, quality")
    assert "simple rule, set by A. Example, quality" in found["findings"][-1]["message"]


def test_nothing_to_do_is_not_said_where_the_tolerance_is_not_shown_to_be_kept() -> None:
    limit = Tolerance(1.2, 0.2)
    corners = np.array([0.67] * 8), np.array([1.27] * 8)
    assert _state(*corners, limit)[0] == "not-known"
    assert _state(corners[0], np.full(8, 0.5), limit)[0] == "within"
    assert _state(corners[0], np.full(8, 0.5), replace(limit, rule="simple"))[0] == "not-known"
    assert _state(np.full(8, 1.9), np.full(8, 0.5), limit)[0] == "beyond"
    assert _state(np.full(8, 1.5), np.full(8, 0.5), limit)[0] == "not-known"


def test_one_unmoved_stop_typed_from_the_told_pose_is_no_movement(
    old_folder: Path, tmp_path: Path
) -> None:
    make_later(tmp_path / "new", 1, noise_seed=3)
    new, old = open_session(tmp_path / "new"), open_session(old_folder)
    told = old.stations[0].pose
    assert told is not None
    beside = [*(f"{float(value) + 9.0:.2f}" for value in told[:3]), *told[3:]]
    for plan, typed in (((), beside), ((PlannedStation(tuple(beside)),), beside)):
        text = session_text(
            replace(new, plan=plan, stations=(replace(new.stations[0], pose=tuple(typed)),))
        )
        (tmp_path / "new" / "session.yaml").write_text(text, encoding="utf-8")
        found = answer("recheck", tmp_path / "new", "--against", old_folder, status=1)
        assert found["moved"] is (None if plan else True)
        assert found["cause"] == "unclear"
        assert ("Something is other" in found["findings"][0]["message"]) is not bool(plan)
    assert "was told" in found["findings"][0]["message"]
    assert "NOT KNOWN" in ending(found)["message"]


def test_one_mistyped_pose_is_no_movement() -> None:
    said = set[str]()
    for seed in range(12):
        rng = np.random.default_rng([seed, 3])
        session, old = old_session(CASES["hand camera"], seed % 4)
        problem = revisited(session, 3, ZERO, remounted(MOUNT, rng), rng)
        first, *others = problem.observations
        mistyped = displaced(first.base_T_flange, [0.0, 0.0, 0.0, 0.0, 2.0, 0.0])
        seen = (replace(first, base_T_flange=mistyped), *others)
        found = recheck(old, replace(problem, observations=seen))
        assert found.cause in ("none", "unclear")
        said |= {item.message for item in found.findings if item.code == "moved-unclear"}
    assert any("station 1 is mistyped" in text for text in said)


def test_a_result_whose_camera_moved_is_marked_until_it_stands_where_it_was(
    old_folder: Path, tmp_path: Path
) -> None:
    old = shutil.copytree(old_folder, tmp_path / "old")
    (old / "journal.jsonl").unlink(missing_ok=True)  # of other tests
    stationbook("solve", old)
    make_later(tmp_path / "moved", 3, shift=np.array([0.0, 0.004, 0.0, 0.0, 1.0, -6.0]))
    make_later(tmp_path / "still", 3)
    assert answer("report", old)["verdict"] == "accepted"
    answer("recheck", tmp_path / "moved", "--against", old, status=1)
    answer("recheck", tmp_path / "moved", "--against", old, status=1)
    marks = [line for line in read_journal(old) if line["action"] == "overtaken"]
    assert [(line["by"], line["moved"]) for line in marks] == [("moved", True)]
    for words in (("report", old), ("export", old, "--as", "matrix")):
        assert "camera moved after this result" in refused(*words)
    marked = answer("report", old, "--anyway", status=1)
    assert marked["verdict"] == "not-accepted"
    assert marked["findings"][0]["code"] == "result-overtaken"
    assert "camera moved after" in (old / "report.html").read_text(encoding="utf-8")
    assert "camera moved after" in answer("export", old, "--as", "yaml", "--anyway")["text"]
    assert session_row(old, NOON).state == "NOT ok"
    assert (read := api.read_result(old)).verdict == "not-accepted"
    assert read.findings[0].code == "result-overtaken"
    assert answer("check", old, status=1)["findings"][0]["code"] == "result-overtaken"
    (again,) = answer("solve", "--all", old)["sessions"]
    assert again["verdict"] == again["verdict_before"] == "not-accepted"
    again = answer("solve", old, status=1)
    assert again["verdict"] == "not-accepted"
    assert again["findings"][0]["code"] == "result-overtaken"
    assert read_result(old).verdict == "accepted"  # stored as computed: the mark can be taken away
    assert solve(open_session(old), old).stored.verdict == "not-accepted"
    answer("recheck", tmp_path / "still", "--against", old)
    assert session_row(old, NOON).state == "accepted"
    assert answer("report", old)["verdict"] == "accepted"


def test_a_recheck_that_speaks_against_a_result_marks_it_whatever_moved(
    old_folder: Path, tmp_path: Path
) -> None:
    old = shutil.copytree(old_folder, tmp_path / "old")
    (old / "journal.jsonl").unlink(missing_ok=True)  # of other tests
    stationbook("solve", old)
    away = np.array([0.0, 0.004, 0.0, 0.0, 1.0, -6.0])
    make_later(tmp_path / "one", 1, shift=np.array([0.0, 0.004, 0.0, 40.0, 30.0, -6.0]))
    make_later(tmp_path / "both", 2, shift=away, slip=np.array([0.0, 0.0, -0.01, 5.0, 0.0, 0.0]))
    make_later(tmp_path / "still", 3)
    for name, found, words in (
        ("one", "something", "something did not fit it at the recheck"),
        ("both", "contradict", "contradict"),
    ):
        answer("recheck", tmp_path / name, "--against", old, status=1)
        assert overtaken(old, ["camera"])["camera"].found == found
        for asked in (("report", old), ("export", old, "--as", "yaml")):
            assert words in refused(*asked)
        text = answer("export", old, "--as", "yaml", "--anyway")["text"]
        assert "verdict: not-accepted" in text
        assert words in " ".join(text.split())
        assert session_row(old, NOON).state == "NOT ok"
        (row,) = (row for row in cell_rows(summaries(tmp_path), NOON) if row.result_session)
        assert row.alarm
        assert row.verdict == "not-accepted"
        answer("recheck", tmp_path / "still", "--against", old)
        assert answer("report", old)["verdict"] == "accepted"


def test_a_recheck_that_cannot_tell_cautions_and_lifts_no_mark(
    old_folder: Path, tmp_path: Path
) -> None:
    old = shutil.copytree(old_folder, tmp_path / "old")
    (old / "journal.jsonl").unlink(missing_ok=True)  # of other tests
    stationbook("solve", old)
    make_later(tmp_path / "new", 3)
    (told,) = recheck_session(open_session(tmp_path / "new"), tmp_path / "new", old).values()
    assert told.pick is not None
    open_ = {"camera": replace(told, pick=replace(told.pick, state="not-known"))}
    beyond = {"camera": replace(told, pick=replace(told.pick, state="beyond"))}
    who = Who(None, datetime(2026, 11, 27, 9, tzinfo=UTC))
    mark_recheck(open_, tmp_path / "new", old, who)
    found = answer("report", old)
    assert found["verdict"] == "accepted"
    assert [item["code"] for item in found["findings"]].count("recheck-open") == 1
    assert "on this result: the recheck of" in answer("export", old, "--as", "yaml")["text"]
    assert session_row(old, NOON).state == "accepted"
    (row,) = (row for row in cell_rows(summaries(tmp_path), NOON) if row.result_session)
    assert (row.rating, row.alarm) == (Rating.OPEN, False)
    mark_recheck(beyond, tmp_path / "new", old, who)
    assert "more than the tolerance" in refused("report", old)
    mark_recheck(open_, tmp_path / "other", old, who)
    assert "more than the tolerance" in refused("report", old)
    answer("recheck", tmp_path / "new", "--against", old)
    assert "recheck-open" not in {item["code"] for item in answer("report", old)["findings"]}
    assert answer("report", old)["verdict"] == "accepted"


def test_a_cell_of_another_name_is_compared_and_said_to_be_one(
    old_folder: Path, tmp_path: Path
) -> None:
    make_later(tmp_path / "new", 3)
    make_later(tmp_path / "same", 1)
    file = tmp_path / "new" / "session.yaml"
    here = open_session(tmp_path / "new").cell.name
    text = file.read_text(encoding="utf-8").replace(f"name: {here}", "name: line 3")
    file.write_text(text, encoding="utf-8")
    for words in ((), ("--visit", 2)):
        found = answer("recheck", tmp_path / "new", "--against", old_folder, *words)
        said = [item["message"] for item in found["findings"] if item["code"] == "cell-renamed"]
        assert len(said) == 1
        assert f"cell 'line 3', the earlier one of cell '{here}'" in said[0]
    quick = answer("solve", tmp_path / "new", "--board-from", old_folder, "--no-write")
    assert "cell-renamed" in {item["code"] for item in quick["findings"]}
    same = answer("recheck", tmp_path / "same", "--against", old_folder)
    assert "cell-renamed" not in {item["code"] for item in same["findings"]}


# ---- a session of the same cell ------------------------------------------------------------------


def test_a_session_begun_from_an_earlier_one_is_of_the_same_cell_and_visits_its_best_stations(
    old_folder: Path, tmp_path: Path
) -> None:
    started = answer("start", old_folder, tmp_path / "new", "--operator", "A. Example")
    assert "recheck" in started["name"]
    new, old = open_session(tmp_path / "new"), open_session(old_folder)
    assert (new.cell, new.operator, new.stations) == (old.cell, "A. Example", ())
    visit = stationbook("recheck", tmp_path / "new", "--against", old_folder, "--visit", 5).stdout
    assert "NOT KNOWN" not in visit  # nobody asked again whether something moved
    ids = [item.why.split("station ")[1].split()[0] for item in new.plan if item.why]
    assert len(ids) == 5
    said = " ".join(visit.split())
    places = [said.index(f"{number}: X") for number in ids]
    assert places == sorted(places)
    assert [item.pose for item in new.plan] == [
        station.pose for number in ids if (station := old.station(int(number)))
    ]


def test_what_is_left_to_visit_again_stays_planned_as_stations_come(
    old_folder: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "new"
    session = start_again(old_folder, folder, now=NOON)
    first, *rest = session.plan
    with writing(folder):
        recorded = replace(session, stations=(Station(1, pose=first.pose),))
        commit(folder, Change("test", recorded), Who(None, NOON))
    plan = revised(open_session(folder), folder)
    assert plan is not None
    assert [step.planned() for step in plan.steps] == rest


def test_a_session_without_a_result_is_no_start_for_another(tmp_path: Path) -> None:
    make_later(tmp_path / "few", 2)
    assert "no result" in refused("start", tmp_path / "few", tmp_path / "new")
    assert not (tmp_path / "new").exists()


def test_files_that_the_cell_names_come_along(old_folder: Path, tmp_path: Path) -> None:
    shutil.copytree(old_folder, tmp_path / "old")
    old = open_session(tmp_path / "old")
    points = old.cell.board.points()
    (tmp_path / "old" / "board").mkdir()
    rows = [f"{n},{x},{y},{z}" for n, (x, y, z) in enumerate(points)]
    text = "\n".join(["id,x_mm,y_mm,z_mm", *rows, ""])
    (tmp_path / "old" / "board" / "measured.csv").write_text(text, encoding="utf-8")
    path = tmp_path / "old" / "session.yaml"
    yaml = path.read_text(encoding="utf-8")
    assert yaml.count("\n  board:\n") == 1
    named = yaml.replace("\n  board:\n", "\n  board:\n    points_file: board/measured.csv\n")
    path.write_text(named, encoding="utf-8")
    new = start_again(tmp_path / "old", tmp_path / "new", now=NOON)
    assert (tmp_path / "new" / "board" / "measured.csv").read_text(encoding="utf-8") == text
    assert open_session(tmp_path / "new").cell.board == new.cell.board
