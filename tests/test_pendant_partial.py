"""A line while it is being typed, as the screen shows it under the pendant's labels."""

from __future__ import annotations

import pytest
from pendant_cases import XYZABC, pendant

from engine.pendant.entry import parse_partial


def shown(text: str) -> dict[str, str]:
    return {part.label: part.text for part in parse_partial(text, XYZABC) if part.text}


def problems(text: str) -> dict[str, str]:
    return {part.label: part.problem for part in parse_partial(text, XYZABC) if part.problem}


@pytest.mark.parametrize(
    "line",
    [
        "612.40 -85.10 410.00 179.80 0.40 -90.00",
        "612,40 -85,10 410,00 179,80 0,40 -90,00",
        "612.40, -85.10, 410.00, 179.80, 0.40, -90.00",
        "X612.40mm Y-85.10mm Z410.00mm A179.80deg B0.40deg C-90.00deg",
        "x = 612,40 mm; y = -85,10 mm; z = 410 mm; a = 179,8°; b = 0,4°; c = -90°",
    ],
)
def test_no_problem_shows_at_any_moment_while_a_good_line_is_typed(line: str) -> None:
    for end in range(len(line) + 1):
        assert problems(line[:end]) == {}, line[:end]
    assert list(shown(line)) == list(XYZABC.labels)


def test_every_label_is_there_from_the_first_key() -> None:
    parts = parse_partial("", XYZABC)
    assert [part.label for part in parts] == list(XYZABC.labels)
    assert all(part.value is None and part.problem is None for part in parts)


def test_a_decimal_comma_stays_in_its_field_while_more_is_typed() -> None:
    assert shown("612,4") == {"X": "612.4"}
    assert shown("612,4 -8") == {"X": "612.4", "Y": "-8"}
    assert shown("612,-85,4") == {"X": "612", "Y": "-85", "Z": "4"}


def test_labelled_fields_appear_under_their_own_label() -> None:
    assert shown("C-90 y12") == {"Y": "12", "C": "-90"}


@pytest.mark.parametrize(
    ("text", "label", "says"),
    [
        ("1 2 abc", "Z", "neither a label"),
        ("1 2 3m 4", "Z", "typed in m"),
        ("X1 Y2 X3", "X", "twice"),
        ("1 2 3 4 5 6 7", "", "too many"),
        ("1 2 - 3", "Z", "stands alone"),
        ("1e300 2", "X", "beyond"),
        ("1.2.3 4", "X", "more than one way"),
        ("1'234 5", "X", "thousands"),
    ],
)
def test_a_problem_shows_at_its_field(text: str, label: str, says: str) -> None:
    assert says in problems(text)[label]


def test_a_bad_quaternion_shows_once_it_is_complete() -> None:
    q = pendant("quaternion-wxyz")
    assert all(part.problem is None for part in parse_partial("1 2 3 0.5 0.5 0.5", q))
    assert "length" in (parse_partial("1 2 3 0.5 0.5 0.5 0.6", q)[3].problem or "")


def test_joints_are_shown_under_their_labels() -> None:
    parts = parse_partial("10 -20,5", pendant("joints"))
    assert [(p.label, p.value) for p in parts[:3]] == [("J1", 10.0), ("J2", -20.5), ("J3", None)]
