"""Joint values as typed and as shown."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pendant_cases import XYZABC, pendant

from engine.errors import PoseError, StationbookError
from engine.pendant.entry import format_joints, joints_from_fields, parse_joints
from engine.robots.model import ChainLink, Robot

SCARA = Robot(name="four-axis", kind="scara")
LIFTED = Robot(
    name="arm on a lift",
    kind="chain",
    links=(ChainLink(0, 0, 0, type="lift"), ChainLink(1, 0, 0), ChainLink(1, 0, 0)),
)


@pytest.mark.parametrize(
    "line",
    [
        "10.0 -20.5 30 0 45 -90",
        "10,0; -20,5; 30; 0; 45; -90",
        "J1 10.0 J2 -20.5 J3 30 J4 0 J5 45 J6 -90",
        "J1=10.0° J2=-20.5° J3=30° J4=0° J5=45° J6=-90°",
        "j6 -90 j5 45 j4 0 j3 30 j2 -20.5 j1 10.0",
        "A1 10,0 A2 -20,5 A3 30 A4 0 A5 45 A6 -90",
    ],
)
def test_joint_lines_are_read(line: str) -> None:
    typed = parse_joints(line, XYZABC, 6)
    assert typed.fields == ("10.0", "-20.5", "30", "0", "45", "-90")
    assert typed.values_deg_or_mm == pytest.approx((10.0, -20.5, 30, 0, 45, -90))


def test_radians_become_degrees_and_lifts_become_mm() -> None:
    own = replace(XYZABC, joint_unit="rad", length_unit="m")
    typed = parse_joints("0.5rad -1 0.12m 3.14", own, 4, SCARA)
    expected = (math.degrees(0.5), math.degrees(-1), 120.0, math.degrees(3.14))
    assert typed.values_deg_or_mm == pytest.approx(expected)
    chain = parse_joints("0.8 0.5 0.5", own, 3, LIFTED)
    assert chain.values_deg_or_mm == pytest.approx((800.0, math.degrees(0.5), math.degrees(0.5)))


def test_own_labels_of_a_joint_pendant_are_understood() -> None:
    own = pendant("joints", labels=("S", "L", "U", "R", "B", "T"))
    typed = parse_joints("T6 B5 R4 U3 L2 S1", own, 6)
    assert typed.values_deg_or_mm == (1, 2, 3, 4, 5, 6)


@pytest.mark.parametrize(
    ("line", "field"),
    [
        ("1 2 3 4 5", "J6"),
        ("1 2 3 4 5 6 7", "J6"),
        ("1 2 3mm 4 5 6", "J3"),
        ("J1 1 J2 2 J3 3 J4 4 J5 5 J5 6", "J5"),
        ("J11 2 3 4 5 6", None),
        ("", None),
    ],
)
def test_unclear_joint_lines_are_refused(line: str, field: str | None) -> None:
    with pytest.raises(PoseError) as refusal:
        parse_joints(line, XYZABC, 6)
    assert field is None or refusal.value.field == field


def test_the_number_of_joints_must_fit_the_pendant() -> None:
    with pytest.raises(StationbookError, match="one label for each joint"):
        parse_joints("1 2 3 4", pendant("joints"), 4)


def test_stored_joints_are_read_and_shown_again() -> None:
    own = pendant("joints", decimals=1)
    typed = joints_from_fields(["10.0", "-20,5", "30", "0", "45", "-90"], own)
    shown = format_joints(typed.values_deg_or_mm, own)
    assert shown == ("10.0", "-20.5", "30.0", "0.0", "45.0", "-90.0")
    assert format_joints((-0.01,) * 6, own) == ("0.0",) * 6
    with pytest.raises(PoseError):
        joints_from_fields([], XYZABC)


@settings(max_examples=200, deadline=None)
@given(text=st.text("0123456789.,;-+eE J A\u00a0°radm\t=", max_size=60))
def test_any_joint_text_gives_values_or_a_pose_error(text: str) -> None:
    try:
        typed = parse_joints(text, XYZABC, 4, SCARA)
    except PoseError as error:
        said = (error.problem, error.remedy)
        assert all(said)
        return
    assert len(typed.values_deg_or_mm) == 4
    assert all(math.isfinite(value) for value in typed.values_deg_or_mm)
