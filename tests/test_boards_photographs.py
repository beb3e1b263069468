"""Detection on real photographs: Debian package opencv-doc (Apache-2.0), see photographs.py."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from photographs import BOARD, NUMBERS, SIZE, by_opencv, corners, detected, photographs
from scipy.optimize import least_squares

# px; the paper in the photographs is visibly curved, so this is no noise of the detector: 0.32 px
# is the largest with any detector and window tried
LARGEST_SCATTER_PX = 0.35


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("number", NUMBERS)
def test_every_photograph_is_detected_smoothly(side: str, number: str) -> None:
    detection = detected(side, number)
    assert len(detection.ids) == BOARD.count
    assert detection.scatter_px < LARGEST_SCATTER_PX


@pytest.fixture(scope="module")
def stereo():
    """cv2.calibrateCamera for each camera, then cv2.stereoCalibrate: error, K, d, R, t."""
    objects = [BOARD.points().astype(np.float32)] * len(NUMBERS)
    (_, K1, d1), (_, K2, d2) = by_opencv("left"), by_opencv("right")
    error, K1, d1, K2, d2, R, t, _, _ = cv2.stereoCalibrate(
        objects, corners("left"), corners("right"), K1, d1, K2, d2, SIZE,
        flags=cv2.CALIB_FIX_INTRINSIC,
    )  # fmt: skip
    return error, (K1, d1), (K2, d2), R, t[:, 0]


def test_left_and_right_photographs_show_the_board_the_same_way_round(stereo) -> None:
    # One pair read half a turn apart throws the calibration off by tens of pixels. 0.194 px is
    # what cv2 reaches with corners refined in one window for all; 83.2 mm is computed with cv2.
    error, _, _, _, t = stereo
    assert error < 0.205
    assert np.linalg.norm(t) == pytest.approx(83.2, abs=0.15)


def rigid(x: np.ndarray) -> np.ndarray:
    T = np.eye(4)
    T[:3, :3], T[:3, 3] = cv2.Rodrigues(x[:3])[0], x[3:]
    return T


def test_board_seen_from_both_cameras_lies_in_one_place(stereo) -> None:
    # The left pose stands for the flange; the board on it is then the identity. Fitted to the right
    # camera's pixels by scipy alone.
    _, (K1, d1), (K2, d2), R, t = stereo
    points = BOARD.points()
    poses = []
    for pixels in corners("left"):
        _, r, p = cv2.solvePnP(points, pixels, K1, d1)
        poses.append(rigid(np.concatenate([r[:, 0], p[:, 0]])))

    def residuals(x: np.ndarray) -> np.ndarray:
        offs = []
        for pose, pixels in zip(poses, corners("right"), strict=True):
            T = rigid(x[:6]) @ pose @ rigid(x[6:])
            seen = cv2.projectPoints(points, cv2.Rodrigues(T[:3, :3])[0], T[:3, 3], K2, d2)[0]
            offs.append((seen[:, 0] - pixels).ravel())
        return np.concatenate(offs)

    start = np.concatenate([cv2.Rodrigues(R)[0][:, 0], t, np.zeros(6)])
    scale = np.tile([1e-3, 1e-3, 1e-3, 1.0, 1.0, 1.0], 2)
    flange_T_board = least_squares(residuals, start, x_scale=scale).x[6:]
    assert np.linalg.norm(flange_T_board[3:]) < 0.14  # mm
    assert np.degrees(np.linalg.norm(flange_T_board[:3])) < 0.05


def test_published_lens_data_fit_the_left_photographs(stereo) -> None:
    # left_intrinsics.yml of the same package: focal length 536 px.
    file = cv2.FileStorage(str(photographs() / "left_intrinsics.yml"), cv2.FILE_STORAGE_READ)
    published = file.getNode("camera_matrix").mat()
    assert stereo[1][0][0, 0] == pytest.approx(published[0, 0], rel=0.01)
