"""What goes on moving while a recheck is recorded stays in the uncertainty of a pick."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from bumps import MOUNT, bump, moving, old_session, pick_errors, remounted, revisited
from simulated_sessions import CAMERA, Case

from engine.cell.mount import EYE_IN_HAND
from engine.cell.rule import Tolerance
from engine.proof.assumed import FREE, mount_covariance
from engine.proof.going import at_the_end, ways
from engine.proof.pick_now import commands, pick_now, said
from engine.proof.recheck import recheck
from engine.proof.update import seen_stations, updated

WAYS = commands("new", "old")
CASES = {"fixed": Case(stations=8), "hand": Case(mount=EYE_IN_HAND, stations=8)}


@pytest.mark.parametrize("how", ["drift", "knock"])
@pytest.mark.parametrize("name", CASES)
def test_a_pick_is_off_by_no_more_than_u_though_the_camera_moved_meanwhile(
    how: str, name: str
) -> None:
    off, within = 0, 0
    for seed, n in ((seed, n) for seed in range(205, 209) for n in (4, 6)):
        session, old = old_session(CASES[name], seed)
        rng = np.random.default_rng([seed, n, 12])
        whole, slip = bump(1.0, rng), remounted(MOUNT, rng)
        share = np.arange(n) / (n - 1.0) if how == "drift" else np.arange(n) >= n // 2
        shifts = share[:, None] * whole
        problem = moving(session, n, shifts, np.tile(slip, (n, 1)), (seed, n))
        true = float(np.linalg.norm(pick_errors(session, old, whole), axis=1).max())
        tolerance = Tolerance(0.9 * true, 0.2)
        answer = recheck(old, problem)
        now = pick_now(old, session.problem, problem, answer, tolerance, WAYS)
        within += now.state == "within"
        if now.error_mm is not None and now.expanded_mm is not None and answer.cause != "unclear":
            off += abs(now.error_mm - true) > now.expanded_mm
    assert (within, off) == (0, 0)


def test_stations_that_stand_still_leave_little_of_it_open() -> None:
    wider = []
    for seed in range(205, 209):
        session, old = old_session(CASES["fixed"], seed)
        still, slip = np.zeros((5, 6)), remounted(MOUNT, np.random.default_rng(seed))
        problem = moving(session, 5, still, np.tile(slip, (5, 1)), (seed, 5))
        seen = seen_stations(old, problem)
        assert seen is not None
        mount = mount_covariance(problem.board)
        found, (_, covariance) = updated(old, seen, FREE, mount), at_the_end(old, seen, FREE, mount)
        wider.append(np.trace(covariance[3:6, 3:6]) / np.trace(found.now_covariance[3:6, 3:6]))
    assert min(wider) >= 1.0
    assert np.median(wider) < 1.2


def test_what_may_move_meanwhile_is_all_still_to_come_at_first_and_none_at_the_end() -> None:
    assert not list(ways(1))
    for count in (2, 3, 6):
        left = np.array([share for _, share in ways(count)])
        assert (left[:, 0] == 1.0).all()
        assert (left[:, -1] == 0.0).all()
        assert len(left) == 2 * (count if count > 2 else 1)


@pytest.mark.parametrize("name", CASES)
def test_a_camera_that_was_knocked_with_the_board_is_not_told_to_be_within(name: str) -> None:
    tolerance, still, within = Tolerance(1.5, 0.2), 0, 0
    for seed, size in ((seed, size) for seed in range(205, 208) for size in (0.0, 1.0, 2.0)):
        session, old = old_session(CASES[name], seed)
        rng = np.random.default_rng([seed, 5])
        shift, slip = bump(size, rng), bump(10.0, rng)
        problem = revisited(session, 2 if size else 3, shift, slip, rng)
        true = float(np.linalg.norm(pick_errors(session, old, shift), axis=1).max())
        answer = recheck(old, problem)
        now = pick_now(old, session.problem, problem, answer, tolerance, WAYS)
        still += size == 0.0 and (answer.cause, now.state) == ("board", "within")
        within += true > tolerance.position_mm and now.state == "within"
    assert within == 0
    assert still >= 2


def test_a_lens_focused_anew_beside_a_board_elsewhere_is_not_told_to_be_within() -> None:
    """Fixed over an arm that stays level: 0.3 % of focal length and a height of 2 mm look alike."""
    session, old = old_session(Case(axes=4, stations=8, height_known=True), 205)
    states = []
    for focal in (1.0, 1.003):
        rng = np.random.default_rng([205, 7])
        (fx, s, x), (o, fy, y), last = CAMERA.matrix
        lens = replace(CAMERA, matrix=((focal * fx, s, x), (o, focal * fy, y), last))
        slip = bump(4.0, rng) * [0, 0, 1, 1, 1, 1]
        problem = revisited(session, 3, np.zeros(6), slip, rng, lens=lens)
        answer = recheck(old, problem)
        now = pick_now(old, session.problem, problem, answer, Tolerance(2.0, 0.2), WAYS)
        states.append((answer.cause, now.state))
    assert states == [("board", "within"), ("board", "not-known")]
    assert now.more is None
    assert said(now, answer, Tolerance(2.0, 0.2)).variant == "never-board"


def test_one_stop_with_another_tool_says_nothing_of_the_camera() -> None:
    """It shows as a board far away, nearer by than a camera would have to be."""
    session, old = old_session(CASES["fixed"], 205)
    rng = np.random.default_rng(8)
    far = np.r_[0.0, 0.6, 0.2, 20.0, 0.0, 110.0]
    problem = revisited(session, 1, bump(5.0, rng), far, rng)
    answer = recheck(old, problem)
    now = pick_now(old, session.problem, problem, answer, Tolerance(3.0, 0.2), WAYS)
    assert (answer.moved, answer.cause, now.state) == (True, "unclear", "not-known")
