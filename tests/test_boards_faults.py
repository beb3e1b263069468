"""Boards that are covered, cut off, marked or light, and how sure each point is.

Pictures with known truth: tests/faulty_pictures.py and tests/board_pictures.py.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from board_pictures import a_camera, facing, render, rms
from faulty_pictures import PATTERNS, Faulty, faulty

from engine.boards.candidates import Detection
from engine.boards.circle_centres import centre_shift_px
from engine.boards.detect import detect
from engine.boards.grids import numbered
from engine.boards.pattern import Board, Larger, check_board, symmetries
from engine.errors import StationbookError

FAR_PX = 2.0  # px; no accepted point may be farther off
CAMERA = a_camera(640, 480, 800.0)
CIRCLES = PATTERNS["circles"]
MARKED = replace(CIRCLES, larger=Larger((21, 24, 40), 13.0))
HOLED = replace(CIRCLES, missing=(21, 24, 40))


def off_px(board: Board, found: Detection, picture: Faulty) -> np.ndarray:
    """How far the points are off, in the numbering nearest the truth that the board allows."""
    truth = picture.pixels + centre_shift_px(picture.camera_T_board, board, picture.camera)
    turns = [np.arange(board.count), *(t.permutation for t in symmetries(board))]
    ways = [np.linalg.norm(found.pixels - truth[t][found.ids], axis=1) for t in turns]
    return min(ways, key=np.median)


@pytest.mark.parametrize("name", PATTERNS)
@pytest.mark.parametrize("fault", ["glare", "hand", "cut-off", "dirt", "shadow", "light", "noise"])
def test_clear_points_are_found_and_none_is_wrong(name: str, fault: str) -> None:
    board, picture = PATTERNS[name], faulty(PATTERNS[name], fault, 31, width=800)
    found = detect(picture.image, board, picture.camera)
    assert len(found.ids) >= 2 / 3 * picture.clear.sum()
    assert off_px(board, found, picture).max() < FAR_PX


@pytest.mark.parametrize("name", PATTERNS)
def test_the_same_image_gives_the_same_points_whatever_was_drawn_before(name: str) -> None:
    board, picture = PATTERNS[name], faulty(PATTERNS[name], "shadow", 3, width=800)
    answers = []
    for seed in (1, 77, 12345):
        cv2.setRNGSeed(seed)
        answers.append(detect(picture.image, board))
    for other in answers[1:]:
        np.testing.assert_array_equal(answers[0].ids, other.ids)
        np.testing.assert_array_equal(answers[0].pixels, other.pixels)


@pytest.mark.parametrize("board", [MARKED, HOLED], ids=["larger", "missing"])
@pytest.mark.parametrize("turn", [10, 100, 190, 280])
def test_circles_that_differ_fix_the_numbering_at_any_turn(board: Board, turn: float) -> None:
    T = facing(board, 430.0, 25.0, 40.0, turn)
    picture = render(board, T, CAMERA, rng=np.random.default_rng(2), rays=3)
    found = detect(picture.image, board, CAMERA)
    assert symmetries(board) == ()
    np.testing.assert_array_equal(found.ids, board.present)
    shift = centre_shift_px(T, board, CAMERA)
    assert rms(found.pixels, (picture.pixels + shift)[found.ids]) < 0.1


@pytest.mark.parametrize("pattern", ["chessboard", "circles", "circles-staggered"])
def test_light_boards_are_found_and_numbered(pattern: str) -> None:
    board = replace(PATTERNS[pattern], light=True)
    for turn in (20, 200):
        T = facing(board, 400.0, 20.0, 40.0, turn)
        picture = render(board, T, CAMERA, rng=np.random.default_rng(2), rays=3)
        found = detect(picture.image, board, CAMERA)
        shift = centre_shift_px(T, board, CAMERA)
        truth = picture.pixels + shift
        choices = [np.arange(board.count), *(t.permutation for t in symmetries(board))]
        assert len(found.ids) == board.count
        assert min(rms(found.pixels, truth[c]) for c in choices) < 0.1


def test_marks_that_the_board_cannot_have_are_refused() -> None:
    with pytest.raises(StationbookError, match=r"board\.larger: \[54\]"):
        check_board(replace(CIRCLES, larger=Larger((54,), 13.0)))
    with pytest.raises(StationbookError, match=r"board\.missing: \[3, 3\]"):
        check_board(replace(CIRCLES, missing=(3, 3)))
    with pytest.raises(StationbookError, match=r"larger\.diameter_mm: 10\.5 mm cannot be told"):
        check_board(replace(CIRCLES, larger=Larger((4,), 10.5)))


def test_middle_of_a_board_is_not_numbered_but_by_the_pose_expected() -> None:
    board = Board("circles", 15, 13, 20.0, diameter_mm=10.0)
    T = facing(board, 210.0, 15.0, 40.0, 5.0)
    picture = render(board, T, CAMERA, rng=np.random.default_rng(2), rays=2)
    found = detect(picture.image, board, CAMERA)
    assert not found.found
    assert len(found.choices) > 1
    near = T.copy()
    near[:3, 3] += (3.0, -2.0, 4.0)  # mm; a fifth of the pitch
    told = numbered(found, board, CAMERA, near)
    assert len(told.ids) == len(found.pixels) > 40
    assert rms(told.pixels, (picture.pixels + centre_shift_px(T, board, CAMERA))[told.ids]) < 0.1
    far = T.copy()
    far[0, 3] += 10.0  # half a pitch: two numberings fit alike
    assert not numbered(found, board, CAMERA, far).found


@pytest.mark.parametrize("size", [(12, 12), (13, 12), (14, 12)])
def test_board_of_14_by_13_is_not_taken_for_a_smaller_one(size: tuple[int, int]) -> None:
    board = Board("chessboard", 14, 13, 20.0)
    image = render(board, facing(board, 560.0, 15.0, 40.0, 5.0), CAMERA, rays=2).image
    found = detect(image, Board("chessboard", *size, 20.0))
    assert not found.found
    assert found.other_count == (14, 13)


@pytest.mark.parametrize("name", PATTERNS)
def test_covariances_are_those_of_repeated_noise(name: str) -> None:
    # Errors against the truth, 12 draws × 54 points × 2: ± 3 %. Five by five rays a pixel: with
    # three by three the picture itself is off by 0.04 px.
    board = PATTERNS[name]
    T = facing(board, 430.0, 35.0, 40.0, 15.0)
    picture = render(board, T, CAMERA, rays=5, blur_px=0.9)
    truth = picture.pixels + centre_shift_px(T, board, CAMERA)
    turns = [np.arange(board.count), *(t.permutation for t in symmetries(board))]
    rng, squares = np.random.default_rng(4), []
    for _ in range(12):
        noisy = picture.image + rng.normal(0, 6.0, picture.image.shape)
        found = detect(np.clip(np.rint(noisy), 0, 255).astype(np.uint8), board, CAMERA)
        off = min((found.pixels - truth[t][found.ids] for t in turns), key=np.linalg.norm)
        squares.append(np.einsum("ni,nij,nj->n", off, np.linalg.inv(found.covariances), off) / 2)
    assert 0.7 < np.concatenate(squares).mean() < 1.4


@pytest.mark.parametrize("name", PATTERNS)
def test_bias_at_45_degrees_is_below_a_hundredth_of_a_pixel(name: str) -> None:
    # Without noise, over eight directions and places; 0.01 px is the bar for the mean error.
    board, offs = PATTERNS[name], []
    for about in np.arange(0, 360, 45):
        T = facing(board, 430.0, 45.0, about, about / 3 + 7, shift=(about / 97, about / 89))
        picture = render(board, T, CAMERA, rays=5, blur_px=0.9)
        found = detect(picture.image, board, CAMERA)
        truth = picture.pixels + centre_shift_px(T, board, CAMERA)
        turns = [np.arange(board.count), *(t.permutation for t in symmetries(board))]
        ways = [found.pixels - truth[t][found.ids] for t in turns]
        offs.append(min(ways, key=lambda off: np.median(np.abs(off))).mean(axis=0))
    assert np.abs(np.mean(offs, axis=0)).max() < 0.01


def test_charuco_board_is_found_at_a_fifteenth_of_the_light() -> None:
    board = PATTERNS["charuco"]
    picture = faulty(board, "none", 3, width=800)
    found = detect((picture.image * 0.07).astype(np.uint8), board, picture.camera)
    assert len(found.ids) == board.count
    assert np.abs(found.pixels - picture.pixels[found.ids]).max() < 1.0


def test_light_circles_on_a_black_plate_are_numbered_where_a_row_is_out_of_view() -> None:
    board = replace(PATTERNS["circles"], light=True)
    camera = a_camera(800, 600, 950.0)
    T = facing(board, 260.0, 15.0, 10.0, 5.0, shift=(0.0, 0.0))
    T[0, 3] += 35.0  # the last column leaves the image
    picture = render(board, T, camera, rng=np.random.default_rng(1), noise=0.0)
    black = float(np.percentile(picture.image, 20))  # the plate
    dark = np.clip(
        (picture.image - black) * 0.5 + np.random.default_rng(2).normal(0, 1, (600, 800)), 0, 255
    )
    found = detect(dark.astype(np.uint8), board, camera)
    assert 36 <= len(found.ids) < board.count
    truth = picture.pixels + centre_shift_px(T, board, camera)
    ways = [truth, *(truth[turn.permutation] for turn in symmetries(board))]
    assert min(np.abs(found.pixels - way[found.ids]).max() for way in ways) < 1.0
