"""Rechecks of another board or through another lens: named by what no movement brings about.

The truth is simulated as in tests/test_proof_recheck.py.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from bumps import MOUNT, bump, old_session, remounted, revisited
from simulated_sessions import BOARD, CAMERA, Case

from engine.camera.model import Camera
from engine.cell.mount import EYE_IN_HAND
from engine.cell.rule import Tolerance
from engine.findings import Finding
from engine.proof.answer import rechecked as said_of
from engine.proof.pick_now import commands, pick_now
from engine.proof.recheck import Recheck, recheck
from engine.sessions.journal import MARKS
from engine.steps.recheck import _mark_of

ZERO = np.zeros(6)
CASES = {
    "fixed camera": Case(stations=8),
    "hand camera": Case(mount=EYE_IN_HAND, stations=8),
    "four axes": Case(stations=8, axes=4),
}


def through(focal: float = 1.0, centre_px: float = 0.0) -> Camera:
    """Return the camera with another focal length, its image centre elsewhere."""
    (fx, s, x), (o, fy, y), last = CAMERA.matrix
    matrix = ((focal * fx, s, x + centre_px), (o, focal * fy, y), last)
    return replace(CAMERA, matrix=matrix)


def rechecked(name: str, stations: int, lens: Camera = CAMERA, scale: float = 1.0) -> Recheck:
    rng = np.random.default_rng([stations, round(1e4 * scale)])
    session, old = old_session(CASES[name], 3)
    points = scale * BOARD.points()
    problem = revisited(
        session, stations, ZERO, remounted(MOUNT, rng), rng, lens=lens, points=points
    )
    answer, tolerance = recheck(old, problem), Tolerance(1.5, 0.3)
    now = pick_now(old, session.problem, problem, answer, tolerance, commands("new", "old"))
    return replace(answer, pick=now)


def percent(item: Finding) -> float:
    """Return the first percentage that a finding tells."""
    before, _, _ = item.message.partition(" %")
    return float(before.rpartition(" ")[2])


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("scale", [0.99, 1.25])
def test_a_board_of_another_pitch_is_named_and_nothing_is_said_of_the_camera(
    name: str, scale: float
) -> None:
    answer = rechecked(name, 3, scale=scale)
    assert (answer.moved, answer.cause, answer.movement) == (None, "board", None)
    assert answer.findings[0].code == "board-changed"
    assert percent(answer.findings[0]) == pytest.approx(100 * (scale - 1.0), abs=0.15)
    assert answer.pick is not None
    assert answer.pick.state == "not-known"
    assert _mark_of(answer) == "open"


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize(("focal", "centre_px"), [(0.985, 0.0), (1.01, 20.0)])
def test_another_lens_is_named_and_bars_the_old_result(
    name: str, focal: float, centre_px: float
) -> None:
    answer = rechecked(name, 3, through(focal, centre_px))
    assert (answer.moved, answer.cause, answer.movement) == (None, "lens", None)
    assert answer.findings[0].code == "lens-changed"
    assert percent(answer.findings[0]) == pytest.approx(100 * (focal - 1.0), abs=0.5)
    assert answer.pick is not None
    assert answer.pick.error_mm is None
    assert answer.pick.next == "`stationbook start old new-again`"
    assert _mark_of(answer) == "lens"


def test_a_pitch_that_a_lens_explains_as_well_is_told_as_either_and_bars_the_old_result() -> None:
    answer = rechecked("fixed camera", 3, scale=0.995)
    assert (answer.moved, answer.cause, answer.movement) == (None, "unclear", None)
    assert "No movement explains" in answer.findings[0].message
    assert "the lens was exchanged" in answer.findings[0].message
    assert "another board" in answer.findings[0].message
    assert _mark_of(answer) == "lens"


def test_a_pitch_as_likely_as_a_movement_is_told_beside_it() -> None:
    answer = rechecked("fixed camera", 2, scale=1.002)
    assert (answer.moved, answer.cause) == (True, "unclear")
    assert "another board" in answer.findings[0].message
    assert answer.pick is not None
    assert answer.pick.state == "not-known"


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("size_mm", [0.5, 5.0])
def test_a_bump_is_never_taken_for_another_lens_or_board(name: str, size_mm: float) -> None:
    for seed in range(2):
        rng = np.random.default_rng([seed, 5])
        session, old = old_session(CASES[name], 3)
        answer = recheck(old, revisited(session, 3, bump(size_mm, rng), ZERO, rng))
        said = " ".join(item.message for item in answer.findings)
        assert "lens" not in said
        assert "another board" not in said


@pytest.mark.parametrize("name", ["fixed camera", "hand camera"])
def test_a_lens_that_sits_elsewhere_is_told_beside_the_movement_that_looks_like_it(
    name: str,
) -> None:
    answer = rechecked(name, 3, through(centre_px=4.0))
    assert (answer.moved, answer.cause) == (True, "camera")
    assert "or its lens sits elsewhere in it" in answer.findings[0].message
    assert answer.pick is not None
    assert answer.pick.error_mm is not None
    assert answer.pick.expanded_mm is not None
    assert answer.pick.error_mm > answer.pick.expanded_mm


@pytest.mark.parametrize(("name", "stations"), [("fixed camera", 3), ("four axes", 4)])
def test_a_movement_beside_another_lens_is_not_told_as_a_movement_alone(
    name: str, stations: int
) -> None:
    """It was, as certain, with the size that the lens made of it."""
    rng = np.random.default_rng([stations, 6])
    session, old = old_session(CASES[name], 3)
    slip = remounted(MOUNT, rng)
    problem = revisited(session, stations, bump(3.0, rng), slip, rng, lens=through(1.01))
    answer = recheck(old, problem)
    assert answer.cause in ("lens", "unclear")
    assert "the lens was exchanged" in answer.findings[0].message or answer.cause == "lens"


@pytest.mark.parametrize(("name", "stations"), [("four axes", 3), ("hand camera", 4)])
def test_a_camera_that_moved_beside_its_board_is_told_with_its_own_movement(
    name: str, stations: int
) -> None:
    """A level arm's board explained three stations by itself, so the camera was said to stand.

    Of an arm with six axes the stations were said to contradict each other.
    """
    rng = np.random.default_rng([stations, 5])
    session, old = old_session(CASES[name], 3)
    problem = revisited(session, stations, bump(3.0, rng), bump(6.0, rng), rng)
    answer, tolerance = recheck(old, problem), Tolerance(0.5, 0.3)
    assert (answer.moved, answer.cause) == (True, "camera")
    assert "and the board on its mount" in answer.findings[0].message
    move = answer.movement
    assert move is not None
    if name == "hand camera":  # a level arm does not tell the height
        assert move.position_mm == pytest.approx(3.0, abs=2.0 * move.u_position_mm)
        now = pick_now(old, session.problem, problem, answer, tolerance, commands("new", "old"))
        assert (now.state, now.next) == ("beyond", "`stationbook solve new`")


def test_what_nobody_can_tell_is_called_the_same_on_screen_and_in_the_plant() -> None:
    """The headline was "camera or board" over a text that also named the lens."""
    headline = said_of("unclear", True)[0]
    assert headline.lower().startswith(MARKS["something"])
    assert "CAMERA" not in headline


@pytest.mark.parametrize(
    ("case", "turned"),
    [
        (Case(stations=8), (0.0, 1.0, 0.0)),
        (Case(stations=8, axes=4), (0.0, 0.0, 1.6)),
        (Case(mount=EYE_IN_HAND, stations=8, axes=4), (0.5, 0.0, -0.2)),
    ],
)
def test_a_board_under_another_tool_sits_elsewhere_however_far(
    case: Case, turned: tuple[float, float, float]
) -> None:
    """The third, read first as another lens, made its focal length less than nothing."""
    session, old = old_session(case, 3)
    slip = np.array([*turned, 0.0, -100.0, -30.0])
    problem = revisited(session, 2, ZERO, slip, np.random.default_rng(5))
    answer = recheck(old, problem)
    assert (answer.moved, answer.cause) == (False, "board")
