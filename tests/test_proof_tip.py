"""Tips found by touching one point, frames through three, and what they are worth in a proof.

Truth is simulated with scipy's rotations; covariances are held to the scatter of many repeats.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import yaml
from command import answer, refused, stationbook
from made_session import make_session
from pytransform3d.transformations import check_transform
from scipy.spatial.transform import Rotation
from touching import Toucher

from engine.cell.session import Session
from engine.cell.touched import Pointer
from engine.errors import StationbookError, UsageError
from engine.pendant.entry import format_pose
from engine.proof.tip import find_tip, frame_covariance, frame_through
from engine.proof.touch_errors import pointer_covariance
from engine.sessions.folder import open_session
from engine.sessions.results import read_result
from engine.simulate.scenario import cell
from engine.steps.pointing import FrameFound, frame_found

TIP, POINT = np.array([12.5, -7.25, 163.4]), np.array([610.0, 40.0, 120.0])
TILTS = ((0, 0), (35, 0), (-35, 10), (10, 40), (-10, -40), (25, 25))  # about x and y, degrees


def touches(rng: np.random.Generator, noise: float = 0.05, tilts: tuple = TILTS) -> np.ndarray:
    """Return flange poses (n, 4, 4) with the tip on POINT, off by ``noise`` mm on each axis."""
    poses = np.tile(np.eye(4), (len(tilts), 1, 1))
    for pose, (a, b) in zip(poses, tilts, strict=True):
        pose[:3, :3] = (Rotation.from_euler("xyz", (a + 180.0, b, 20.0), degrees=True)).as_matrix()
        pose[:3, 3] = POINT - pose[:3, :3] @ TIP + rng.normal(0.0, noise, 3)
    return poses


def typed(poses: np.ndarray) -> list[str]:
    return [" ".join(format_pose(pose, cell().pendant)) for pose in poses]


# ---- tips --------------------------------------------------------------------------------------


def test_a_tip_is_found_within_its_covariance() -> None:
    rng = np.random.default_rng(1)
    for tilts in (TILTS[:4], TILTS):  # few residuals tell their own spread badly
        inside, off = [], 0
        for _ in range(300):
            tip = find_tip(touches(rng, tilts=tilts), 1e-3)
            u = np.sqrt(tip.covariance.diagonal())
            inside.append(np.abs(tip.tip_mm - TIP) <= 2.0 * u)
            off += tip.off is not None
        assert off <= 9  # a chance of 1 %
        assert 0.925 < np.mean(inside) < 0.98
    exact = find_tip(touches(rng, 0.0), 1e-6)
    assert exact.tip_mm == pytest.approx(TIP, abs=1e-6)
    assert exact.fixed_mm == pytest.approx(POINT, abs=1e-6)


def test_the_touch_that_is_off_is_named_and_left_out() -> None:
    rng = np.random.default_rng(2)
    named, clean = 0, 0
    for k in range(60):
        poses = touches(rng)
        clean += find_tip(poses, 0.02).off is not None
        poses[k % 6, k % 3, 3] += 2.0
        tip = find_tip(poses, 0.02)
        named += tip.off == k % 6
        if tip.off == k % 6:
            assert tip.left_out
            assert np.linalg.norm(tip.tip_mm - TIP) < 0.5
    assert named >= 57
    assert clean <= 3


def test_orientations_that_are_too_much_alike_are_refused() -> None:
    rng = np.random.default_rng(3)
    with pytest.raises(StationbookError, match="too much alike"):
        find_tip(touches(rng, tilts=((0, 0), (3, 0), (-3, 0), (2, 2))), 0.05)
    with pytest.raises(StationbookError, match="too much alike"):  # one axis alone
        find_tip(touches(rng, tilts=((0, 0), (30, 0), (-30, 0), (20, 0), (-20, 0))), 0.05)
    with pytest.raises(UsageError, match="3 touches"):
        find_tip(touches(rng)[:3], 0.05)


def test_an_arm_that_cannot_tilt_is_not_told_to(tmp_path: Path) -> None:
    make_session(tmp_path / "s", 2, axes=4)
    said = refused("tip", tmp_path / "s", "--touch", "612.40 -85.10 410.00 30.00")
    assert "how long a pointer is" in said
    assert "proof --tip" in said
    assert "30°" not in said


def test_a_tip_by_command_becomes_the_pointer_of_the_proof(tmp_path: Path) -> None:
    make_session(tmp_path / "s", 2)
    poses = typed(touches(np.random.default_rng(4), 0.02))
    words = [word for pose in poses for word in ("--touch", pose)]
    found = answer("tip", tmp_path / "s", *words)
    assert not (tmp_path / "s" / "proof.yaml").exists()
    assert found["tip_mm"] == pytest.approx(TIP, abs=0.3)
    assert found["touch_off"] is None
    (tmp_path / "poses.txt").write_text("\n".join(poses))
    same = answer("tip", tmp_path / "s", "--table", tmp_path / "poses.txt", "--use")
    assert same["tip_mm"] == found["tip_mm"]
    stored = yaml.safe_load((tmp_path / "s" / "proof.yaml").read_text())["pointer"]
    assert stored["tip_mm"] == found["tip_mm"]
    C = np.array(stored["covariance_mm2"])
    assert (
        pytest.approx(np.array(found["covariance_mm2"]) + found["touch_mm"] ** 2 * np.eye(3)) == C
    )
    assert stored["u_mm"] == pytest.approx(np.sqrt(np.trace(C) / 3))
    line = json.loads((tmp_path / "s" / "journal.jsonl").read_text().splitlines()[-1])
    assert line["typed"] == poses
    x = poses[5].split()[0]
    off = [*poses[:5], poses[5].replace(x, f"{float(x) + 5:.2f}")]
    words = [word for pose in off for word in ("--touch", pose)]
    told = answer("tip", tmp_path / "s", *words)
    assert told["touch_off"] == 6
    assert told["findings"][0]["code"] == "tip-touch-off"
    run = stationbook("tip", tmp_path / "s", *words[:10])
    assert run.returncode in (0, 1)
    assert "too few" in refused("tip", tmp_path / "s", *words[:4])


def test_a_pointers_covariance_turns_with_the_flange() -> None:
    C = np.diag([0.01, 0.04, 0.09])
    rows = tuple(map(tuple, C.tolist()))
    turn = Rotation.from_euler("z", 90, degrees=True).as_matrix()
    found = pointer_covariance(Pointer((0.0, 0.0, 1.0), 0.2, rows), turn)  # type: ignore[arg-type]
    assert found == pytest.approx(np.diag([0.04, 0.01, 0.09]))
    assert pointer_covariance(Pointer((0.0, 0.0, 1.0), 0.2), turn) == pytest.approx(
        0.04 * np.eye(3)
    )


# ---- frames ------------------------------------------------------------------------------------

CORNERS = np.array([[500.0, -100.0, 200.0], [700.0, -80.0, 205.0], [480.0, 150.0, 198.0]])


def test_a_frame_stands_as_three_points_say() -> None:
    frame = frame_through(CORNERS)
    check_transform(frame)
    back = np.linalg.inv(frame)
    inside = (np.column_stack([CORNERS, np.ones(3)]) @ back.T)[:, :3]
    assert inside[0] == pytest.approx([0, 0, 0], abs=1e-9)
    assert inside[1] == pytest.approx([np.linalg.norm(CORNERS[1] - CORNERS[0]), 0, 0], abs=1e-9)
    assert inside[2][2] == pytest.approx(0, abs=1e-9)
    assert inside[2][1] > 0


def test_its_covariance_is_the_scatter_of_repeats() -> None:
    rng, frame = np.random.default_rng(5), frame_through(CORNERS)
    own, shared = 0.1, 0.5
    C = own**2 * np.eye(9) + shared**2 * np.kron(np.ones((3, 3)), np.eye(3))
    draws = []
    for _ in range(3000):
        noise = rng.normal(0.0, own, (3, 3)) + rng.normal(0.0, shared, 3)
        moved = frame_through(CORNERS + noise)
        turn = Rotation.from_matrix(moved[:3, :3] @ frame[:3, :3].T).as_rotvec()
        draws.append([*turn, *(moved[:3, 3] - frame[:3, 3])])
    seen, told = np.cov(np.array(draws).T), frame_covariance(CORNERS, C)
    assert np.sqrt(np.diag(told)) == pytest.approx(np.sqrt(np.diag(seen)), rel=0.06)


@pytest.mark.parametrize(
    ("points", "said"),
    [
        ([[0, 0, 0], [1, 0, 0], [0, 100, 0]], "1.0 mm apart"),
        ([[0, 0, 0], [100, 0, 0], [200, 1, 0]], "on one line"),
        ([[0, 0, 0], [100, 0, 0], [-100, 1, 0]], "on one line"),
    ],
)
def test_points_that_span_no_frame_are_refused(points: list, said: str) -> None:
    with pytest.raises(UsageError, match=said):
        frame_through(np.array(points, float))


def test_touched_and_seen_points_give_the_same_frame(tmp_path: Path) -> None:
    """A belt in the simulated cell: touched with a pointer, and seen by the camera."""
    folder = tmp_path / "s"
    real = make_session(folder, 8)
    assert stationbook("solve", folder).returncode in (0, 1)
    assert "pointer" in refused("frame", folder, "--name", "belt", *["--touch", "1 2 3 4 5 6"] * 3)
    answer("proof", folder, "--tip", "0 0 150", "--tip-u", "0.1")
    rng, toucher = np.random.default_rng(6), Toucher()
    points = CORNERS + np.array([60.0, 0.0, 0.0])
    words = [word for p in points for word in ("--touch", toucher.pose(p, rng))]
    touched = answer("frame", folder, "--name", "belt", *words)
    seen_at = [(np.linalg.inv(real.camera) @ [*p, 1.0])[:3] for p in points]
    words = [w for p in seen_at for w in ("--seen", " ".join(f"{v:.3f}" for v in p))]
    seen = answer("frame", folder, "--name", "belt", *words, "--as", "json")
    true = frame_through(points)
    for found in (touched, seen):
        off = np.array(found["matrix"]) - true
        assert np.abs(off[:3, 3]).max() < 2.0  # the arm's own errors are in both
        assert 0.0 < found["u_position_mm"] < 1.0
    text = json.loads(seen["text"])
    assert text["transform"] == "base_T_belt"
    assert text["matrix"] == pytest.approx(np.array(seen["matrix"]))
    assert text["lens"] is None
    run = stationbook("frame", folder, "--name", "belt", *words, "--as", "pendant")
    assert "user frame: belt in the base" in run.stdout
    assert "the camera's result: not yet" in run.stdout
    assert "from x), z up in the base\n" in run.stdout
    turned = [*words[:2], *words[4:], *words[2:4]]  # the second and third point exchanged
    assert (
        "z down in the base; up with"
        in stationbook("frame", folder, "--name", "belt", *turned).stdout
    )
    _seen_with_the_noise_of_the_image(folder, np.array(seen_at))
    path = folder / "session.yaml"
    path.write_text(path.read_text().replace("position_mm: 1.0", "position_mm: 0.01"))
    told = answer("frame", folder, "--name", "belt", *words)
    assert told["verdict"] == "not-accepted"
    for said in ("the camera's result: The session changed", "U of a point is", "at most 0.01 mm"):
        assert said in told["caution"]
        assert said in stationbook("frame", folder, "--name", "belt", *words).stdout
    assert "no name of a frame" in refused("frame", folder, "--name", "b:t", *words)
    assert "Give three" in refused("frame", folder, "--name", "belt", *words[:4])


def _seen_with_the_noise_of_the_image(folder: Path, places: np.ndarray) -> None:
    """Its rotation lies within U, which that of the result alone does not hold.

    Three points of a small part are refused: their frame would be turned beyond the tolerance.
    """
    session, rng, inside = open_session(folder), np.random.default_rng(7), []
    pixel = read_result(folder).noise.pixel_px or 0.0
    true = frame_seen(session, folder, places)
    for _ in range(40):
        own = pixel * np.linalg.norm(places, axis=1)[:, None] / session.cell.camera.matrix[0][0]
        found = frame_seen(session, folder, places + own * rng.normal(0.0, 1.0, (3, 3)))
        turn = Rotation.from_matrix(true.base_T_frame[:3, :3].T @ found.base_T_frame[:3, :3])
        u = found.delivered.uncertainty.angle_deg or 0.0
        inside.append(np.degrees(turn.magnitude()) <= 2.0 * u)
    assert np.mean(inside) >= 0.9
    near = places[0] + (places - places[0]) * 0.06
    caution = frame_seen(session, folder, near).delivered.caution or ""
    assert "U of the rotation" in caution
    assert "farther apart" in caution


def frame_seen(session: Session, folder: Path, places: np.ndarray) -> FrameFound:
    seen = [" ".join(f"{v:.4f}" for v in place) for place in places]
    return frame_found(session, folder, "part", seen=seen)
