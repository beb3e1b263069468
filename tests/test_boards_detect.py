"""Detection on rendered boards, where the truth is known (tests/board_pictures.py)."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest
from board_pictures import Picture, a_camera, facing, render, rms

from engine.boards.candidates import Detection
from engine.boards.circle_centres import centre_shift_px
from engine.boards.detect import EVEN_ANGLES, detect
from engine.boards.pattern import Board, symmetries
from engine.camera.model import guessed_camera
from engine.errors import StationbookError
from engine.images.quality import look, quality_findings

CHESS = Board("chessboard", 9, 6, 20.0)
CHESS_TALL = Board("chessboard", 6, 9, 20.0)
CHESS_EVEN = Board("chessboard", 9, 7, 20.0)
CHESS_SQUARE = Board("chessboard", 7, 7, 20.0)
CHESS_SQUARE_EVEN = Board("chessboard", 6, 6, 20.0)
CIRCLES = Board("circles", 8, 6, 20.0, diameter_mm=10.0)
CIRCLES_SQUARE = Board("circles", 6, 6, 20.0, diameter_mm=10.0)
STAGGERED = Board("circles-staggered", 4, 11, 36.0, diameter_mm=12.0)
CHARUCO = Board("charuco", 8, 5, 22.0, dictionary="DICT_5X5_100", marker_mm=16.0)
LEGACY = Board("charuco", 8, 5, 22.0, dictionary="5x5_100", marker_mm=16.0, legacy_layout=True)
BOARDS = {
    "chessboard": CHESS,
    "chessboard-tall": CHESS_TALL,
    "chessboard-even": CHESS_EVEN,
    "chessboard-square": CHESS_SQUARE,
    "chessboard-square-even": CHESS_SQUARE_EVEN,
    "circles": CIRCLES,
    "circles-square": CIRCLES_SQUARE,
    "staggered": STAGGERED,
    "charuco": CHARUCO,
}
CAMERA = a_camera(640, 480, 800.0)
LENS = (-0.2, 0.06, 0.001, -0.0005, 0.0)


def seen(board: Board, tilt: float, about: float, turn: float, camera=CAMERA, **how) -> Picture:
    rng = np.random.default_rng(round(tilt + 10 * about + 100 * turn))
    how = {"rays": 3, **how}
    return render(board, facing(board, 430.0, tilt, about, turn), camera, rng=rng, **how)


def best_match(board: Board, found: Detection, truth: np.ndarray) -> float:
    """Least RMS over the numberings that the board's symmetries allow."""
    choices = [np.arange(board.count), *(t.permutation for t in symmetries(board))]
    return min(rms(found.pixels, truth[p][found.ids]) for p in choices)


@pytest.mark.parametrize("name", BOARDS)
@pytest.mark.parametrize("turn", [5, 95, 185, 275])
def test_points_are_numbered_right_however_the_board_is_turned(name: str, turn: float) -> None:
    board = BOARDS[name]
    picture = seen(board, 25, 40, turn)
    found = detect(picture.image, board)
    # Within 0.1 px: a numbering that the board does not allow, or a mirrored one, is off by 20 px.
    assert len(found.ids) >= 0.9 * board.count
    assert best_match(board, found, picture.pixels) < 0.1


@pytest.mark.parametrize("name", ["chessboard", "circles", "staggered", "charuco"])
@pytest.mark.parametrize(("tilt", "about"), [(0, 0), (30, 0), (45, 120), (45, 250)])
def test_points_are_within_a_tenth_of_a_pixel_up_to_45_degrees(name, tilt, about) -> None:
    board = BOARDS[name]
    picture = seen(board, tilt, about, 12, a_camera(640, 480, 800.0, LENS), blur_px=0.9)
    found = detect(picture.image, board)
    shift = centre_shift_px(picture.camera_T_board, board, picture.camera)
    assert len(found.ids) == board.count
    assert best_match(board, found, picture.pixels + shift) < 0.1
    assert found.scatter_px is not None
    assert found.scatter_px < 0.1


@pytest.mark.parametrize("image_turn", range(4))
def test_point_0_stays_on_the_same_corner_when_the_image_is_turned(image_turn: int) -> None:
    for board in (CHESS, CHESS_TALL, STAGGERED, CHARUCO):
        picture = seen(board, 15, 70, 20)
        height, width = picture.image.shape
        turned = np.ascontiguousarray(np.rot90(picture.image, image_turn))
        found = detect(turned, board)
        u, v = found.pixels.T
        back = [
            (u, v),
            (width - 1 - v, u),
            (width - 1 - u, height - 1 - v),
            (v, height - 1 - u),
        ][image_turn]
        assert rms(np.column_stack(back), picture.pixels[found.ids]) < 0.1


@pytest.mark.parametrize("board", [CIRCLES, STAGGERED], ids=lambda b: b.pattern)
def test_bright_circles_on_dark_ground_are_found(board: Board) -> None:
    picture = seen(board, 25, 30, 10, inverted=True)
    found = detect(picture.image, board)
    assert best_match(board, found, picture.pixels) < 0.1


def test_shading_over_the_board_does_not_pull_circles() -> None:
    picture = seen(CIRCLES, 0, 0, 8, noise=1.0)
    shade = np.linspace(0.35, 1.0, picture.image.shape[1])
    found = detect((picture.image * shade).astype(np.uint8), CIRCLES)
    assert best_match(CIRCLES, found, picture.pixels) < 0.05


@pytest.mark.parametrize("board", [CHARUCO, LEGACY], ids=["layout", "legacy layout"])
def test_part_of_a_charuco_board_gives_the_right_ids(board: Board) -> None:
    drawn = replace(board, dictionary="DICT_5X5_100")
    T = facing(drawn, 430.0, 20.0, 10.0, 15.0, shift=(110.0, 30.0))
    picture = render(drawn, T, CAMERA, rng=np.random.default_rng(1))
    found = detect(picture.image, board)
    assert 8 <= len(found.ids) < board.count
    assert rms(found.pixels, picture.pixels[found.ids]) < 0.1
    assert (np.diff(found.ids) > 0).all()


@pytest.mark.parametrize("columns", [7, 8], ids=["even", "odd"])
@pytest.mark.parametrize("legacy", [False, True])
def test_charuco_board_of_the_other_layout_is_called_that(columns: int, legacy: bool) -> None:
    board = replace(CHARUCO, columns=columns, rows=5, legacy_layout=legacy)
    drawn = replace(board, dictionary="DICT_5X5_100")
    picture = render(drawn, facing(drawn, 500.0, 20.0, 10.0, 15.0), CAMERA)
    assert detect(picture.image, board).found
    other = replace(board, legacy_layout=not legacy)
    report = look(picture.image, detect(picture.image, other), other)
    said = quality_findings(report, other, None, "x.png")[0]
    assert f"board.legacy_layout: {str(legacy).lower()}" in said.remedy


@pytest.mark.parametrize("name", ["chessboard", "circles", "staggered"])
def test_board_that_leaves_the_image_is_numbered_from_the_sides_that_are_seen(name: str) -> None:
    board = BOARDS[name]
    T = facing(board, 430.0, 20.0, 10.0, 5.0, shift=(150.0, 0.0))
    cut = render(board, T, CAMERA, rng=np.random.default_rng(1))
    found = detect(cut.image, board)
    shift = centre_shift_px(T, board, CAMERA)
    assert board.count / 2 < len(found.ids) < board.count
    assert best_match(board, found, cut.pixels + shift) < 0.1


@pytest.mark.parametrize("name", ["chessboard", "circles", "staggered", "charuco"])
def test_board_of_another_size_is_not_found_and_its_count_is_told(name: str) -> None:
    board = BOARDS[name]
    image = seen(board, 10, 0, 0).image
    for more in ((1, 0), (0, 2), (-1, 0), (-2, -2)):
        other = replace(board, columns=board.columns + more[0], rows=board.rows + more[1])
        found = detect(image, other)
        assert not found.found, more
        assert found.other_count == (board.columns, board.rows), more


@pytest.mark.parametrize("name", ["chessboard", "chessboard-even", "circles", "staggered"])
def test_part_of_a_larger_board_is_never_taken_for_the_board(name: str) -> None:
    # OpenCV's detectors leave rows out or settle anywhere: every point would have a wrong number.
    board = BOARDS[name]
    image = seen(board, 20, 40, 5).image
    for fewer in ((1, 0), (0, 2), (2, 2)):
        smaller = replace(board, columns=board.columns - fewer[0], rows=board.rows - fewer[1])
        assert not detect(image, smaller).found, fewer


@pytest.mark.parametrize("name", ["chessboard", "circles", "staggered", "charuco"])
def test_scatter_grows_with_the_noise_of_the_image(name: str) -> None:
    board = BOARDS[name]
    quiet = detect(seen(board, 20, 40, 20, noise=1.0).image, board)
    noisy = detect(seen(board, 20, 40, 20, noise=14.0).image, board)
    assert noisy.scatter_px > 1.5 * quiet.scatter_px


@pytest.mark.parametrize("name", BOARDS)
def test_image_without_a_board_gives_nothing(name: str) -> None:
    noise = np.random.default_rng(0).integers(0, 256, (240, 320), dtype=np.uint8)
    for image in (noise, np.full((240, 320), 90, np.uint8), np.zeros((32, 400), np.uint8)):
        found = detect(image, BOARDS[name])
        assert not found.found
        assert (found.scatter_px, found.pixels.shape) == (None, (0, 2))


def test_input_is_checked_and_left_alone() -> None:
    picture = seen(CHESS, 20, 10, 30)
    before = picture.image.copy()
    detect(picture.image, CHESS)
    np.testing.assert_array_equal(picture.image, before)
    with pytest.raises(StationbookError, match="expected a grey image"):
        detect(np.zeros((48, 64, 3), np.uint8), CHESS)
    with pytest.raises(StationbookError, match="cannot show a board"):
        detect(np.zeros((5, 64), np.uint8), CHESS)
    with pytest.raises(StationbookError, match="odd number of rows"):
        detect(picture.image, replace(STAGGERED, rows=10))


def test_five_megapixel_image_is_searched_in_time() -> None:
    # 0.15 s of processor time is the bar on a free machine; it is more where caches are shared.
    board = Board("chessboard", 11, 8, 20.0)
    camera = a_camera(2592, 1944, 2800.0)
    picture = render(board, facing(board, 700.0, 30.0, 30.0, 10.0), camera, rays=1, blur_px=1.5)
    times = []
    for _ in range(3):
        start = time.process_time()
        found = detect(picture.image, board)
        times.append(time.process_time() - start)
    assert len(found.ids) == board.count
    assert min(times) < 0.4


@pytest.mark.parametrize("name", ["chessboard", "circles", "charuco"])
def test_a_fine_grid_that_is_no_board_is_given_up_in_time(name: str) -> None:
    # 6,000 dark squares, of which markers were looked for during 8 s; 1 s is the bar.
    grid = (np.indices((768, 1024)) // 8).sum(axis=0) % 2
    start = time.process_time()
    assert not detect((grid * 150 + 50).astype(np.uint8), BOARDS[name]).found
    assert time.process_time() - start < 1.0


@pytest.mark.parametrize("name", ["chessboard", "staggered"])
def test_wide_angle_images_are_found_before_their_lens_is_known(name: str) -> None:
    # 113° over the diagonal; a session shall find this lens from such images.
    wide = replace(a_camera(960, 720, 315.0), distortion=EVEN_ANGLES)
    board = BOARDS[name]
    T = facing(board, 90.0, 20.0, 100.0, 30.0, (30.0, 10.0))
    picture = render(board, T, wide, rng=np.random.default_rng(1), rays=2)
    found = detect(picture.image, board, guessed_camera(wide))
    assert len(found.ids) > 0.95 * board.count
    truth = picture.pixels + centre_shift_px(T, board, wide)
    assert min(rms(found.pixels, way[found.ids]) for way in (truth, truth[::-1])) < 0.1
