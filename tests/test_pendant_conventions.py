"""Rotation conventions against pytransform3d, an independent implementation of all of them."""

from __future__ import annotations

import math

import numpy as np
import pytest
import pytransform3d.rotations as pr
from hypothesis import given, settings
from hypothesis import strategies as st
from pendant_cases import pendant

from engine.errors import PoseError, StationbookError
from engine.pendant.conventions import (
    EULER_ROTATIONS,
    ROTATIONS,
    checked_pendant,
    equivalent,
    euler_sequences,
    field_count,
    from_matrix,
    reversed_labels,
    to_matrix,
)
from engine.pendant.labels import LABEL_SETS

EDGES = (0.0, 90.0, -90.0, 180.0, -180.0, 89.999999, 1e-7, 270.0, -360.0)  # lock, half turns, wraps
degrees = st.one_of(st.sampled_from(EDGES), st.floats(-180.0, 180.0))
triples = st.tuples(degrees, degrees, degrees)
WRITABLE = [name for name in ROTATIONS if name not in ("yaw", "joints")]


def reference(rotation: str, values: object) -> np.ndarray:
    """Return the matrix of ``values`` [deg for angles] by pytransform3d."""
    values = np.asarray(values, float)
    if rotation == "rotation-vector":
        return pr.matrix_from_compact_axis_angle(np.deg2rad(values))
    if rotation == "quaternion-wxyz":
        return pr.matrix_from_quaternion(values)
    if rotation == "quaternion-xyzw":
        return pr.matrix_from_quaternion(pr.quaternion_wxyz_from_xyzw(values))
    kind, axes = rotation.split("-")
    i, j, k = ("xyz".index(axis) for axis in axes)
    return pr.matrix_from_euler(np.deg2rad(values), i, j, k, kind == "fixed")


def elementary(axis: str, degrees_: float) -> np.ndarray:
    """Return a turn about one axis by pytransform3d."""
    return pr.active_matrix_from_angle("xyz".index(axis), math.radians(degrees_))


def random_rotations(seed: int, count: int) -> list[np.ndarray]:
    rng = np.random.default_rng(seed)
    return [pr.matrix_from_quaternion(pr.random_quaternion(rng)) for _ in range(count)]


def test_there_are_twelve_sequences_and_29_names() -> None:
    assert len(set(euler_sequences())) == 12
    assert len(EULER_ROTATIONS) == 24
    assert len(set(ROTATIONS)) == 24 + 3 + 2


@pytest.mark.parametrize("rotation", EULER_ROTATIONS)
@settings(max_examples=25, deadline=None)
@given(values=triples)
def test_euler_values_give_the_matrix_of_pytransform3d(rotation: str, values: tuple) -> None:
    # Source of the expected matrix: pytransform3d, matrix_from_euler.
    R = to_matrix(values, pendant(rotation))
    np.testing.assert_allclose(R, reference(rotation, values), atol=1e-12)


@pytest.mark.parametrize("rotation", [*EULER_ROTATIONS, "rotation-vector"])
def test_angles_beside_a_half_turn_and_in_the_lock_lose_nothing(rotation: str) -> None:
    shown = pendant(rotation)
    for values in ((0, 180, 3.08e-5), (0, 180.00005, 0), (5.3e-5, -180, 40), (0, 90, 180.00004)):
        R = to_matrix(values, shown)
        for near in (None, values, (0, 0, 0)):
            back = to_matrix(from_matrix(R, shown, near), shown)
            np.testing.assert_allclose(back, R, atol=1e-9)


@pytest.mark.parametrize("rotation", EULER_ROTATIONS)
@settings(max_examples=25, deadline=None)
@given(values=triples, near=st.one_of(st.none(), triples))
def test_euler_values_survive_the_way_back(rotation: str, values: tuple, near: tuple) -> None:
    shown = from_matrix(reference(rotation, values), pendant(rotation), near)
    # Within the lock the third angle is dropped: what is lost there is below 2e-7 rad.
    np.testing.assert_allclose(reference(rotation, shown), reference(rotation, values), atol=5e-7)


@settings(max_examples=60, deadline=None)
@given(values=triples, unit=st.sampled_from(["deg", "rad"]))
def test_rotation_vectors_agree_with_pytransform3d(values: tuple, unit: str) -> None:
    # Source: pytransform3d, matrix_from_compact_axis_angle and compact_axis_angle_from_matrix.
    vector = np.asarray(values) if unit == "deg" else np.deg2rad(values)
    R = to_matrix(vector, pendant("rotation-vector", angle_unit=unit))
    np.testing.assert_allclose(R, reference("rotation-vector", values), atol=1e-12)
    back = from_matrix(R, pendant("rotation-vector", angle_unit="rad"))
    expected = pr.compact_axis_angle_from_matrix(R)
    assert math.isclose(np.linalg.norm(back), np.linalg.norm(expected), abs_tol=1e-6)
    np.testing.assert_allclose(pr.matrix_from_compact_axis_angle(back), R, atol=1e-9)


@pytest.mark.parametrize("rotation", ["quaternion-wxyz", "quaternion-xyzw"])
def test_quaternions_agree_with_pytransform3d_in_both_orders(rotation: str) -> None:
    # Source: pytransform3d, matrix_from_quaternion (w x y z) and its reordering.
    for R in random_rotations(1, 50):
        q = from_matrix(R, pendant(rotation))
        np.testing.assert_allclose(reference(rotation, q), R, atol=1e-12)
        np.testing.assert_allclose(to_matrix(q, pendant(rotation)), R, atol=1e-12)
        np.testing.assert_allclose(to_matrix(-3.0 * q, pendant(rotation)), R, atol=1e-12)
        assert q[0 if rotation == "quaternion-wxyz" else 3] >= 0


@pytest.mark.parametrize("flange_down", [False, True])
@pytest.mark.parametrize("unit", ["deg", "rad"])
@given(angle=st.floats(-179.9, 180.0))
@settings(max_examples=20, deadline=None)
def test_yaw_turns_about_base_z(flange_down: bool, unit: str, angle: float) -> None:
    # Source: elementary turns of pytransform3d; Rz(a), or Rz(a) Rx(180°) with the flange down.
    shown = pendant("yaw", flange_down=flange_down, angle_unit=unit)
    value = angle if unit == "deg" else math.radians(angle)
    expected = elementary("z", angle) @ elementary("x", 180.0 if flange_down else 0.0)
    np.testing.assert_allclose(to_matrix([value], shown), expected, atol=1e-12)
    np.testing.assert_allclose(from_matrix(expected, shown), [value], atol=1e-9)


def test_a_tilted_flange_cannot_be_shown_as_yaw() -> None:
    level = elementary("z", 30.0)
    with pytest.raises(PoseError, match="one angle cannot show"):
        from_matrix(level @ elementary("x", 6.0), pendant("yaw"))
    with pytest.raises(PoseError, match="does not point down"):
        from_matrix(level, pendant("yaw", flange_down=True))
    nearly_level = level @ elementary("x", 0.5)
    assert from_matrix(nearly_level, pendant("yaw")) == pytest.approx(30.0, abs=0.01)


def _word_matrix(words: str, angles: dict[str, float]) -> np.ndarray:
    """Multiply turns written as in a manual: "Rz(A) Ry(B) Rx(C)"."""
    R = np.eye(3)
    for word in words.split():
        R = R @ elementary(word[1], angles[word[3:-1]])
    return R


AXIS_LABEL_SETS = [label_set for label_set in LABEL_SETS if label_set.rotation in EULER_ROTATIONS]


@pytest.mark.parametrize("labels", AXIS_LABEL_SETS, ids=lambda s: f"{s.labels[0]}-{s.rotation}")
def test_label_sets_mean_the_matrix_of_the_manual(labels: object) -> None:
    # The matrix of each label set: from memory and common practice, no source.
    angles = dict(zip(labels.labels, (12.0, -34.0, 56.0), strict=True))
    R = to_matrix(list(angles.values()), pendant(labels.rotation))
    np.testing.assert_allclose(R, _word_matrix(labels.matrix, angles), atol=1e-12)


@pytest.mark.parametrize(
    ("labels", "rotation"),
    [
        ("W P R", "fixed-xyz"),
        ("A B C", "moving-zyx"),
        ("A B C", "fixed-xyz"),
        ("A B C", "moving-zyz"),
        ("Rx Ry Rz", "fixed-xyz"),
        ("Rx Ry Rz", "moving-xyz"),
        ("RX RY RZ", "rotation-vector"),
        ("U V W", "moving-zyx"),
        ("O A T", "moving-zyz"),
        ("q1 q2 q3 q4", "quaternion-wxyz"),
        ("qx qy qz qw", "quaternion-xyzw"),
        ("yaw pitch roll", "moving-zyz"),
        ("yaw pitch roll", "moving-zyx"),
        ("C", "yaw"),
    ],
)
def test_label_sets_propose_every_known_meaning(labels: str, rotation: str) -> None:
    # From memory and common practice, no source.
    assert (tuple(labels.split()), rotation) in {(s.labels, s.rotation) for s in LABEL_SETS}
    checked_pendant(pendant(rotation, labels=("X", "Y", "Z", *labels.split())))


def test_worked_matrix_of_the_contract_order() -> None:
    # Rz(90°) Rx(90°) by hand: x goes to y, y to z, z to x.
    expected = [[0, 0, 1], [1, 0, 0], [0, 1, 0]]
    np.testing.assert_allclose(to_matrix([90, 0, 90], pendant("fixed-xyz")), expected, atol=1e-15)
    np.testing.assert_allclose(to_matrix([90, 0, 90], pendant("moving-zyx")), expected, atol=1e-15)


@pytest.mark.parametrize("rotation", EULER_ROTATIONS)
def test_near_brings_back_the_very_angles_that_were_shown(rotation: str) -> None:
    rng = np.random.default_rng(4)
    for values in rng.uniform(-179.0, 179.0, (20, 3)):
        R = reference(rotation, values)
        near = values + rng.uniform(-0.5, 0.5, 3)
        np.testing.assert_allclose(from_matrix(R, pendant(rotation), near), values, atol=1e-6)


@pytest.mark.parametrize("rotation", EULER_ROTATIONS)
def test_gimbal_lock_keeps_the_near_first_angle_and_is_deterministic(rotation: str) -> None:
    axes = rotation.split("-")[1]
    for middle in (0.0, 180.0) if axes[0] == axes[2] else (90.0, -90.0):
        R = reference(rotation, (40.0, middle, 25.0))
        shown = from_matrix(R, pendant(rotation), (40.0, middle, 20.0))
        np.testing.assert_allclose(shown, (40.0, middle, 25.0), atol=1e-5)
        alone = from_matrix(R, pendant(rotation))
        np.testing.assert_array_equal(alone, from_matrix(R.copy(), pendant(rotation)))
        assert alone[2] == 0.0
        np.testing.assert_allclose(reference(rotation, alone), R, atol=1e-6)


def test_near_picks_the_sign_of_quaternion_and_vector() -> None:
    R = elementary("x", 179.0)
    vector = pendant("rotation-vector")
    np.testing.assert_allclose(from_matrix(R, vector), [179, 0, 0], atol=1e-9)
    np.testing.assert_allclose(from_matrix(R, vector, [-180, 0, 0]), [-181, 0, 0], atol=1e-9)
    q = pendant("quaternion-wxyz")
    assert from_matrix(R, q)[1] > 0.99
    assert from_matrix(R, q, [0.0, -1.0, 0.0, 0.0])[1] < -0.99


def test_half_turns_do_not_flip_with_the_last_bit() -> None:
    for tiny in (-1e-12, 0.0, 1e-12):
        R = elementary("x", 180.0 + tiny)
        assert from_matrix(R, pendant("rotation-vector"))[0] == pytest.approx(180.0)
        assert from_matrix(R, pendant("quaternion-xyzw"))[0] == pytest.approx(1.0)
        assert from_matrix(R, pendant("fixed-xyz"))[0] == pytest.approx(180.0)


def test_angles_follow_a_pendant_that_counts_to_360() -> None:
    R = reference("fixed-xyz", (0.0, 0.0, -90.0))
    np.testing.assert_allclose(from_matrix(R, pendant(), (0, 0, 269)), (0, 0, 270), atol=1e-9)
    np.testing.assert_allclose(from_matrix(R, pendant(), (0, 0, -89)), (0, 0, -90), atol=1e-9)


def test_many_poses_convert_at_once() -> None:
    values = np.random.default_rng(2).uniform(-180, 180, (5, 4, 3))
    R = to_matrix(values, pendant("moving-zyz"))
    assert R.shape == (5, 4, 3, 3)
    np.testing.assert_allclose(R[3, 2], reference("moving-zyz", values[3, 2]), atol=1e-12)


@pytest.mark.parametrize("rotation", EULER_ROTATIONS)
def test_reversed_labels_give_the_same_matrix(rotation: str) -> None:
    other = reversed_labels(rotation)
    np.testing.assert_allclose(
        reference(rotation, (1.0, 2.0, 3.0)), reference(other, (3.0, 2.0, 1.0)), atol=1e-12
    )
    assert reversed_labels(other) == rotation
    assert other != rotation


def test_equivalent_names_exactly_the_pairs_that_agree_after_reordering() -> None:
    euler = np.array([[11.0, 27.0, -43.0], [-70.0, 35.0, 110.0]])
    four = np.array([pr.random_quaternion(np.random.default_rng(k)) for k in range(2)])
    for a in WRITABLE:
        for b in WRITABLE:
            values = four if a.startswith("q") else euler
            order = equivalent(a, b)
            if order is None:
                if field_count(a) == field_count(b):
                    same = np.allclose(to_matrix(values, pendant(a)), to_matrix(values, pendant(b)))
                    assert not same, (a, b)
                continue
            R = np.array([reference(b, v[list(order)]) for v in values])
            np.testing.assert_allclose(R, to_matrix(values, pendant(a)), atol=1e-12)
    assert equivalent("fixed-xyz", "moving-zyx") == (2, 1, 0)
    assert equivalent("quaternion-wxyz", "quaternion-xyzw") == (1, 2, 3, 0)


def test_unknown_rotations_suggest_the_nearest_name() -> None:
    with pytest.raises(StationbookError, match="Did you mean fixed-xzy"):
        field_count("fixed-xzyy")
    with pytest.raises(StationbookError):
        reversed_labels("yaw")


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"labels": ("X", "Y", "Z", "A", "B")}, "5 labels"),
        ({"labels": ("X", "Y", "Z", "A", "B", "b")}, "stands once"),
        ({"labels": ("X", "Y", "Z", "A", "B", "1")}, "begins with a letter"),
        ({"labels": ("X", "Y", "Z", "A", "B", "mm")}, "is no unit"),
        ({"decimals": (2, 2, 2)}, "6 numbers of decimals"),
        ({"length_unit": "cm"}, "mm, m, in"),
    ],
)
def test_settings_that_do_not_fit_together_are_refused(change: dict, says: str) -> None:
    with pytest.raises(StationbookError, match=says):
        checked_pendant(pendant(**change))


def test_joints_and_wrong_sizes_are_refused() -> None:
    with pytest.raises(StationbookError, match="joint angles"):
        to_matrix([1, 2, 3], pendant("joints"))
    with pytest.raises(StationbookError, match="expected 3 values"):
        to_matrix([1, 2], pendant())
    with pytest.raises(StationbookError, match="zero"):
        to_matrix([0, 0, 0, 0], pendant("quaternion-wxyz"))
