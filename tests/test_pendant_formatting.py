"""Poses as the pendant shows them, and the uncertainty of what it does not show."""

from __future__ import annotations

import math

import numpy as np
import pytest
import pytransform3d.rotations as pr
from hypothesis import given, settings
from hypothesis import strategies as st
from pendant_cases import XYZABC, fixed_xyz, pendant

from engine.errors import PoseError, StationbookError
from engine.frames import rotation_angle, transform
from engine.pendant.conventions import ROTATIONS
from engine.pendant.entry import format_pose, parse_pose, pose_from_fields, rounding

FREE = [name for name in ROTATIONS if name not in ("yaw", "joints")]


def random_pose(seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    R = pr.matrix_from_quaternion(pr.random_quaternion(rng))
    return transform(R, rng.uniform(-900, 900, 3))


def worst_angle(shown: object) -> float:
    """Return the largest turn [rad] that rounding of the shown digits can make."""
    half = 0.5 * 10.0 ** -np.asarray(shown.decimals[3:], float)
    if shown.rotation.startswith("quaternion"):
        return 2.2 * float(np.linalg.norm(half))
    return float(half.sum()) * (math.pi / 180 if shown.angle_unit == "deg" else 1.0)


@pytest.mark.parametrize("rotation", FREE)
@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10**6), rad=st.booleans())
def test_shown_poses_read_back_within_rounding(rotation: str, seed: int, rad: bool) -> None:
    decimals = (2, 2, 2, 4, 4, 4, 4)[: 7 if rotation.startswith("q") else 6]
    own = pendant(rotation, angle_unit="rad" if rad else "deg", decimals=decimals)
    T = random_pose(seed)
    back = pose_from_fields(format_pose(T, own), own).base_T_flange
    np.testing.assert_allclose(back[:3, 3], T[:3, 3], atol=0.005 + 1e-9)
    assert rotation_angle(back[:3, :3].T @ T[:3, :3]) <= worst_angle(own) + 1e-9


@pytest.mark.parametrize("rotation", FREE)
def test_what_is_shown_is_shown_again_after_typing(rotation: str) -> None:
    own = pendant(rotation)
    for seed in range(20):
        fields = format_pose(random_pose(seed), own)
        typed = parse_pose(" ".join(fields), own)
        again = np.array(format_pose(typed.base_T_flange, own, near=fields), float)
        np.testing.assert_allclose(again, typed.values, atol=1.01 * 10.0 ** -own.decimals[-1])


def test_digits_are_those_of_the_pendant() -> None:
    typed = parse_pose("612.4 -85.1 410 179.8 0.4 -90", XYZABC)
    expected = ("612.40", "-85.10", "410.00", "179.80", "0.40", "-90.00")
    assert format_pose(typed.base_T_flange, XYZABC) == expected


def test_no_minus_stands_before_nothing_but_zeros() -> None:
    R = fixed_xyz(np.deg2rad([-0.001, -0.002, -0.003]))
    assert format_pose(transform(R, (-0.001, -0.0, -0.004)), XYZABC) == ("0.00",) * 6


def test_a_half_turn_is_plus_180_unless_the_near_pose_says_minus() -> None:
    R = fixed_xyz(np.deg2rad([-179.999, 0.0, 0.0]))
    T = transform(R, (0, 0, 0))
    assert format_pose(T, XYZABC)[3] == "180.00"
    assert format_pose(T, XYZABC, near=("0", "0", "0", "-179.90", "0", "0"))[3] == "-180.00"
    rad = pendant(angle_unit="rad", decimals=4)
    assert format_pose(T, rad)[3] == "3.1416"


def test_near_picks_the_branch_that_was_shown() -> None:
    typed = parse_pose("0 0 0 170 100 -20", XYZABC)
    alone = format_pose(typed.base_T_flange, XYZABC)
    assert alone[3:] == ("-10.00", "80.00", "160.00")
    near = format_pose(typed.base_T_flange, XYZABC, near=("0", "0", "0", "169", "99", "-21"))
    assert near[3:] == ("170.00", "100.00", "-20.00")
    numbers = format_pose(typed.base_T_flange, XYZABC, near=typed.values)
    assert numbers == near


def test_gimbal_lock_shows_the_same_digits_every_time() -> None:
    typed = parse_pose("0 0 0 40 90 25", XYZABC)
    alone = {format_pose(typed.base_T_flange + 0.0, XYZABC) for _ in range(3)}
    assert len(alone) == 1
    back = pose_from_fields(alone.pop(), XYZABC)
    np.testing.assert_allclose(back.base_T_flange, typed.base_T_flange, atol=1e-6)
    near = format_pose(typed.base_T_flange, XYZABC, near=typed.fields)
    assert near == ("0.00", "0.00", "0.00", "40.00", "90.00", "25.00")


def test_what_cannot_be_shown_is_refused() -> None:
    tilted = transform(pr.active_matrix_from_angle(0, 0.5), (0, 0, 0))
    with pytest.raises(PoseError, match="one angle"):
        format_pose(tilted, pendant("yaw"))
    with pytest.raises(StationbookError, match="joints"):
        format_pose(np.eye(4), pendant("joints"))
    with pytest.raises(StationbookError, match="rigid"):
        format_pose(2 * np.eye(4), XYZABC)
    for near in (("1", "2"), ("a",) * 6, ("nan",) * 6):
        with pytest.raises(StationbookError, match="near"):
            format_pose(np.eye(4), XYZABC, near=near)


def test_a_step_of_a_hundredth_costs_0_0029() -> None:
    # GUM 4.3.7 / NIST TN 1297: rectangular, u = a / sqrt 3; 0.01 shown gives 0.0029.
    position, angle = rounding(XYZABC)
    assert position == pytest.approx(0.0029, abs=5e-5)
    assert math.degrees(angle) == pytest.approx(0.0029, abs=5e-5)
    inches, _ = rounding(pendant(length_unit="in", decimals=3))
    assert inches == pytest.approx(25.4e-3 / math.sqrt(12))


@pytest.mark.parametrize(
    ("rotation", "ratio"),
    [("fixed-xyz", 1.0), ("moving-zyz", 1.0), ("quaternion-wxyz", 1.0), ("rotation-vector", 0.88)],
)
def test_rounding_matches_the_scatter_of_rounded_poses(rotation: str, ratio: float) -> None:
    # The expected scatter is sampled; for a vector it averages below the bound that is stated.
    decimals = (1, 1, 1, 3, 3, 3, 3)[: 7 if rotation.startswith("q") else 6]
    own = pendant(rotation, decimals=decimals, angle_unit="rad")
    turns, shifts = [], []
    for seed in range(1500):
        T = random_pose(seed)
        back = pose_from_fields(format_pose(T, own), own).base_T_flange
        turns.append(rotation_angle(back[:3, :3].T @ T[:3, :3]) ** 2 / 3)
        shifts.append(np.mean((back[:3, 3] - T[:3, 3]) ** 2))
    position, angle = rounding(own)
    assert math.sqrt(np.mean(shifts)) == pytest.approx(position, rel=0.05)
    assert math.sqrt(np.mean(turns)) == pytest.approx(ratio * angle, rel=0.06)


def test_rounding_of_joints_swings_the_flange_a_metre_away() -> None:
    own = pendant("joints", decimals=1)
    u = math.radians(0.1) / math.sqrt(12)
    assert rounding(own) == pytest.approx((1000.0 * u, u * math.sqrt(2.0)))
