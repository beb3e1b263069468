"""Lines as hands type them: what is read, what is refused, and that nothing else ever happens."""

from __future__ import annotations

import time

import numpy as np
import pytest
import pytransform3d.rotations as pr
from hypothesis import given, settings
from hypothesis import strategies as st
from pendant_cases import XYZABC, fixed_xyz, pendant

from engine.errors import PoseError, StationbookError
from engine.pendant.conventions import ROTATIONS
from engine.pendant.entry import parse_partial, parse_pose, pose_from_fields

FULL = ("612.40", "-85.10", "410.00", "179.80", "0.40", "-90.00")
SHORT = ("612.4", "-85.1", "410", "179.8", "0.4", "-90")
WHOLE = ("612", "-85", "410", "179", "0", "-90")

ACCEPTED = [
    # separators
    ("612.40 -85.10 410.00 179.80 0.40 -90.00", FULL),
    ("  612.40\t-85.10\t410.00\t179.80\t0.40\t-90.00\r\n", FULL),
    ("612.40;-85.10;410.00;179.80;0.40;-90.00;", FULL),
    ("612.40 / -85.10 / 410.00 / 179.80 / 0.40 / -90.00", FULL),
    ("612.40/-85.10/410.00/179.80/0.40/-90.00", FULL),
    ("612.40|-85.10|410.00|179.80|0.40|-90.00", FULL),
    ("612.40, -85.10, 410.00, 179.80, 0.40, -90.00", FULL),
    ("612.40,-85.10,410.00,179.80,0.40,-90.00", FULL),
    ("612.40, -85.10, 410.00 179.80, 0.40, -90.00", FULL),
    ("612,-85,410,179,0,-90", WHOLE),
    ("612,-85,410,179,0,-90,", WHOLE),
    ("612.40, -85.10, 410.00, 179.80, 0.40, -90.00,", FULL),
    ("612, -85, 410, 179, 0, -90", WHOLE),
    ("1,2,3,4,5,6", ("1", "2", "3", "4", "5", "6")),
    ("612.40 -85.10 410.00\n179.80 0.40 -90.00", FULL),
    # decimal commas
    ("612,40 -85,10 410,00 179,80 0,40 -90,00", FULL),
    ("612,4; -85,1; 410; 179,8; 0,4; -90", SHORT),
    ("612,4;-85,1;410;179,8;0,4;-90", SHORT),
    ("612,4, -85,1, 410, 179,8, 0,4, -90", SHORT),
    ("612,4/-85,1/410/179,8/0,4/-90", SHORT),
    ("612,4 -85 410 179 0 -90", ("612.4", *WHOLE[1:])),
    ("612,400 -85,1 410 179,8 0,4 -90", ("612.400", *SHORT[1:])),
    # labels
    ("X612.4 Y-85.1 Z410 A179.8 B0.4 C-90", SHORT),
    ("x612.4y-85.1z410a179.8b0.4c-90", SHORT),
    ("X=612.40mm; Y: -85,10; Z: 410,00; A 179,80°; B=0.40 deg; C -90.00°", FULL),
    ("X,612.40,Y,-85.10,Z,410.00,A,179.80,B,0.40,C,-90.00", FULL),
    ("X612,4, Y-85,1, Z410, A179,8, B0,4, C-90", SHORT),
    ("C-90 B0.4 A179.8 Z410 Y-85.1 X612.4", SHORT),
    ("X[mm] 612.4 Y[mm] -85.1 Z[mm] 410 A[°] 179.8 B[°] 0.4 C[°] -90", SHORT),
    ("{X 612.40, Y -85.10, Z 410.00, A 179.80, B 0.40, C -90.00}", FULL),
    ('{"X": 612.40, "Y": -85.10, "Z": 410.00, "A": 179.80, "B": 0.40, "C": -90.00}', FULL),
    # units
    ("612.4mm -85.1mm 410mm 179.8° 0.4° -90°", SHORT),
    ("612.4mm-85.1mm410mm179.8°0.4°-90°", SHORT),
    ("612.4 mm, -85.1 mm, 410 mm, 179.8 deg, 0.4 deg, -90 deg", SHORT),
    ("X612.4mmY-85.1mmZ410mmA179.8degB0.4DEGC-90degrees", SHORT),
    # brackets and quotes
    ("[612.40, -85.10, 410.00, 179.80, 0.40, -90.00]", FULL),
    ("(612.40 -85.10 410.00) (179.80 0.40 -90.00)", FULL),
    ("[[612.40,-85.10,410.00],[179.80,0.40,-90.00]]", FULL),
    ("[612.4,85.1,410],[179.8,0.4,-90]", ("612.4", "85.1", "410", "179.8", "0.4", "-90")),
    ('["612.40", "-85.10", "410.00", "179.80", "0.40", "-90.00"]', FULL),
    ("'612,40' '-85,10' '410,00' '179,80' '0,40' '-90,00'", FULL),
    # characters that pasting and other keyboards bring
    ("612.40 −85.10 410.00 179.80 0.40 –90.00", FULL),
    ("612.40 —85.10 410.00 179.80 0.40 ‑90.00", FULL),
    ("６１２.４０ －８５．１０ 410.00 179.80 0.40 -90.00", FULL),
    ("612.40\u00a0-85.10\u00a0410.00\u00a0179.80\u00a00.40\u00a0-90.00", FULL),
    ("\ufeff612.40 -85.10\u200b 410.00\u3000179.80 0.40 -90.00", FULL),
    ("612.40 -85.10 410.00 179.80º 0.40˚ -90.00°", FULL),
    # ways to write a number
    ("+612.4 -85.1 +410 179.8 .4 -90", ("612.4", "-85.1", "410", "179.8", "0.4", "-90")),
    ("6.124e2 -8.51E+1 4100e-1 179.8 4e-1 -90", ("612.4", "-85.1", "410.0", "179.8", "0.4", "-90")),
    (
        "0612.40 -085.10 410.00 179.80 00.40 -90.00",
        ("0612.40", "-085.10", *FULL[2:4], "00.40", FULL[5]),
    ),
    ("612.4 -85.1 410 179.8 -0.00 -90", ("612.4", "-85.1", "410", "179.8", "-0.00", "-90")),
]

REFUSED = [
    # text, field, words of the problem or remedy
    ("", None, "nothing is typed"),
    ("   ;", None, "nothing is typed"),
    ("612.4", "Y", "1 of 6 fields"),
    ("612.4 -85.1 410 179.8 0.4", "C", "missing: C"),
    ("612.4 -85.1 410 179.8 0.4 -90 5", "C", "7 numbers"),
    ("X612.4 Y-85.1 Z410 A179.8 C-90", "B", "missing: B"),
    ("X612.4 Y-85.1 Z410 A179.8 B C-90", "B", "B has no number"),
    ("X612.4 X-85.1 Z410 A179.8 B0.4 C-90", "X", "twice"),
    ("X612.4 -85.1 410 A179.8 0.4 -90", "X", "has no label"),
    ("612.4 Y-85.1 Z410 A179.8 B0.4 C-90", None, "has no label"),
    ("612.4 X -85.1 Y 410 Z 1 A 2 B 3 C", None, "has no label"),
    # commas
    ("1,2,3,4,5,6,7,8", "X", "more than one way"),
    ("612,4,-85,1,410,0,179,8,0,4,-90,0", "Y", "more than one way"),
    ("612,4,-85,1,-410,0,-179,8,-0,4,-90,0", None, "decimal mark or a separator"),
    ("612,4 -85 410 179 0", "C", "missing: C"),
    ("612,4, -85, 410, 179, 0", "C", "missing: C"),
    ("612,4;-85;410;179;0", "C", "missing: C"),
    ("612 ,4 -85 410 179 0", None, "decimal mark or a separator"),
    ("612, 4 -85 410 179 0", None, "decimal mark or a separator"),
    # a number that is not typed to its end
    ("612.40 -85.10 410.00 179.80 0.40 12.", "C", "ends with a decimal mark"),
    ("612.40 -85.10 410.00 179.80 0.40 12. ", "C", "ends with a decimal mark"),
    ("612.40 -85. 410.00 179.80 0.40 12.34", "Y", "ends with a decimal mark"),
    ("612,40 -85,10 410,00 179,80 0,40 -90,", "C", "ends with a decimal mark"),
    ("612,4, -85,1, 410, 179,8, 0,4, -90,", "C", "ends with a decimal mark"),
    ("X612.4 Y-85.1 Z410.mm A179.8 B0.4 C-90", "Z", "ends with a decimal mark"),
    # thousands
    ("1,234 -85 410 179 0 -90", "X", "1,234 can be 1.234 or 1234"),
    ("1,234.5 -85.1 410 179.8 0.4", "X", "more than one way"),
    ("1.234,5 -85,1 410 179,8 0,4", "X", "more than one way"),
    ("1.234,5,-85,410,179,0", None, "more than one way"),
    ("1,234.5,-85.1,410.0,179.8,0.4", None, "more than one way"),
    ("1'234.5 -85.1 410 179.8 0.4 -90", None, "group thousands"),
    ("1\u202f234.5 -85.1 410 179.8 0.4", None, "group thousands"),
    ("1_234 -85.1 410 179.8 0.4 -90", None, "“_”"),
    ("1.234.567 1 2 3 4 5", "X", "more than one way"),
    # signs
    ("612.4 - 85.1 410 179.8 0.4 -90", "Y", "stands alone"),
    ("612.4 --85.1 410 179.8 0.4 -90", "Y", "stands alone"),
    ("612.4-85.1 410 179.8 0.4 -90", "Y", "touches"),
    ("612.4 85.1- 410 179.8 0.4 -90", "Y", "stands alone"),
    # units
    ("X0.6124m Y0 Z0 A0 B0 C0", "X", "typed in m, by the cell the pendant shows it in mm"),
    ("612.4 -85.1 410 3.138rad 0.4 -90", "A", "typed in rad"),
    ("24.1in 1 2 3 4 5", "X", "typed in in"),
    ('24.1" 3.2" 1 3 4 5', "X", "typed in in"),
    ("612.4° 1 2 3 4 5", "X", "Check which number"),
    ("61.24cm 1 2 3 4 5", "X", "“cm”"),
    ("mm 612.4 1 2 3 4 5", "X", "before any number"),
    # what is no number
    ("nan 1 2 3 4 5", "X", "not a number"),
    ("1 2 -inf 3 4 5", "Z", "stands alone"),
    ("1 2 Infinity 3 4 5", "Z", "not a number"),
    ("1e400 2 3 4 5 6", "X", "beyond anything"),
    ("1e-400 2 3 4 5 6", "X", "beyond anything"),
    ("12345678901 2 3 4 5 6", "X", "beyond anything"),
    ("0.1234567890123456789012345 2 3 4 5 6", "X", "characters"),
    ("0x1F 2 3 4 5 6", None, ""),
    ("612.4 -85.1 41O 179.8 0.4 -90", "Z", "holds a letter"),
    ("6l2.4 -85.1 410 179.8 0.4 -90", "X", "holds a letter"),
    ("612² 1 2 3 4 5", "X", "not understood"),
    ("½ 1 2 3 4 5", "X", "not understood"),
    ("٣ 1 2 3 4 5", "X", "not understood"),
    ("612.4,,410,179.8,0.4,-90", "Y", "between two separators"),
    ("; 612.4 -85.1 410 179.8 0.4 -90", "X", "between two separators"),
    ("1 2 3 4 5 6;;", "C", "between two separators"),
    ("612:85 1 2 3 4 5", "X", "stands after a number"),
    ("station 3: 1 2 3 4 5 6", "X", "neither a label"),
    ("1 2 3 4 5 6\x00", "C", "not understood"),
    ("1 " * 400, None, "characters"),
]  # fmt: skip


@pytest.mark.parametrize(("line", "fields"), ACCEPTED)
def test_hand_typed_lines_keep_their_digits(line: str, fields: tuple[str, ...]) -> None:
    typed = parse_pose(line, XYZABC)
    assert typed.fields == fields
    assert typed.values == tuple(map(float, fields))
    np.testing.assert_array_equal(typed.base_T_flange[:3, 3], typed.values[:3])
    # Source of the expected rotation: pytransform3d, fixed x, y, z.
    angles = np.deg2rad(typed.values[3:])
    R = fixed_xyz(angles)
    np.testing.assert_allclose(typed.base_T_flange[:3, :3], R, atol=1e-12)


@pytest.mark.parametrize(("line", "field", "says"), REFUSED)
def test_unclear_lines_are_refused_with_a_remedy(line: str, field: str | None, says: str) -> None:
    with pytest.raises(PoseError) as refusal:
        parse_pose(line, XYZABC)
    error = refusal.value
    assert says in f"{error.problem} {error.remedy}"
    assert error.remedy.strip()
    assert field is None or error.field == field


def test_a_decimal_comma_and_separating_commas_never_both_count() -> None:
    # The tempting misreading: five fields with one decimal comma give six numbers.
    for line in ("612,4 -85 410 179 0", "612,4, -85, 410, 179, 0", "612,4;-85;410;179;0"):
        with pytest.raises(PoseError):
            parse_pose(line, XYZABC)


def test_three_decimals_after_a_comma_are_read_where_the_pendant_shows_three() -> None:
    typed = parse_pose("1,234 -0,085 0,410 179 0 -90", pendant(length_unit="m", decimals=3))
    assert typed.fields[:3] == ("1.234", "-0.085", "0.410")
    np.testing.assert_allclose(typed.base_T_flange[:3, 3], (1234, -85, 410))


@pytest.mark.parametrize(("unit", "factor"), [("mm", 1.0), ("m", 1000.0), ("in", 25.4)])
def test_lengths_become_mm(unit: str, factor: float) -> None:
    # 1 in = 25.4 mm exactly (international inch, 1959): from memory.
    typed = parse_pose(f"1.5{unit} -2 0.25 0 0 0", pendant(length_unit=unit))
    np.testing.assert_allclose(typed.base_T_flange[:3, 3], np.array([1.5, -2, 0.25]) * factor)


def test_radians_are_read_as_radians() -> None:
    typed = parse_pose("1 2 3 0,5rad -1,25 3,1416", pendant(angle_unit="rad", decimals=4))
    # Source: pytransform3d.
    R = fixed_xyz([0.5, -1.25, 3.1416])
    np.testing.assert_allclose(typed.base_T_flange[:3, :3], R, atol=1e-12)


def test_labels_that_end_with_digits_or_contain_each_other() -> None:
    q = pendant("quaternion-wxyz")
    typed = parse_pose("X1 Y2 Z3 q1=0.5 q2 0.5 Q3: -0.5 q4-0.5", q)
    assert typed.fields == ("1", "2", "3", "0.5", "0.5", "-0.5", "-0.5")
    with pytest.raises(PoseError, match="space or ="):
        parse_pose("X1 Y2 Z3 q10.5 q20.5 q30.5 q40.5", q)
    nested = pendant(labels=("X", "Y", "Z", "Rx", "Ry", "R"))
    assert parse_pose("R3 RX1 ry2 z30 y20 x10", nested).values == (10, 20, 30, 1, 2, 3)


def test_a_label_e_is_a_label_and_no_exponent() -> None:
    own = pendant(labels=("X", "Y", "Z", "E", "F", "G"))
    assert parse_pose("X1 Y2 Z3E4F5G6", own).values == (1, 2, 3, 4, 5, 6)


@pytest.mark.parametrize("rotation", ["quaternion-wxyz", "quaternion-xyzw"])
@settings(max_examples=50, deadline=None)
@given(seed=st.integers(0, 10**6), decimals=st.integers(3, 6))
def test_rounded_quaternions_are_normed(rotation: str, seed: int, decimals: int) -> None:
    # Source: pytransform3d, random_quaternion and matrix_from_quaternion.
    q = pr.random_quaternion(np.random.default_rng(seed))
    shown = q if rotation == "quaternion-wxyz" else pr.quaternion_xyzw_from_wxyz(q)
    line = "1 2 3 " + " ".join(f"{x:.{decimals}f}" for x in shown)
    typed = parse_pose(line, pendant(rotation, decimals=(2,) * 3 + (decimals,) * 4))
    R = typed.base_T_flange[:3, :3]
    np.testing.assert_allclose(R.T @ R, np.eye(3), atol=1e-12)
    np.testing.assert_allclose(R, pr.matrix_from_quaternion(q), atol=4 * 10.0**-decimals)


@pytest.mark.parametrize(
    "four", ["0 0 0 0", "1 1 0 0", "0.5 0.5 0.5 0.51", "0.70710 0 0 0.70170", "0.9999 0 0 0"]
)
def test_quaternions_that_rounding_cannot_explain_are_refused(four: str) -> None:
    with pytest.raises(PoseError, match="length") as refusal:
        parse_pose(f"1 2 3 {four}", pendant("quaternion-wxyz"))
    assert refusal.value.field == "q1"
    assert "compare" in refusal.value.remedy


def test_units_have_no_place_on_a_quaternion() -> None:
    with pytest.raises(PoseError, match="without a unit"):
        parse_pose("1 2 3 1° 0 0 0", pendant("quaternion-wxyz"))


def test_stored_fields_are_read_as_decimal_text() -> None:
    typed = pose_from_fields(["010", "-85,10", " 410.00 ", "179.80", "0.40", "−90"], XYZABC)
    assert typed.fields == ("010", "-85.10", "410.00", "179.80", "0.40", "-90")
    assert typed.values[0] == 10.0


@pytest.mark.parametrize(
    ("fields", "field"),
    [
        (["1", "2", "3", "4", "5"], None),
        (["1", "2", "3", "4", "5", "6", "7"], None),
        (["1", "", "3", "4", "5", "6"], "Y"),
        (["1", "2 3", "3", "4", "5", "6"], "Y"),
        (["1", "2", "Y3", "4", "5", "6"], "Z"),
        (["1,234", "2", "3", "4", "5", "6"], "X"),
        (["1", "2", "3", "~", "5", "6"], "A"),
        (["1", "2", "3", ".nan", "5", "6"], "A"),
        ([1.0, "2", "3", "4", "5", "6"], "X"),
    ],
)
def test_stored_fields_that_are_no_numbers_are_refused(fields: list, field: str | None) -> None:
    with pytest.raises(PoseError) as refusal:
        pose_from_fields(fields, XYZABC)
    assert refusal.value.field == field


def test_a_pendant_with_joints_has_no_pose_line() -> None:
    with pytest.raises(StationbookError, match="shows joints"):
        parse_pose("1 2 3 4 5 6", pendant("joints"))


ALPHABET = "0123456789.,;:/|+-−–eE=XxYZABCQq°mdegrain \t\n()[]{}'\"_²Oo\u00a0\u202f\u200b５İſ"
anything = st.one_of(st.text(max_size=80), st.text(ALPHABET, max_size=60))


@settings(max_examples=600, deadline=None)
@given(text=anything, rotation=st.sampled_from([r for r in ROTATIONS if r != "joints"]))
def test_any_text_gives_a_pose_or_a_pose_error(text: str, rotation: str) -> None:
    try:
        typed = parse_pose(text, pendant(rotation))
    except PoseError as error:
        said = (error.problem, error.remedy)
        assert all(said)
        return
    assert np.isfinite(typed.base_T_flange).all()
    assert pose_from_fields(typed.fields, pendant(rotation)).fields == typed.fields


@settings(max_examples=400, deadline=None)
@given(text=anything, rotation=st.sampled_from(ROTATIONS))
def test_a_partial_line_never_raises(text: str, rotation: str) -> None:
    shown = parse_partial(text, pendant(rotation))
    labels = pendant(rotation).labels
    assert tuple(part.label for part in shown[: len(labels)]) == labels
    assert all(part.label == "" and part.problem for part in shown[len(labels) :])


cents = st.integers(-99999, 99999)
marks = st.sampled_from([(".", " "), (".", "; "), (".", ", "), (".", ","), (",", " "), (",", "; "),
                         (",", ", "), (",", "/"), (".", "\t")])  # fmt: skip


@settings(max_examples=200, deadline=None)
@given(numbers=st.lists(cents, min_size=6, max_size=6), mark=marks, labelled=st.booleans())
def test_every_consistent_way_to_write_a_pose_is_read(
    numbers: list[int], mark: tuple[str, str], labelled: bool
) -> None:
    point, separator = mark
    fields = [f"{n / 100:.2f}" for n in numbers]
    words = [field.replace(".", point) for field in fields]
    if labelled:
        words = [label + word for label, word in zip(XYZABC.labels, words, strict=True)]
    assert parse_pose(separator.join(words), XYZABC).fields == tuple(fields)


@settings(max_examples=200, deadline=None)
@given(numbers=st.lists(cents, min_size=6, max_size=6), lost=st.integers(0, 5), mark=marks)
def test_a_lost_field_is_never_made_up(
    numbers: list[int], lost: int, mark: tuple[str, str]
) -> None:
    point, separator = mark
    words = [f"{n / 100:.2f}".replace(".", point) for n in numbers]
    del words[lost]
    with pytest.raises(PoseError):
        parse_pose(separator.join(words), XYZABC)


def test_reading_a_line_takes_well_under_a_millisecond() -> None:
    line = "X=612,40mm; Y: -85,10mm; Z 410,00mm; A 179,80°; B 0,40°; C -90,00°"
    parse_pose(line, XYZABC)
    times = []
    for _ in range(200):
        start = time.perf_counter()
        parse_pose(line, XYZABC)
        times.append(time.perf_counter() - start)
    assert np.median(times) < 1e-3
