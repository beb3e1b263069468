"""Measured numbers that contradict each other or the stations are said, and pull nothing.

The truth is simulated (tests/simulated_sessions.py).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from bumps import revisited
from simulated_sessions import BOARD, CAMERA, Case, Seen, Simulated, simulated
from touched_sessions import POINTER, Arm, in_cell, touches

from engine.boards.pattern import Board
from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND, Mount
from engine.diagnosis.diagnose import diagnosed
from engine.estimate.numbers import settled
from engine.estimate.problem import Problem
from engine.estimate.result import Result
from engine.findings import Finding
from engine.frames import apply, displaced, displacement
from engine.proof.touch import touched_number

MOUNTS = (EYE_TO_HAND, EYE_IN_HAND)
TRULY = Seen(BOARD.points(), CAMERA)
WRONG_MM = 4.0  # mm; a height read from the wrong edge of a bracket


def made(mount: Mount, axes: int, seed: int = 0) -> Simulated:
    return simulated(Case(mount=mount, axes=axes, stations=10), np.random.default_rng([seed, 3]))


def with_height(session: Simulated, off_mm: float, board: Board = BOARD) -> Problem:
    height = round(float(session.board[2, 3]) + off_mm, 2)
    return replace(session.problem, board=replace(board, height_mm=height))


def with_touch(session: Simulated, problem: Problem, seed: int = 0) -> Problem:
    """Return the problem with one good touch as its missing number."""
    there, rng = in_cell(session, "lens"), np.random.default_rng([seed, 7])
    (one, *_) = touches(session, TRULY, there, Arm(session), rng)
    return replace(problem, touched=(touched_number(there, one, POINTER),))


def disagreeing(found: Result) -> list[Finding]:
    return [item for item in found.findings if item.code == "number-disagrees"]


def off_mm(session: Simulated, found: Result) -> float:
    return float(np.linalg.norm(displacement(session.camera, found.geometric)[3:]))


@pytest.mark.parametrize("mount", MOUNTS)
def test_a_wrong_height_is_contradicted_by_an_arm_that_tilts(mount: Mount) -> None:
    session = made(mount, axes=6, seed=1)
    problem = with_height(session, WRONG_MM)
    found = diagnosed(settled(problem))
    (said,) = disagreeing(found)
    assert said.suggested is not None
    assert float(said.suggested) == pytest.approx(session.board[2, 3], abs=1.0)
    assert found.verdict == "not-accepted"
    assert [item.code for item in found.findings if item.level == "error"] == ["number-disagrees"]
    alone = diagnosed(session.problem)
    assert off_mm(session, found) == pytest.approx(off_mm(session, alone), abs=1e-6)


@pytest.mark.parametrize("mount", MOUNTS)
@pytest.mark.parametrize("axes", [4, 6])
def test_good_numbers_are_kept_and_not_spoken_of(mount: Mount, axes: int) -> None:
    for seed in range(4):
        session = made(mount, axes, seed)
        problem = with_touch(session, with_height(session, 0.2), seed)
        kept = settled(problem)
        assert not kept.apart
        assert kept.board.height_mm == problem.board.height_mm
        assert len(kept.touched) == 1


@pytest.mark.parametrize("mount", MOUNTS)
def test_a_height_and_a_touch_of_four_axes_that_contradict_each_other_are_said(
    mount: Mount,
) -> None:
    session = made(mount, axes=4)
    problem = settled(with_touch(session, with_height(session, WRONG_MM)))
    found = diagnosed(problem)
    (said,) = disagreeing(found)
    assert "board.height_mm and the touched point" in said.message
    assert found.verdict == "not-accepted"
    assert not problem.touched
    errors = {item.code for item in found.findings if item.level == "error"}
    assert errors - {"tolerance"} == {"number-disagrees"}


def test_a_touch_beside_what_an_arm_that_tilts_shows_is_said() -> None:
    session = made(EYE_TO_HAND, axes=6)
    problem = with_touch(session, session.problem)
    beside = replace(problem.touched[0], p_base=problem.touched[0].p_base + np.array([0, 0, 9.0]))
    found = diagnosed(settled(replace(problem, touched=(beside,))))
    (said,) = disagreeing(found)
    assert "9." in said.message or "8." in said.message
    assert found.verdict == "not-accepted"


def even(mount: Mount) -> Simulated:
    """Return a session of four axes with a tilted board that looks the same turned.

    The height is that of its other end.
    """
    session, still = made(mount, axes=4), np.zeros(6)
    session = replace(session, board=displaced(session.board, np.array([0.2, 0, 0, 0, 0, 0])))
    height = float(apply(session.board, BOARD.points()[-1:])[0, 2])
    board = replace(BOARD, pattern="circles", diameter_mm=2.0, height_mm=height)
    session = replace(session, problem=replace(session.problem, board=board))
    problem = revisited(session, 10, still, still, np.random.default_rng(5))
    return replace(session, problem=problem)


@pytest.mark.parametrize("mount", MOUNTS)
def test_the_other_end_of_an_even_board_is_not_accepted_and_a_touch_settles_it(
    mount: Mount,
) -> None:
    session = even(mount)
    found = diagnosed(settled(session.problem))
    assert off_mm(session, found) > 10.0
    (said,) = (item for item in found.findings if item.code == "height-open")
    assert said.level == "error"
    assert found.verdict == "not-accepted"
    there, rng = in_cell(session, "lens"), np.random.default_rng(7)
    first, _, _, last, *_ = touches(session, TRULY, there, Arm(session), rng)
    # The image of the touched board was numbered from its other end.
    turned = touched_number(there, replace(first, seen=last.seen), POINTER)
    as_it_is = touched_number(there, first, POINTER)
    read = replace(turned, turned=(as_it_is,))
    wide = replace(session.problem.tolerance, position_mm=1.5)
    found = diagnosed(settled(replace(session.problem, touched=(read,), tolerance=wide)))
    assert not disagreeing(found)
    assert "height-open" not in {item.code for item in found.findings}
    assert found.verdict == "accepted"
    assert off_mm(session, found) < 2.0


def test_two_ends_that_are_as_high_within_half_of_the_tolerance_are_a_warning() -> None:
    session = even(EYE_TO_HAND)
    off = abs(session.board[2, :3] @ (BOARD.points()[-1] - BOARD.points()[0]))
    coarse = replace(session.problem.tolerance, position_mm=2.1 * off)
    found = diagnosed(settled(replace(session.problem, tolerance=coarse)))
    (said,) = (item for item in found.findings if item.code == "height-open")
    assert said.level == "warning"
