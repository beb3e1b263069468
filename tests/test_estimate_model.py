"""The measurement equation and the closed forms on exact data."""

from __future__ import annotations

import numpy as np
import pytest

from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND
from engine.estimate.problem import derivatives, implied_flange, predicted_view
from engine.estimate.start import transforms_from
from engine.frames import displaced, displacement, inverse, rotation_exp, transform

MOUNTS = [EYE_TO_HAND, EYE_IN_HAND]


def random_poses(rng: np.random.Generator, count: int) -> np.ndarray:
    return transform(rotation_exp(rng.normal(0, 1, (count, 3))), rng.normal(0, 300, (count, 3)))


@pytest.mark.parametrize("mount", MOUNTS)
def test_derivatives_agree_with_finite_differences(mount: str) -> None:
    rng = np.random.default_rng(0)
    (camera, board), flange = random_poses(rng, 2), random_poses(rng, 5)
    h = 1e-6 * np.eye(6)

    def views(which: int, step: np.ndarray) -> np.ndarray:
        moved = [camera, flange, board]
        moved[which] = displaced(moved[which], np.tile(step, (*moved[which].shape[:-2], 1)))
        return predicted_view(mount, *moved)

    for which, J in zip((0, 2, 1), derivatives(mount, camera, flange, board), strict=True):
        numeric = np.stack(
            [displacement(views(which, e), views(which, -e)) / 2e-6 for e in h], axis=-1
        )
        np.testing.assert_allclose(J, numeric, atol=1e-6)


@pytest.mark.parametrize("mount", MOUNTS)
def test_a_view_implies_the_flange_it_was_made_with(mount: str) -> None:
    rng = np.random.default_rng(1)
    (camera, board), flange = random_poses(rng, 2), random_poses(rng, 5)
    view = predicted_view(mount, camera, flange, board)
    np.testing.assert_allclose(implied_flange(mount, camera, view, board), flange, atol=1e-9)


def turned_about(axis: np.ndarray, angles: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    return transform(rotation_exp(angles[:, None] * axis), rng.normal(0, 300, (len(angles), 3)))


def test_closed_form_gives_exact_data_back_for_any_motion() -> None:
    rng = np.random.default_rng(2)
    camera, board = random_poses(rng, 2)
    flange = random_poses(rng, 8)
    cameras, boards = transforms_from(flange[None], (inverse(camera) @ flange @ board)[None])
    np.testing.assert_allclose(displacement(cameras[0], camera), 0, atol=1e-3)
    np.testing.assert_allclose(displacement(boards[0], board), 0, atol=1e-3)


def test_closed_form_holds_for_half_turns() -> None:
    rng = np.random.default_rng(3)
    camera, board = random_poses(rng, 2)
    axes = np.array([[1, 0, 0], [0, 1, 0], [0, 0, 1], [0.6, 0.8, 0], [0, 0.6, 0.8]])
    flange = transform(rotation_exp(np.pi * axes), rng.normal(0, 300, (5, 3)))
    cameras, _ = transforms_from(flange[None], (inverse(camera) @ flange @ board)[None])
    np.testing.assert_allclose(displacement(cameras[0], camera), 0, atol=1e-3)


def test_closed_form_of_one_axis_agrees_with_the_data_though_a_shift_stays_open() -> None:
    rng = np.random.default_rng(4)
    camera, board = random_poses(rng, 2)
    flange = turned_about(np.array([0.0, 0.0, 1.0]), rng.uniform(-2, 2, 8), rng)
    view = inverse(camera) @ flange @ board
    cameras, boards = transforms_from(flange[None], view[None])
    np.testing.assert_allclose(displacement(cameras[1] @ view, flange @ boards[1]), 0, atol=1e-2)
    np.testing.assert_allclose(displacement(cameras[1], camera)[:5], 0, atol=1e-2)


def test_closed_form_of_pure_shifts_finds_the_rotation() -> None:
    rng = np.random.default_rng(5)
    camera, board = random_poses(rng, 2)
    flange = turned_about(np.array([0.6, 0.0, 0.8]), np.full(8, 0.7), rng)
    cameras, _ = transforms_from(flange[None], (inverse(camera) @ flange @ board)[None])
    np.testing.assert_allclose(displacement(cameras[2], camera)[:3], 0, atol=1e-6)


def test_shiu_and_ahmad_worked_example() -> None:
    """External check: Shiu & Ahmad 1989, as printed in Park & Martin 1994 (mm, rad)."""
    X = transform(rotation_exp([0.2, 0, 0]), [10, 50, 100])
    A = [
        transform(rotation_exp([0, 0, 3.0]), [0, 0, 0]),
        transform(rotation_exp([0, 1.5, 0]), [-400, 0, 400]),
    ]
    B = np.array(
        [
            [
                [-0.989992, -0.138307, 0.028036, -26.9559],
                [0.138307, -0.911449, 0.387470, -96.1332],
                [-0.028036, 0.387470, 0.921456, 19.4872],
                [0, 0, 0, 1],
            ],
            [
                [0.070737, 0.198172, 0.977612, -309.543],
                [-0.198172, 0.963323, -0.180936, 59.0244],
                [-0.977612, -0.180936, 0.107415, 291.177],
                [0, 0, 0, 1],
            ],
        ]
    )
    # A X = X B for relative motions: three stations, eye-in-hand, the first at the identity.
    flange = np.stack([np.eye(4), *(A)])
    view = np.stack([np.eye(4), *(np.linalg.inv(B))])
    cameras, _ = transforms_from(inverse(flange)[None], view[None])
    np.testing.assert_allclose(displacement(cameras[0], X)[:3], 0, atol=2e-5)
    np.testing.assert_allclose(displacement(cameras[0], X)[3:], 0, atol=2e-2)
