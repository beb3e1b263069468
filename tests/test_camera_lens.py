"""The lens model against OpenCV's and against finite differences."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from engine.camera.lens import project, project_with_jacobian, undistort
from engine.camera.model import Camera
from engine.errors import StationbookError

DISTORTIONS = {
    0: (),
    4: (-0.2, 0.08, 0.001, -0.002),
    5: (-0.2, 0.08, 0.001, -0.002, 0.01),
    8: (-0.2, 0.08, 0.001, -0.002, 0.01, 0.05, -0.02, 0.01),
    12: (-0.2, 0.08, 0.001, -0.002, 0.01, 0.05, -0.02, 0.01, 0.002, -0.001, 0.003, 0.001),
    14: (
        *(-0.2, 0.08, 0.001, -0.002, 0.01, 0.05, -0.02, 0.01, 0.002, -0.001, 0.003, 0.001),
        *(0.03, -0.05),
    ),
}


def camera(count: int) -> Camera:
    return Camera(
        "c", (1280, 1024), ((1400, 0, 640), (0, 1380, 512), (0, 0, 1)), DISTORTIONS[count]
    )


@pytest.fixture
def points() -> np.ndarray:
    rng = np.random.default_rng(1)
    return np.column_stack([rng.uniform(-250, 250, (60, 2)), rng.uniform(500, 900, 60)])


@pytest.mark.parametrize("count", DISTORTIONS)
def test_projection_agrees_with_opencv(count: int, points: np.ndarray) -> None:
    """External check: cv2.projectPoints of opencv-python-headless."""
    lens = camera(count)
    expected = cv2.projectPoints(
        points, np.zeros(3), np.zeros(3), np.array(lens.matrix), np.array(lens.distortion)
    )[0][:, 0]
    np.testing.assert_allclose(project(points, lens), expected, atol=1e-9)


@pytest.mark.parametrize("count", DISTORTIONS)
def test_derivative_agrees_with_finite_differences(count: int, points: np.ndarray) -> None:
    lens, h = camera(count), 1e-3
    pixels, J = project_with_jacobian(points, lens)
    numeric = np.stack(
        [
            (project(points + h * e, lens) - project(points - h * e, lens)) / (2 * h)
            for e in np.eye(3)
        ],
        axis=-1,
    )
    np.testing.assert_allclose(pixels, project(points, lens), atol=1e-12)
    np.testing.assert_allclose(J, numeric, atol=1e-7)


@pytest.mark.parametrize("count", DISTORTIONS)
def test_undistorting_undoes_projection(count: int, points: np.ndarray) -> None:
    lens = camera(count)
    expected = points[:, :2] / points[:, 2:]
    np.testing.assert_allclose(undistort(project(points, lens), lens), expected, atol=1e-10)


def test_a_wrong_number_of_coefficients_is_refused() -> None:
    odd = Camera("c", (640, 480), ((500, 0, 320), (0, 500, 240), (0, 0, 1)), (0.1, 0.2, 0.3))
    with pytest.raises(StationbookError, match="3 coefficients"):
        project(np.array([[0.0, 0.0, 1.0]]), odd)


def test_a_matrix_without_focal_length_is_refused() -> None:
    flat = Camera("c", (640, 480), ((0, 0, 320), (0, 500, 240), (0, 0, 1)))
    with pytest.raises(StationbookError, match="camera matrix"):
        project(np.array([[0.0, 0.0, 1.0]]), flat)
