"""The board's pose from one image, and what an image says about it as a Gaussian."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from engine.camera.lens import lens, project
from engine.camera.model import Camera
from engine.camera.views import (
    Gaussian,
    Views,
    board_pose,
    linearised,
    refined,
    residuals,
    typical_sd,
    weighing,
    whitening,
)
from engine.errors import StationbookError
from engine.frames import apply, displaced, displacement, rotation_exp, transform

CAMERA = Camera(
    "c", (1280, 1024), ((1400, 0, 640), (0, 1380, 512), (0, 0, 1)), (-0.15, 0.06, 0.001, -0.001, 0)
)
POINTS = np.array([[20.0 * x, 20.0 * y, 0.0] for y in range(6) for x in range(9)])
POSE = transform(rotation_exp([0.4, -0.3, 0.2]), [-70.0, -40.0, 700.0])


def pixels_of(pose: np.ndarray, noise_px: float = 0.0, seed: int = 0) -> np.ndarray:
    clean = project(apply(pose, POINTS), CAMERA)
    return clean + np.random.default_rng(seed).normal(0, noise_px, clean.shape)


def test_a_clean_image_gives_the_pose_back() -> None:
    (pose, rms), *_ = board_pose(POINTS, pixels_of(POSE), CAMERA)
    np.testing.assert_allclose(displacement(pose, POSE), 0, atol=1e-6)
    assert rms < 1e-6


def test_a_noisy_pose_agrees_with_opencv_iterative() -> None:
    """External check: cv2.solvePnP (iterative least squares) on the same pixels."""
    pixels = pixels_of(POSE, 0.2)
    (pose, _), *_ = board_pose(POINTS, pixels, CAMERA)
    _, r, t = cv2.solvePnP(
        POINTS, pixels, np.array(CAMERA.matrix, float), np.array(CAMERA.distortion)
    )
    other = transform(rotation_exp(r.ravel()), t.ravel())
    np.testing.assert_allclose(displacement(pose, other)[:3], 0, atol=2e-5)
    np.testing.assert_allclose(displacement(pose, other)[3:], 0, atol=1e-2)


def test_a_small_distant_board_gives_both_poses_with_their_errors() -> None:
    far = transform(rotation_exp([0.5, 0.0, 0.0]), [-8.0, -5.0, 1500.0])
    points = POINTS / 10.0
    pixels = project(apply(far, points), CAMERA)
    noisy = pixels + np.random.default_rng(3).normal(0, 0.1, pixels.shape)
    found = board_pose(points, noisy, CAMERA)
    assert len(found) == 2
    assert found[0][1] <= found[1][1] < 3 * found[0][1]
    tilts = [np.degrees(np.arctan2(pose[1, 2], pose[2, 2])) for pose, _ in found]
    assert min(tilts) < -15 < 15 < max(tilts)


@pytest.mark.parametrize("points", [POINTS[:3], POINTS[:9]])
def test_too_few_points_or_points_on_a_line_give_no_pose(points: np.ndarray) -> None:
    pixels = project(apply(POSE, points), CAMERA)
    if len(points) < 4:
        with pytest.raises(StationbookError, match="at least 4"):
            board_pose(points, pixels, CAMERA)
    else:
        assert board_pose(points, pixels, CAMERA) == []


def test_the_gaussian_of_an_image_holds_the_loss_to_second_order() -> None:
    pixels = pixels_of(POSE, 0.2)
    views = Views(POINTS[None], pixels[None], np.ones((1, len(POINTS))))
    near = displaced(POSE, [1e-4, -2e-4, 1e-4, 0.02, -0.03, 0.05])
    view = linearised(views, near[None], lens(CAMERA))
    assert view.rss[0] == pytest.approx(
        (residuals(views, displaced(near, view.step[0])[None], lens(CAMERA)) ** 2).sum(), rel=1e-4
    )


def test_padding_changes_nothing() -> None:
    pixels = pixels_of(POSE, 0.2)
    plain = Views(POINTS[None], pixels[None], np.ones((1, len(POINTS))))
    padded = Views(
        np.concatenate([POINTS, POINTS[:7]])[None],
        np.concatenate([pixels, np.zeros((7, 2))])[None],
        np.concatenate([np.ones(len(POINTS)), np.zeros(7)])[None],
    )
    a, b = (linearised(v, POSE[None], lens(CAMERA)) for v in (plain, padded))
    np.testing.assert_allclose(a.information, b.information, rtol=1e-12)
    np.testing.assert_allclose(a.step, b.step, atol=1e-12)


def test_points_weigh_by_their_covariances_and_the_stated_information_is_true() -> None:
    """Half of the points are five times as uncertain, along one axis: generalised least squares.

    External check: the mean of a chi-square is its degrees of freedom (any handbook of statistics).
    """
    rng = np.random.default_rng(5)
    sd = np.tile([0.1, 0.1], (len(POINTS), 1))
    sd[::2, 0] = 0.5
    covariances = sd[:, :, None] * np.eye(2) * sd[:, None]
    n, start = 200, np.tile(POSE, (200, 1, 1))
    pixels = project(apply(POSE, POINTS), CAMERA) + sd * rng.normal(size=(n, len(POINTS), 2))
    plain = Views(np.tile(POINTS, (n, 1, 1)), pixels, np.ones((n, len(POINTS))))

    def off(views: Views) -> tuple[np.ndarray, Gaussian]:
        poses, seen = refined(views, start, lens(CAMERA))
        return np.array([displacement(POSE, pose) for pose in poses]), seen

    def weighed(W: np.ndarray) -> Views:
        return replace(plain, whiten=np.tile(W, (n, 1, 1, 1)))

    whole, seen = off(weighed(whitening(covariances)))
    assert np.einsum("ni,nij,nj->n", whole, seen.information, whole).mean() == pytest.approx(
        6, 0.15
    )
    assert seen.rss.mean() == pytest.approx(2 * len(POINTS) - 6, rel=0.1)
    careful, _ = off(weighed(weighing(covariances, 0.1)))
    alike, _ = off(plain)
    best, fair, worst = (
        np.sqrt((e[:, 3:] ** 2).sum(axis=1).mean()) for e in (whole, careful, alike)
    )
    assert best < fair < 0.8 * worst


def test_points_that_are_all_alike_give_what_points_without_covariances_give() -> None:
    pixels = pixels_of(POSE, 0.2)
    plain = Views(POINTS[None], pixels[None], np.ones((1, len(POINTS))))
    alike = np.tile(0.04 * np.eye(2), (len(POINTS), 1, 1))
    weighed = replace(plain, whiten=weighing(alike, typical_sd(alike))[None])
    a, b = (linearised(v, POSE[None], lens(CAMERA)) for v in (plain, weighed))
    np.testing.assert_allclose(a.information, b.information, rtol=1e-12)
    np.testing.assert_allclose(a.step, b.step, rtol=1e-9)
