"""Image quality on rendered boards whose blur, light and pose are known, and on photographs."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from pathlib import Path

import cv2
import numpy as np
import pytest
from board_pictures import a_camera, facing, project, render
from faulty_pictures import PATTERNS, faulty
from made_session import make_session
from photographs import BOARD, NUMBERS, detected, photograph, read_image

from engine.arrays import Grey
from engine.boards.detect import Detection, detect
from engine.boards.pattern import Board, Larger
from engine.camera.model import Camera, DepthCamera
from engine.camera.views import board_pose
from engine.frames import apply
from engine.images import quality
from engine.images.precision import precision
from engine.images.quality import ImageReport, look, quality_findings
from engine.sessions.folder import open_session
from engine.steps.station_image import examine_image_data

CHESS = Board("chessboard", 8, 5, 24.0)
BOARDS = [
    CHESS,
    Board("circles", 8, 5, 24.0, diameter_mm=12.0),
    Board("circles-staggered", 4, 9, 40.0, diameter_mm=14.0),
    Board("charuco", 8, 5, 24.0, dictionary="DICT_4X4_50", marker_mm=17.0),
]
CAMERA = a_camera(640, 480, 900.0)
TEN_TO_NINETY = 2.5631  # width of a Gaussian edge by its sigma: normal table, z(0.9) = 1.28155


def examined(
    board: Board, tilt: float = 20.0, shift=(0.0, 0.0), **how
) -> tuple[ImageReport, np.ndarray]:
    how = {"rays": 3, "rng": np.random.default_rng(2), **how}
    T = facing(board, 480.0, tilt, 30.0, 10.0, shift)
    image = render(board, T, CAMERA, **how).image
    return look(image, detect(image, board), board, CAMERA), image


def codes(report: ImageReport, board: Board = CHESS) -> list[str]:
    return [item.code for item in quality_findings(report, board, CAMERA, "a.png")]


@pytest.mark.parametrize("board", BOARDS, ids=lambda b: b.pattern)
@pytest.mark.parametrize("sigma", [1.0, 1.6])
def test_edge_width_is_that_of_the_blur(board: Board, sigma: float) -> None:
    report, _ = examined(board, blur_px=sigma)
    pixel = 1 / 12**0.5  # a pixel's own aperture, as a standard deviation
    # bilinear sampling of the profile adds a little, less so with more blur
    assert report.edge_width_px == pytest.approx(TEN_TO_NINETY * np.hypot(sigma, pixel), rel=0.1)
    assert codes(report, board) == []


@pytest.mark.parametrize("board", BOARDS, ids=lambda b: b.pattern)
def test_report_of_a_good_image(board: Board) -> None:
    report, image = examined(board)
    assert report.size_px == (640, 480)
    assert (report.found, report.expected) == (board.count, board.count)
    assert report.tilt_deg == pytest.approx(20.0, abs=1.0)
    assert report.contrast == pytest.approx(185.0, abs=6.0)  # drawn with greys 30 and 215
    assert report.white_fraction == 0.0
    points = detect(image, board).pixels
    assert report.margin_px == pytest.approx(
        min(points.min(), (np.array([639, 479]) - points).min())
    )


@pytest.mark.parametrize("direction", [0, 1])
def test_motion_in_either_direction_is_a_smear(direction: int) -> None:
    _, image = examined(CHESS)
    size = (14, 1) if direction == 0 else (1, 14)
    moved = cv2.blur(image, size)
    report = look(moved, detect(image, CHESS), CHESS, CAMERA)
    # a box of 14 px rises from 10 to 90 % over 0.8 of its width, the lens adds some
    assert report.edge_width_px == pytest.approx(0.8 * 14, rel=0.2)
    assert report.smear_px == pytest.approx(14, rel=0.1)
    assert codes(report) == ["smeared"]


def test_saturated_image_is_over_exposed_and_a_dark_one_under_exposed() -> None:
    _, image = examined(CHESS)
    found = detect(image, CHESS)
    bright = np.clip(image.astype(float) * 1.6, 0, 255).astype(np.uint8)
    report = look(bright, found, CHESS, CAMERA)
    assert report.white_fraction == pytest.approx(0.5, abs=0.06)  # the light squares
    assert codes(report) == ["over-exposed"]
    assert codes(look((image * 0.15).astype(np.uint8), found, CHESS, CAMERA)) == ["under-exposed"]


def test_steep_view_is_named_with_its_angle() -> None:
    report, _ = examined(CHESS, tilt=66.0)
    assert report.tilt_deg == pytest.approx(66.0, abs=1.0)
    assert codes(report) == ["steep-view"]
    (item,) = quality_findings(report, CHESS, CAMERA, "a.png")
    assert "66° away" in item.message


def test_board_at_the_border_and_part_of_a_charuco_board_are_cut_off() -> None:
    chess, _ = examined(CHESS, tilt=0.0, shift=(76.0, 0.0))
    assert chess.found == CHESS.count
    assert codes(chess) == ["board-cut-off"]
    part, _ = examined(BOARDS[3], tilt=0.0, shift=(120.0, 0.0))
    assert 4 <= part.found < part.expected
    (item,) = quality_findings(part, BOARDS[3], CAMERA, "a.png")
    assert f"{part.found} of 40 points" in item.message


def test_image_without_a_board_names_the_file_and_the_light() -> None:
    for grey, expected in ((255, "over-exposed"), (3, "under-exposed")):
        image = np.full((480, 640), grey, np.uint8)
        report = look(image, detect(image, CHESS), CHESS, CAMERA)
        found = quality_findings(report, CHESS, CAMERA, "007.png")
        assert "007.png" in found[0].message
        assert [item.code for item in found] == ["board-missing", expected]


def test_washed_out_board_is_not_called_dark_as_well() -> None:
    _, image = examined(CHESS)
    found = detect(image, CHESS)
    washed = np.clip(230.0 + image * 0.15, 0, 255).astype(np.uint8)
    report = look(washed, found, CHESS, CAMERA)
    assert report.contrast < 40
    assert codes(report) == ["over-exposed"]


def test_wrong_image_size_is_an_error_and_gives_no_tilt() -> None:
    _, image = examined(CHESS)
    half = cv2.resize(image, None, fx=0.75, fy=0.75, interpolation=cv2.INTER_AREA)
    report = look(half, detect(half, CHESS), CHESS, CAMERA)
    (item,) = quality_findings(report, CHESS, CAMERA, "a.png")
    assert (item.code, item.level.value) == ("image-size", "error")
    assert "480 × 360" in item.message
    assert report.tilt_deg is None


def test_without_lens_data_size_and_tilt_are_unknown() -> None:
    _, image = examined(CHESS)
    report = look(image, detect(image, CHESS), CHESS)
    assert report.tilt_deg is None
    assert quality_findings(report, CHESS, None, "a.png") == []


def test_tilt_is_measured_against_the_line_of_sight() -> None:
    # A board square to the line of sight at the edge of a wide view is not tilted.
    wide: Camera = a_camera(640, 480, 350.0)
    aside = np.radians(25.0)
    middle = 400.0 * np.array([np.sin(aside), 0.0, np.cos(aside)])
    T = np.eye(4)
    T[:3, :3] = cv2.Rodrigues(np.array([0.0, aside, 0.0]))[0]
    T[:3, 3] = middle - T[:3, :3] @ CHESS.points().mean(axis=0)
    picture = render(CHESS, T, wide, rays=3, rng=np.random.default_rng(0))
    report = look(picture.image, detect(picture.image, CHESS), CHESS, wide)
    assert report.tilt_deg == pytest.approx(0.0, abs=4.0)


@pytest.mark.parametrize("side", ["left", "right"])
def test_published_photographs_pass(side: str) -> None:
    # Debian package opencv-doc: published as good calibration images
    for number in NUMBERS:
        report = look(read_image(photograph(side, number)), detected(side, number), BOARD)
        assert quality_findings(report, BOARD, None, number) == []
        assert 1.0 < report.edge_width_px < 5.0


VOLUME = (400.0, 300.0, 200.0)


@pytest.mark.parametrize("board", BOARDS, ids=lambda b: b.pattern)
def test_a_smear_of_four_pixels_is_measured_whatever_its_direction(board: Board) -> None:
    T = facing(board, 480.0, 20.0, 30.0, 10.0)
    image = render(board, T, CAMERA, rays=2, rng=np.random.default_rng(2), blur_px=0.7).image
    found = detect(image, board, CAMERA)
    assert look(image, found, board, CAMERA).smear_px == 0.0
    for angle in (0.8, 2.2):
        moves = np.linspace(-2, 2, 17)[:, None] * (np.cos(angle), np.sin(angle))
        shifted = [shift(image, move) for move in moves]
        moved = np.rint(np.mean(shifted, axis=0)).astype(np.uint8)
        assert look(moved, found, board, CAMERA).smear_px == pytest.approx(4.0, rel=0.15)


def shift(image: np.ndarray, move: np.ndarray) -> np.ndarray:
    to = np.column_stack([np.eye(2), move])
    size = image.shape[::-1]
    return cv2.warpAffine(image.astype(float), to, size, borderMode=cv2.BORDER_REPLICATE)


def judged(image: np.ndarray, board: Board, tolerance_mm: float) -> list[str]:
    report = look(image, detect(image, board, CAMERA), board, CAMERA, VOLUME)
    found = quality_findings(report, board, CAMERA, "a.png", tolerance_mm=tolerance_mm)
    return [f"{item.level.value} {item.code}" for item in found]


def test_what_does_no_harm_is_not_said_and_what_does_is_one_verdict_with_its_reasons() -> None:
    _, image = examined(CHESS)
    bright = np.clip(image.astype(float) * 1.25, 0, 255).astype(np.uint8)  # half of it full white
    assert look(bright, detect(bright, CHESS), CHESS, CAMERA).white_fraction > 0.4
    assert judged(bright, CHESS, 1.0) == []
    rng = np.random.default_rng(7)
    noisy = np.clip(image + rng.normal(0, 25, image.shape), 0, 255).astype(np.uint8)
    assert judged(noisy, CHESS, 5.0) == []
    assert judged(noisy, CHESS, 0.2) == ["warning imprecise", "note noisy"]
    smeared = cv2.blur(image, (5, 1))
    assert judged(smeared, CHESS, 1.0) == ["warning imprecise", "note smeared"]


def test_the_first_image_shows_wrong_lens_data_and_a_bowed_board() -> None:
    """Points are exact here: what they are off by is the lens, or the board's bow, alone."""
    board = Board("chessboard", 11, 8, 20.0)
    points, ids = board.points(), np.arange(board.count)
    T = facing(board, 480.0, 25.0, 40.0, 10.0)
    own = (CAMERA.matrix, (-0.09, 0.06, 0.0004, -0.0003, 0.0))
    other = Camera(
        "a", (640, 480), ((700.0, 0, 320.0), (0, 700.0, 240.0), (0, 0, 1)), (-0.3, 0.1, 0, 0, 0)
    )
    x = (points[:, 0] - 100.0) / 100.0
    bowed = points + np.column_stack([0 * x, 0 * x, 1.5 * x**2])
    cases = {
        None: (points, Camera("a", (640, 480), *own), Camera("a", (640, 480), *own)),
        "lens": (points, other, Camera("a", (640, 480), other.matrix, (0.0,) * 5)),
        "bow": (bowed, Camera("a", (640, 480), *own), Camera("a", (640, 480), *own)),
    }
    for expected, (true, camera, told) in cases.items():
        pixels = project(true, T, camera) + np.random.default_rng(3).normal(0, 0.03, (88, 2))
        covariances = np.tile(0.03**2 * np.eye(2), (88, 1, 1))
        seen = Detection(ids, pixels, 0.03, covariances)
        for data in (
            told,
            replace(told, depth=DepthCamera(0.1, "camera")),
        ):  # depth does not change a view
            found = precision(seen, board, data, VOLUME)
            assert found is not None
            suspect = None if found.misfit is None else found.misfit.suspect
            assert suspect == expected


def test_the_stated_error_is_that_of_many_images() -> None:
    """RMS over simulated images at the worst corner: no part of the statement is taken for true."""
    board = Board("chessboard", 11, 8, 20.0)
    points, rng = board.points(), np.random.default_rng(4)
    T, covariances = facing(board, 480.0, 25.0, 40.0, 10.0), np.tile(0.01 * np.eye(2), (88, 1, 1))
    corners = (np.array(list(product((-0.5, 0.5), repeat=3))) * VOLUME) @ T[:3, :3] + points.mean(0)
    off, told = [], []
    for _ in range(60):
        pixels = project(points, T, CAMERA) + rng.normal(0, 0.1, (88, 2))
        seen = Detection(np.arange(88), pixels, 0.1, covariances)
        pose = board_pose(points, pixels, CAMERA)[0][0]
        off.append(((apply(pose, corners) - apply(T, corners)) ** 2).sum(axis=1))
        told.append(precision(seen, board, CAMERA, VOLUME).u_mm)
    assert np.median(told) == pytest.approx(np.sqrt(np.mean(off, axis=0).max()), rel=0.25)


@pytest.mark.parametrize("pattern", ["chessboard", "circles"])
def test_a_board_seen_aslant_is_not_taken_for_smeared(pattern: str) -> None:
    # 59° of tilt, the rows at 27° to the columns: 92 and 8 px were said of this sharp image.
    picture = faulty(PATTERNS[pattern], "tilt", 21, width=800)
    found = detect(picture.image, PATTERNS[pattern], picture.camera)
    report = look(picture.image, found, PATTERNS[pattern], picture.camera)
    assert report.smear_px == 0.0
    assert 1.5 < report.edge_width_px < 3.0  # 2.56 · 0.78 px of blur, and the pixels


MARKED = Board("circles", 8, 6, 20.0, diameter_mm=10.0, larger=Larger((20, 29, 35), 14.0))
HANDED = [BOARDS[3], MARKED, Board("chessboard", 7, 5, 24.0)]


@pytest.mark.parametrize("board", HANDED, ids=lambda b: b.pattern)
def test_a_mirrored_image_in_which_nothing_is_found_is_called_that(board: Board) -> None:
    report, image = examined(board)
    assert report.found
    flipped = np.ascontiguousarray(image[:, ::-1])
    report = look(flipped, detect(flipped, board), board, CAMERA)
    (said,) = quality_findings(report, board, CAMERA, "a.png")
    assert "only once the image is mirrored" in said.message


@pytest.mark.parametrize("board", HANDED, ids=lambda b: b.pattern)
def test_an_image_without_a_board_is_not_called_mirrored(board: Board) -> None:
    noise = np.random.default_rng(1).integers(60, 200, (480, 640)).astype(np.uint8)
    report = look(noise, detect(noise, board), board, CAMERA)
    assert not report.mirrored
    (said, *_) = quality_findings(report, board, CAMERA, "a.png")
    assert said.message == "No board found in a.png."


@pytest.mark.parametrize("board", HANDED, ids=lambda b: b.pattern)
def test_a_mirrored_board_is_looked_for_in_a_small_copy(
    board: Board, monkeypatch: pytest.MonkeyPatch
) -> None:
    _, image = examined(board)
    large = cv2.resize(image[:, ::-1], (2560, 2560 * image.shape[0] // image.shape[1]))
    found, sizes = detect(large, board), list[int]()
    assert not found.found

    def noted(image: Grey, board: Board) -> Detection:
        sizes.append(max(image.shape))
        return detect(image, board)

    monkeypatch.setattr(quality, "detect", noted)
    assert look(large, found, board).mirrored
    assert look(large[:60], detect(large[:60], board), board).mirrored is False  # a mere strip
    assert sizes[0] == 640
    assert not look(large, found, board, mirrored=False).mirrored
    assert len(sizes) == 2


def test_no_mirrored_board_is_looked_for_once_a_session_has_shown_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It doubled what an image without a board cost, at every stop of a session."""
    make_session(tmp_path / "s", 3)
    session, copies = open_session(tmp_path / "s"), list[int]()

    def noted(image: Grey, board: Board) -> Detection:
        copies.append(max(image.shape))
        return detect(image, board)

    monkeypatch.setattr(quality, "detect", noted)
    noise = np.random.default_rng(1).integers(60, 200, (1024, 1280)).astype(np.uint8)
    data = cv2.imencode(".png", noise)[1].tobytes()
    for known, searched in ((session, 0), (replace(session, stations=()), 1)):
        view = examine_image_data(known, tmp_path / "s", data, "a.png")
        assert [item.code for item in view.findings if item.code == "board-missing"]
        assert len(copies) == searched
