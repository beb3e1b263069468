"""The turns under which a board looks the same, checked by rendering the board and turning it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from board_pictures import reflectance

from engine.boards.pattern import HALF_TURN, Board, check_board, symmetries
from engine.cell.stations import Observation
from engine.checks.prediction import congruence_findings, predictor
from engine.errors import StationbookError
from engine.estimate.gather import board_turns, in_one_numbering
from engine.estimate.problem import problem_from
from engine.frames import displaced, inverse
from engine.simulate.scenario import cell

CHARUCO = Board("charuco", 5, 5, 20.0, dictionary="DICT_4X4_50", marker_mm=14.0)
BOARDS = [
    *(Board("chessboard", c, r, 20.0) for c, r in ((9, 6), (8, 5), (9, 7), (8, 6), (7, 7), (6, 6))),
    Board("circles", 5, 4, 20.0, diameter_mm=9.0),
    Board("circles", 5, 5, 20.0, diameter_mm=9.0),
    *(
        Board("circles-staggered", c, r, 20.0, diameter_mm=9.0)
        for c, r in ((4, 11), (3, 7), (4, 7))
    ),
    CHARUCO,
]


def turned_points(board: Board, quarters: int) -> np.ndarray:
    """The board's points after quarter turns about the pattern's middle, from x towards y."""
    points = board.points()[:, :2]
    middle = (points.min(0) + points.max(0)) / 2
    c, s = [(1, 0), (0, 1), (-1, 0), (0, -1)][quarters]
    return (points - middle) @ np.array([[c, s], [-s, c]]) + middle


def turns_that_keep_the_picture(board: Board) -> list[int]:
    """Quarter turns (1 to 3) after which the drawn board covers itself, ray by ray."""
    points = board.points()[:, :2]
    middle = (points.min(0) + points.max(0)) / 2
    reach = (points.max(0) - points.min(0)).max() / 2 + 1.4 * board.pitch_mm
    # Odd steps keep rays off the edges, where turning could round to the other side.
    line = np.linspace(-reach, reach, 237)
    x, y = np.meshgrid(line + 0.0123, line + 0.0071)
    kept = []
    for quarters in (1, 2, 3):
        c, s = [(1, 0), (0, 1), (-1, 0), (0, -1)][quarters]
        before = reflectance(board, x + middle[0], y + middle[1])
        after = reflectance(board, c * x - s * y + middle[0], s * x + c * y + middle[1])
        if np.mean(before != after) < 0.001:
            kept.append(quarters)
    return kept


@pytest.mark.parametrize("board", BOARDS, ids=lambda b: f"{b.pattern}-{b.columns}x{b.rows}")
def test_turns_listed_are_those_that_keep_the_drawn_board(board: Board) -> None:
    names = {1: "a quarter turn", 2: "half a turn", 3: "a quarter turn back"}
    expected = [names[q] for q in turns_that_keep_the_picture(board)]
    assert [turn.name for turn in symmetries(board)] == expected


@pytest.mark.parametrize("board", BOARDS, ids=lambda b: f"{b.pattern}-{b.columns}x{b.rows}")
def test_permutation_says_where_each_point_lands(board: Board) -> None:
    points = board.points()[:, :2]
    quarters = {"a quarter turn": 1, "half a turn": 2, "a quarter turn back": 3}
    for turn in symmetries(board):
        landed = turned_points(board, quarters[turn.name])
        np.testing.assert_allclose(landed, points[turn.permutation], atol=1e-9)


def test_what_decides_on_common_boards() -> None:
    # Common knowledge, no source: 10 × 7 squares show half a turn, 10 × 8 do not; a game's board of
    # 8 × 8 shows a quarter turn (light for dark in the corner), one of 7 × 7 shows none.
    def names(columns: int, rows: int) -> int:
        return len(symmetries(Board("chessboard", columns, rows, 1.0)))

    assert (names(9, 6), names(9, 7), names(7, 7), names(6, 6)) == (0, 1, 1, 3)
    assert symmetries(Board("chessboard", 7, 7, 1.0))[0].name == HALF_TURN


@pytest.mark.parametrize(
    ("board", "words"),
    [
        (Board("chessboard", 2, 8, 20.0), "board.columns: 2 is too few"),
        (Board("chessboard", 9, 0, 20.0), "board.rows: 0 is too few"),
        (Board("circles", 1, 4, 20.0, diameter_mm=5.0), "board.columns: 1 is too few"),
        (Board("chessboard", 9, 6, 0.0), "board.pitch_mm: 0.0 is not a length"),
        (Board("chessboard", 9, 6, float("nan")), "board.pitch_mm: nan is not a length"),
        (Board("circles", 9, 6, 20.0), "board.diameter_mm: None is not a length"),
        (Board("circles", 9, 6, 20.0, diameter_mm=20.0), "touch their neighbours"),
        (Board("circles-staggered", 4, 11, 20.0, diameter_mm=14.2), "touch their neighbours"),
        (Board("circles-staggered", 4, 10, 20.0, diameter_mm=5.0), "odd number of rows, got 10"),
        (Board("charuco", 5, 5, 20.0, marker_mm=15.0), "unknown marker dictionary None"),
        (
            Board("charuco", 5, 5, 20.0, dictionary="DICT_9X9", marker_mm=15.0),
            "dictionary 'DICT_9X9'",
        ),
        (Board("charuco", 5, 5, 20.0, dictionary="DICT_4X4_50"), "marker of None mm"),
        (Board("charuco", 5, 5, 20.0, dictionary="DICT_4X4_50", marker_mm=20.0), "does not fit"),
        (
            Board("charuco", 11, 9, 20.0, dictionary="DICT_4X4_50", marker_mm=15.0),
            "has 50 markers, the board needs 60",
        ),
    ],
)
def test_impossible_board_is_refused_with_key_and_value(board: Board, words: str) -> None:
    with pytest.raises(StationbookError, match=words.replace(".", r"\.").replace("'", ".")):
        check_board(board)


@pytest.mark.parametrize("board", BOARDS, ids=lambda b: f"{b.pattern}-{b.columns}x{b.rows}")
def test_possible_boards_pass(board: Board) -> None:
    check_board(board)
    assert len(symmetries(board)) in (0, 1, 3)


def simulated_views(board: Board) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Flange poses and views (6, 4, 4) of a cell, and the views with two half a turn on."""
    rng = np.random.default_rng(0)
    camera = displaced(np.eye(4), [0.1, 0.2, 0.3, 10, 20, 900])
    steps = np.column_stack([rng.normal(0, 0.2, (6, 3)), rng.normal(0, 50, (6, 3))])
    flanges = np.array([displaced(np.eye(4), step) for step in steps])
    views = inverse(camera) @ flanges @ displaced(np.eye(4), [0, 0, 0.4, 5, 6, 70])
    mixed = views.copy()
    mixed[[1, 3]] = mixed[[1, 3]] @ board_turns(board)[1]
    return flanges, views, mixed


def test_views_of_an_even_board_are_brought_to_one_numbering_by_the_robots_turns() -> None:
    board = Board("circles", 9, 6, 20.0, diameter_mm=10.0)
    flanges, views, mixed = simulated_views(board)
    assert np.abs(mixed - views).max() > 1
    np.testing.assert_allclose(in_one_numbering("eye-to-hand", board, flanges, mixed), views)


def test_both_numberings_of_an_even_board_are_in_step_with_the_robot() -> None:
    board = Board("circles", 9, 6, 20.0, diameter_mm=10.0)
    flanges, _, mixed = simulated_views(board)
    problem = replace(problem_from(cell(), ()), board=board)
    seen = [
        Observation(k, F, camera_T_board=T)
        for k, (F, T) in enumerate(zip(flanges, mixed, strict=True))
    ]
    known = predictor(replace(problem, observations=tuple(seen[:2])))
    assert known.result is None  # two stations do not solve
    assert congruence_findings(known, seen[2]) == []
    assert congruence_findings(known, seen[3]) == []
    turned = replace(seen[2], camera_T_board=mixed[2] @ displaced(np.eye(4), [0, 0, 0.7, 0, 0, 0]))
    assert [f.code for f in congruence_findings(known, turned)] == ["does-not-fit"]
