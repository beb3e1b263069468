"""From the image of a circle's centre to its image's centre of gravity, against outside figures."""

from __future__ import annotations

import numpy as np
import pytest
from board_pictures import a_camera, facing, render, rms

from engine.boards.circle_centres import centre_shift_px
from engine.boards.detect import detect
from engine.boards.pattern import Board
from engine.camera.model import Camera


@pytest.mark.parametrize(
    ("radius", "distance", "expected"),
    [(5.0, 1000.0, 0.031), (5.0, 500.0, 0.125), (10.0, 500, 0.5)],
)
def test_shift_on_axis_follows_the_closed_form(radius, distance, expected) -> None:
    # f·r²·sin 2θ / (2 d²) with f = 2500 px, θ = 45°: 0.031, 0.125 and 0.50 px, computed by hand
    board = Board("circles", 3, 3, 30.0, diameter_mm=2 * radius)
    T = facing(board, distance, tilt_deg=45.0)
    shift = centre_shift_px(T, board, a_camera(focal=2500.0))[4]  # the middle circle
    assert np.linalg.norm(shift) == pytest.approx(expected, rel=0.02)
    assert abs(shift[0]) < 1e-9  # tilted about u, it lies along v


def test_shift_of_an_undistorted_circle_is_the_centre_of_the_projected_conic() -> None:
    # Textbook projective geometry: the image of a conic C under H is H⁻ᵀ C H⁻¹; its centre solves a
    # 2 × 2 system (Hartley & Zisserman, Multiple View Geometry, from memory).
    board = Board("circles", 5, 4, 30.0, diameter_mm=18.0)
    camera = a_camera(focal=900.0)
    T = facing(board, 250.0, tilt_deg=40.0, about_deg=25.0, turn_deg=70.0)
    H = np.array(camera.matrix) @ np.column_stack([T[:3, :2], T[:3, 3]])
    H_inv = np.linalg.inv(H)
    shifts = centre_shift_px(T, board, camera)
    for (x, y, _), shift in zip(board.points(), shifts, strict=True):
        C = np.array([[1, 0, -x], [0, 1, -y], [-x, -y, x * x + y * y - 81.0]])
        Q = H_inv.T @ C @ H_inv
        middle = H @ (x, y, 1.0)
        ellipse = np.linalg.solve(Q[:2, :2], -Q[:2, 2])
        np.testing.assert_allclose(shift, ellipse - middle[:2] / middle[2], atol=1e-7)


def test_detected_circles_less_the_shift_lie_on_the_truth_under_distortion() -> None:
    # Rendered ray by ray: tests/board_pictures.py
    board = Board("circles", 7, 5, 25.0, diameter_mm=16.0)
    camera = a_camera(640, 480, 700.0, (-0.25, 0.08, 0.001, -0.002, 0.0))
    T = facing(board, 320.0, tilt_deg=40.0, about_deg=60.0, turn_deg=15.0)
    picture = render(board, T, camera, rng=np.random.default_rng(3), noise=1.0)
    found = detect(picture.image, board)
    shift = centre_shift_px(T, board, camera)
    assert np.linalg.norm(shift, axis=1).max() > 0.2
    assert rms(found.pixels, picture.pixels) > 0.15
    assert rms(found.pixels - shift, picture.pixels) < 0.03


def test_boards_without_circles_have_no_shift() -> None:
    board = Board("chessboard", 5, 4, 30.0)
    camera: Camera = a_camera()
    assert not centre_shift_px(facing(board), board, camera).any()
