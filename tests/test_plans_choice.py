"""Choosing and ordering against brute force on small sets."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import combinations, pairwise, permutations

import numpy as np
import pytest
from numpy.typing import NDArray
from plan_world import world

from engine.arrays import Array
from engine.cell.cell import Cell
from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND, Mount
from engine.estimate.information import station_information
from engine.estimate.problem import problem_from
from engine.frames import rotation_exp, transform
from engine.plans.arm import arm_check
from engine.plans.choose import Aim, Offered, by_gain, choose, jog_cost, ordered
from engine.plans.outlook import _finite, outlook


def made(seed: int, count: int) -> tuple[Aim, Array]:
    """Return an aim with little known, and information of rank 6 for ``count`` candidates."""
    rng = np.random.default_rng(seed)
    known = np.diag(rng.uniform(0.1, 2.0, 12))
    rows = rng.normal(size=(count, 6, 12)) * rng.uniform(0.3, 3.0, (count, 1, 1))
    corners = rng.normal(size=(8, 3, 6))
    return Aim(known, np.swapaxes(corners, 1, 2) @ corners), np.swapaxes(rows, 1, 2) @ rows


def offered(information: Array, barred: tuple[int, ...] = ()) -> Offered:
    same = np.eye(len(information), dtype=bool)
    return Offered(information, lambda index: index not in barred, lambda index: same[index])


def against_brute_force(aim: Aim, information: Array, count: int) -> float:
    """Return u that the choice leaves over the least u of all combinations."""
    best = min(
        float(aim.loss(aim.known + information[list(some)].sum(axis=0)))
        for some in combinations(range(len(information)), count)
    )
    chosen = choose(aim, offered(information), count)
    loss = float(aim.loss(aim.known + information[chosen].sum(axis=0)))
    assert len(set(chosen)) == count
    assert best <= loss * (1 + 1e-12)
    return float(np.sqrt(loss / best))


def test_choice_comes_close_to_the_best_of_all_combinations_of_random_information() -> None:
    ratios = [against_brute_force(*made(seed, 14), 4) for seed in range(20)]
    assert max(ratios) <= 1.10
    assert np.mean(ratios) <= 1.02


def test_choosing_again_without_some_weighs_nothing_twice_and_ends_as_if_it_did(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    aim, information = made(3, 14)
    kept, whole, weighed = offered(information), Aim.loss, list[int]()

    def counted(self: Aim, total: Array) -> Array:
        weighed.append(len(total) if total.ndim == 3 else 0)
        return whole(self, total)

    monkeypatch.setattr(Aim, "loss", counted)
    first = choose(aim, kept, 4)
    assert weighed.count(14) == len(kept.losses)
    weighed.clear()
    assert choose(aim, kept, 4) == first
    assert 14 not in weighed
    barred = (first[0],)
    again = choose(aim, replace(kept, usable=lambda index: index not in barred), 4)
    assert again == choose(aim, offered(information, barred), 4)


@pytest.mark.parametrize("mount", [EYE_TO_HAND, EYE_IN_HAND])
def test_choice_among_real_stations_comes_within_three_percent_of_the_best(mount: Mount) -> None:
    done = world(mount, 1)
    done.follow(4)
    problem, result = problem_from(done.cell, done.stations), done.solved()
    first, present = (done.stations[k].base_T_flange for k in (0, -1))
    look = outlook(
        problem, result, present, done.view(first), arm_check(None, present[None], [None])
    )
    information = look.offers().information
    rng = np.random.default_rng(2)
    for _ in range(4):
        some = information[rng.choice(len(information), 14, replace=False)]
        assert against_brute_force(look.aim, some, 4) <= 1.03


def test_loss_is_the_largest_trace_over_the_corners() -> None:
    aim, information = made(3, 1)
    C = np.linalg.inv(aim.known + information[0])[:6, :6]
    assert aim.loss(aim.known + information)[0] == pytest.approx(
        max(np.trace(W @ C) for W in aim.weights)
    )


def test_first_choice_is_the_single_best_candidate() -> None:
    aim, information = made(5, 20)
    alone = [float(aim.loss(aim.known + item)) for item in information]
    assert choose(aim, offered(information), 1) == [int(np.argmin(alone))]
    assert by_gain(aim, information)[0] == int(np.argmin(alone))


def test_unusable_candidates_and_those_alike_are_left_out() -> None:
    aim, information = made(6, 20)
    free = choose(aim, offered(information), 5)
    chosen = choose(aim, offered(information, tuple(free[:2])), 5)
    assert set(free[:2]).isdisjoint(chosen)
    assert len(chosen) == 5
    pairs = np.arange(20) // 2
    twins = Offered(information, lambda _: True, lambda index: pairs == pairs[index])
    found = choose(aim, twins, 8)
    assert len({pairs[index] for index in found}) == len(found) == 8


def test_choice_stops_when_the_uncertainty_is_low_enough() -> None:
    aim, information = made(7, 30)
    losses = []
    for count in range(1, 8):
        chosen = choose(aim, offered(information), count)
        losses.append(float(np.sqrt(aim.loss(aim.known + information[chosen].sum(axis=0)))))
    until = (losses[3] + losses[4]) / 2

    def enough(chosen: list[int]) -> bool:
        return float(np.sqrt(aim.loss(aim.known + information[chosen].sum(axis=0)))) <= until

    chosen = choose(aim, offered(information), 20, enough)
    assert len(chosen) <= 6
    assert np.sqrt(aim.loss(aim.known + information[chosen].sum(axis=0))) <= until


def poses(count: int, seed: int) -> list[Array]:
    rng = np.random.default_rng(seed)
    return [
        transform(rotation_exp(rng.normal(0, 0.5, 3)), rng.uniform(-300, 300, 3))
        for _ in range(count)
    ]


HELD = np.empty((0, 0))  # no arm


def test_blocks_of_four_are_jogged_on_the_shortest_way() -> None:
    flange = poses(4, 1)
    order, left = ordered(np.eye(4), HELD, flange, lambda a, b, held: held)

    def length(way: tuple[int, ...]) -> float:
        return sum(jog_cost(a, b) for a, b in pairwise([np.eye(4), *(flange[k] for k in way)]))

    assert left == []
    assert length(tuple(order)) == pytest.approx(min(map(length, permutations(range(4)))))


def test_information_comes_first_block_by_block() -> None:
    order, _ = ordered(np.eye(4), HELD, poses(10, 2), lambda a, b, held: held)
    assert sorted(order[:4]) == [0, 1, 2, 3]
    assert sorted(order[4:8]) == [4, 5, 6, 7]
    assert sorted(order[8:]) == [8, 9]


def test_ways_that_are_not_clear_are_not_taken() -> None:
    flange = poses(5, 3)

    def goes(start: Array, end: Array, held: Array) -> Array | None:
        from_start = np.allclose(start, np.eye(4))
        barred = from_start and any(np.allclose(end, flange[k]) for k in (0, 1))
        return None if barred else held

    order, left = ordered(np.eye(4), HELD, flange, goes)
    assert left == []
    assert order[0] in (2, 3)

    def spares(start: Array, end: Array, held: Array) -> Array | None:
        return None if np.allclose(end, flange[2]) else held

    order, left = ordered(np.eye(4), HELD, flange, spares)
    assert left == [2]
    assert sorted(order) == [0, 1, 3, 4]


@pytest.mark.parametrize("mount", [EYE_TO_HAND, EYE_IN_HAND])
def test_stations_that_show_lens_and_board_errors_are_worth_visiting(mount: Mount) -> None:
    """Chosen with these errors open, as many stations leave a pick at least a tenth less off."""

    def open_errors(cell: Cell) -> Cell:
        board = replace(cell.board, scale_u=0.0012, bow_u_mm=0.1)
        return replace(cell, board=board, camera=replace(cell.camera, u=None))

    made = world(mount, 4, change=open_errors)
    made.follow(4)
    problem, result = problem_from(made.cell, made.stations), made.solved()
    typed = np.array([item.base_T_flange for item in made.stations])
    arm = arm_check(made.cell.robot, typed, [None] * len(typed))
    look = outlook(problem, result, typed[-1], made.view(typed[0]), arm)
    offers, moved = look.offers(), look.pick.moved[look.pick.corner]
    held = Aim(np.linalg.inv(result.full_covariance)[:12, :12], np.swapaxes(moved, 1, 2) @ moved)
    known = station_information(problem, result, offers.flange)
    left = []
    for aim, information in ((held, known), (look.aim, offers.information)):
        chosen = choose(aim, Offered(information, lambda k: True, _itself(len(known))), 6)
        after = look.after(offers.flange[chosen])
        assert after is not None
        left.append(after[1])
    assert left[1] < 0.9 * left[0]


def test_information_that_rounding_made_negative_still_gives_a_loss() -> None:
    rng = np.random.default_rng(8)
    rows = rng.normal(size=(11, 12)) * np.array([1e4] * 3 + [10.0] * 3 + [1e4] * 3 + [10.0] * 3)
    open_ = rows.T @ rows  # one direction open
    size, axes = np.linalg.eigh(open_)
    known = open_ - (abs(size[0]) + 1e-7) * np.outer(axes[:, 0], axes[:, 0])
    with pytest.raises(np.linalg.LinAlgError):
        np.linalg.cholesky(known)
    loss = Aim(_finite(known), np.eye(6)[None]).loss(_finite(known))
    assert np.isfinite(loss)
    assert loss > 0.0
    whole = known + 10.0 * np.eye(12)
    assert np.allclose(_finite(whole), whole, rtol=1e-6)


def _itself(count: int) -> Callable[[int], NDArray[np.bool_]]:
    return lambda index: np.arange(count) == index
