"""Rendered images against OpenCV: its projection says where points are, its detectors find them."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from simulated import (
    BOARDS,
    CHARUCO,
    CHESSBOARD,
    CIRCLES,
    STAGGERED,
    camera,
    poses,
    projected,
)

from engine.errors import StationbookError
from engine.frames import rotation_exp, transform
from engine.simulate.paint import BLACK, WHITE
from engine.simulate.render import Setting, render
from engine.simulate.sensor import WHITE_LEVEL, Optics

BIAS_PX = 0.02  # px; what a simulated corner may be off on average
SCATTER_PX = 0.05  # px RMS; the detectors' own error on clean images of this size
EVEN = Optics(blur_px=0.0, exposure=1.0, vignetting=0.0, lamp=0.0)


def corners_near(image, truth):
    """Return OpenCV's refined corners (n, 2) nearest the true ones."""
    start = truth.astype(np.float32)[:, None] + np.float32(0.4)
    stop = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 100, 1e-5)
    return cv2.cornerSubPix(image, start, (5, 5), (-1, -1), stop)[:, 0]


def disc_centroids(board, camera_T_board, seen_by):
    """Return the centroids (n, 2) of the discs' outlines as OpenCV projects them."""
    angle = np.linspace(0, 2 * np.pi, 200, endpoint=False)
    rim = np.column_stack([np.cos(angle), np.sin(angle), 0 * angle]) * board.diameter_mm / 2
    centroids = []
    for point in board.points():
        outline = projected(point + rim, camera_T_board, seen_by)
        middle = outline.mean(axis=0)
        m = cv2.moments((outline - middle).astype(np.float32))
        centroids.append(middle + np.array([m["m10"], m["m01"]]) / m["m00"])
    return np.array(centroids)


def assert_unbiased(errors):
    assert np.abs(errors.mean(axis=0)).max() < BIAS_PX
    assert np.sqrt((errors**2).mean()) < SCATTER_PX


@pytest.mark.parametrize("coefficients", [0, 4, 5, 8, 12, 14])
def test_chessboard_corners_lie_where_opencv_projects_them_with_every_lens_model(coefficients):
    seen_by = camera(coefficients)
    errors = []
    for T in poses(CHESSBOARD, 3, seed=coefficients):
        truth = projected(CHESSBOARD.points(), T, seen_by)
        errors.append(corners_near(render(CHESSBOARD, seen_by, T), truth) - truth)
    assert_unbiased(np.vstack(errors))


def test_the_sector_based_detector_finds_rendered_chessboards_in_place():
    seen_by = camera()
    for T in poses(CHESSBOARD, 3, seed=5):
        image = render(CHESSBOARD, seen_by, T)
        found, corners = cv2.findChessboardCornersSB(image, (11, 8), flags=cv2.CALIB_CB_ACCURACY)
        assert found
        truth = projected(CHESSBOARD.points(), T, seen_by)
        errors = min((corners[:, 0] - truth, corners[::-1, 0] - truth), key=lambda e: (e**2).sum())
        # on images averaged from 144 rays a pixel this detector leans by 0.01 to 0.04 px as well
        assert np.sqrt((errors**2).mean()) < 2 * SCATTER_PX


@pytest.mark.parametrize(
    ("board", "layout"),
    [(CIRCLES, cv2.CALIB_CB_SYMMETRIC_GRID), (STAGGERED, cv2.CALIB_CB_ASYMMETRIC_GRID)],
    ids=["circles", "circles-staggered"],
)
def test_circles_have_the_centroids_of_their_projected_outlines(board, layout):
    seen_by = camera(8)
    for T in poses(board, 3, seed=3):
        image = render(board, seen_by, T)
        found, centres = cv2.findCirclesGrid(image, (board.columns, board.rows), flags=layout)
        assert found
        truth = disc_centroids(board, T, seen_by)
        nearest = np.linalg.norm(centres[:, 0][:, None] - truth, axis=-1).argmin(axis=1)
        assert sorted(nearest) == list(range(board.count))
        # OpenCV's blob detector weighs thresholded blobs: it scatters more than a centroid must
        assert np.abs((centres[:, 0] - truth[nearest]).mean(axis=0)).max() < BIAS_PX


def test_charuco_corners_have_opencvs_ids_and_lie_in_place():
    seen_by = camera(5)
    layout = cv2.aruco.CharucoBoard(
        (9, 6), 26.0, 19.0, cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_100)
    )
    errors = []
    for T in poses(CHARUCO, 3, seed=4):
        image = render(CHARUCO, seen_by, T)
        corners, ids = cv2.aruco.CharucoDetector(layout).detectBoard(image)[:2]
        assert len(ids) == CHARUCO.count
        truth = projected(CHARUCO.points(), T, seen_by)[ids.ravel()]
        assert np.abs(corners.reshape(-1, 2) - truth).max() < 1.0
        errors.append(corners_near(image, truth) - truth)
    assert_unbiased(np.vstack(errors))


@pytest.mark.parametrize("legacy", [False, True])
@pytest.mark.parametrize("rows", [4, 5])
def test_a_charuco_board_seen_straight_on_is_opencvs_own_drawing(legacy, rows):
    board = replace(CHARUCO, rows=rows, legacy_layout=legacy, pitch_mm=28.0, marker_mm=14.0)
    layout = cv2.aruco.CharucoBoard(
        (9, rows + 1), 28.0, 14.0, cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_100)
    )
    layout.setLegacyPattern(legacy)
    drawing = layout.generateImage((9 * 56, (rows + 1) * 56))
    seen_by = replace(camera(0), matrix=((800.0, 0, 0), (0, 800.0, 0), (0, 0, 1.0)))
    # 2 px a millimetre, the first square's outer corner at the image's first pixel
    T = transform(np.eye(3), [28.0 - 0.25, 28.0 - 0.25, 400.0])
    image = render(board, seen_by, T, EVEN)[: drawing.shape[0], : drawing.shape[1]]
    dark = image < 255 * (WHITE + BLACK) / 2
    mismatch = cv2.erode((dark != (drawing < 128)).astype(np.uint8), np.ones((2, 2)))
    assert mismatch.sum() == 0  # nothing but lines one pixel wide along the edges


def rays_through(row, width, K_T):
    """Return grey value and "is on the board" of 12 × 12 rays a pixel of a row (12, width, 12)."""
    steps = (np.arange(12) + 0.5) / 12 - 0.5
    u, v = np.meshgrid((np.arange(width)[:, None] + steps).ravel(), row + steps)
    x, y, w = np.einsum("ij,jhw->ihw", K_T, np.stack([u, v, np.ones_like(u)]))
    i, j = np.floor(x / w / 20) + 1, np.floor(y / w / 20) + 1
    rays = np.where((i + j) % 2 == 0, BLACK, WHITE)
    squares = (i >= 0) & (i <= 11) & (j >= 0) & (j <= 8)
    return rays.reshape(12, width, 12), squares.reshape(12, width, 12)


def test_grey_values_are_the_average_of_many_rays_through_each_pixel():
    seen_by = camera(0, scale=0.4)
    T = next(poses(CHESSBOARD, 1, seed=8))
    image = render(CHESSBOARD, seen_by, T, EVEN).astype(float) / 255
    K_T = np.linalg.inv(np.array(seen_by.matrix) @ T[:3, [0, 1, 3]])
    means, insides = [], []
    for row in range(seen_by.image_size_px[1]):  # one at a time: all of them fill a gigabyte
        rays, squares = rays_through(row, seen_by.image_size_px[0], K_T)
        means.append(rays.mean(axis=(0, 2)))
        insides.append(squares.mean(axis=(0, 2)))
    mean, inside = np.array(means), np.array(insides)
    difference = (image - mean)[inside == 1]
    assert difference.size > 5000
    assert np.abs(difference).max() < 0.06
    assert np.sqrt((difference**2).mean()) < 0.008  # 8 % of one step from black to white
    assert abs(difference.mean()) < 0.001


def test_pixel_zero_is_the_centre_of_the_first_pixel():
    seen_by = replace(camera(0), matrix=((1000.0, 0, 100.0), (0, 1000.0, 100.0), (0, 0, 1.0)))
    T = transform(np.eye(3), [0.0, 0.0, 500.0])  # 2 px/mm: point 0 at pixel (100, 100)
    image = render(CHESSBOARD, seen_by, T, EVEN)
    black, white = round(255 * BLACK), round(255 * WHITE)
    assert image[90, 99] == black  # the outer corner square beside point 0 is dark
    assert image[90, 100] == pytest.approx((black + white) / 2, abs=1)
    assert image[90, 101] == white
    assert image[100, 90] == pytest.approx((black + white) / 2, abs=1)


@pytest.mark.parametrize("behind", ["room", "table"])
def test_noise_has_the_stated_size_and_comes_from_the_seed_alone(behind):
    seen_by, optics = camera(5), Optics(full_well_e=4000.0, read_noise_e=15.0)
    T = next(poses(CHESSBOARD, 1, seed=2))
    clean, first, again, other = (
        render(CHESSBOARD, seen_by, T, optics, Setting(behind), rng)
        for rng in (None, *(np.random.default_rng(seed) for seed in (7, 7, 8)))
    )
    assert (first == again).all()
    assert (first != other).any()
    noise = first.astype(float) - clean
    for grey in (40, 60, 180):
        there = np.abs(clean.astype(int) - grey) <= 2
        photons = np.sqrt(grey / WHITE_LEVEL * optics.full_well_e)  # Poisson
        noisy = np.hypot(photons, optics.read_noise_e) / optics.full_well_e * WHITE_LEVEL
        expected = np.hypot(noisy, 1 / np.sqrt(12))  # rounding to whole values
        assert there.sum() > 1000
        assert noise[there].std() == pytest.approx(expected, rel=0.1)
        assert abs(noise[there].mean()) < 0.3


def test_shading_darkens_the_corners_and_favours_the_lamps_side():
    seen_by = camera(0)
    away = transform(np.eye(3), [9000.0, 0.0, 500.0])
    flat = render(CHESSBOARD, seen_by, away, replace(EVEN, exposure=2.0)).astype(float) + 1e-9
    fallen = render(CHESSBOARD, seen_by, away, replace(EVEN, exposure=2.0, vignetting=0.4))
    lit = render(CHESSBOARD, seen_by, away, replace(EVEN, exposure=2.0, lamp=0.3, lamp_deg=180.0))
    assert np.median((fallen / flat)[:20, :20]) == pytest.approx(0.6, abs=0.03)
    assert np.median((fallen / flat)[310:330, 390:410]) == pytest.approx(1.0, abs=0.02)
    assert np.median((lit / flat)[:, :10]) == pytest.approx(1.3, abs=0.02)
    assert np.median((lit / flat)[:, -10:]) == pytest.approx(0.7, abs=0.02)


def test_long_exposure_saturates_the_white():
    T = next(poses(CHESSBOARD, 1, seed=2))
    image = render(CHESSBOARD, camera(), T, Optics(exposure=3.0), rng=np.random.default_rng(1))
    assert (image == 255).mean() > 0.1


@pytest.mark.parametrize("optics", [Optics(blur_px=2.0), Optics(motion_px=5.0, motion_deg=30.0)])
def test_blur_softens_edges_but_moves_no_corner(optics):
    seen_by, T = camera(), next(poses(CHESSBOARD, 1, seed=9))
    truth = projected(CHESSBOARD.points(), T, seen_by)
    sharp, soft = (render(CHESSBOARD, seen_by, T, o) for o in (Optics(), optics))
    steepest = [
        np.percentile(np.abs(np.diff(i.astype(float), axis=1)), 99.5) for i in (sharp, soft)
    ]
    assert steepest[1] < 0.75 * steepest[0]
    assert np.abs((corners_near(soft, truth) - truth).mean(axis=0)).max() < BIAS_PX


def test_motion_smears_along_its_direction_only():
    seen_by = replace(camera(0), matrix=((1000.0, 0, 100.0), (0, 1000.0, 100.0), (0, 0, 1.0)))
    T = transform(np.eye(3), [0.0, 0.0, 500.0])
    smeared = render(CHESSBOARD, seen_by, T, replace(EVEN, motion_px=6.0)).astype(int)
    still = render(CHESSBOARD, seen_by, T, EVEN).astype(int)
    steepest = [np.abs(np.diff(image[90, 85:115])).max() for image in (smeared, still)]
    assert steepest[0] == pytest.approx(steepest[1] * 2 / 6, rel=0.05)  # half a step in one pixel
    assert (smeared[85:115, 90] == still[85:115, 90]).all()


@pytest.mark.parametrize(("pattern", "behind"), zip(BOARDS, ("room", "table") * 2, strict=True))
def test_no_board_is_found_where_it_is_out_of_view_or_seen_from_behind(pattern, behind):
    board, seen_by = BOARDS[pattern], camera()
    centre = board.points().mean(axis=0)
    turned = rotation_exp([np.pi, 0, 0])
    for T in (
        transform(np.eye(3), [0.0, 4000.0, 500.0]),
        transform(np.eye(3), [0.0, 0.0, -500.0]),
        transform(turned, np.array([0, 0, 500.0]) - turned @ centre),
    ):
        image = render(board, seen_by, T, setting=Setting(behind, seed=3))
        size = (board.columns, board.rows)
        assert not cv2.findChessboardCornersSB(image, size)[0]
        assert not cv2.findCirclesGrid(image, size)[0]
        assert not cv2.findCirclesGrid(image, size, flags=cv2.CALIB_CB_ASYMMETRIC_GRID)[0]


def test_a_board_seen_edge_on_or_beyond_the_lens_models_fold_is_left_out():
    edge_on = transform(rotation_exp([np.pi / 2, 0, 0]), [0.0, 0.0, 500.0])
    folded = replace(camera(0), distortion=(-1.5, 0.0, 0.0, 0.0))
    for seen_by, T in ((camera(), edge_on), (folded, transform(np.eye(3), [100.0, 100.0, 300.0]))):
        image = render(CHESSBOARD, seen_by, T)
        assert image.shape == (640, 800)
        assert np.ptp(image) > 20


def test_refuses_what_cannot_be_rendered():
    T = transform(np.eye(3), [0.0, 0.0, 500.0])
    with pytest.raises(StationbookError, match="rigid"):
        render(CHESSBOARD, camera(), 2 * T)
    with pytest.raises(StationbookError, match="dictionary"):
        render(replace(CHARUCO, dictionary="DICT_9X9"), camera(), T)
    with pytest.raises(StationbookError, match="optics"):
        render(CHESSBOARD, camera(), T, Optics(exposure=float("nan")))
