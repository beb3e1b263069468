"""What somebody may have meant who typed a number: every kind of slip leads back to the truth."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from engine.cell.stations import layout
from engine.checks.explain import Prediction, explanations, half_turn, kept, slips
from engine.pendant.entry import pose_from_fields
from engine.pendant.settings import Pendant


def kinds(typed: str, meant: str, decimals: int = 2, wrap: float = 0.0) -> set[str]:
    return {s.kind for s in slips(typed, decimals, wrap) if s.text == meant}


@pytest.mark.parametrize(
    ("typed", "meant", "kind"),
    [
        ("-58.10", "-85.10", "swapped digits"),
        ("614.20", "612.40", "swapped digits"),  # across the point
        ("617.40", "612.40", "wrong digit"),
        ("62.40", "612.40", "lost digit"),
        ("12.40", "612.40", "lost digit"),
        ("612.0", "612.40", "lost digit"),
        ("6112.40", "612.40", "doubled digit"),
        ("612.440", "612.40", "doubled digit"),
        ("6152.40", "612.40", "extra digit"),
        ("85.10", "-85.10", "lost sign"),
        ("-85.10", "85.10", "lost sign"),
        ("61.240", "612.40", "shifted point"),
        ("61240", "612.40", "shifted point"),
        ("6124.0", "612.40", "shifted point"),
    ],
)
def test_each_kind_of_slip_is_undone(typed: str, meant: str, kind: str) -> None:
    assert kinds(typed, meant) == {kind}


def test_the_other_sign_near_half_a_turn_is_called_so() -> None:
    assert kinds("-179.80", "179.80", wrap=180.0) == {"other sign of the wrap"}
    assert kinds("-12.00", "12.00", wrap=180.0) == {"lost sign"}


def test_half_a_turn_in_both_units() -> None:
    assert half_turn("deg") == pytest.approx(180.0)
    assert half_turn("rad") == pytest.approx(3.141592653589793)
    assert half_turn("mm") == 0.0


def test_nothing_is_suggested_that_the_pendant_cannot_show() -> None:
    assert all(len(s.text.partition(".")[2]) <= 2 for s in slips("612.40", 2))
    assert all(abs(float(s.text)) <= 360.0 for s in slips("179.80", 2, 180.0))


def test_a_suggestion_is_written_as_the_pendant_writes_it() -> None:
    pendant = Pendant("mm", "deg", "fixed-xyz", ("X", "Y", "Z", "A", "B", "C"), (2,) * 6)
    meant = ("666.90", "-50.00", "300.00", "10.00", "20.00", "30.00")
    pose = pose_from_fields(meant, pendant).base_T_flange
    likeliest = explanations(
        layout(pendant, None), ("6669.0", *meant[1:]), [Prediction(pose, np.eye(6) * 1e-2)]
    )[0]
    assert (likeliest.fields, likeliest.texts) == ((0,), ("666.90",))


def test_values_that_were_kept_from_the_station_before() -> None:
    assert kept(("1.0", "2.0", "3.0"), ("1.0", "2.5", "3.0")) == (0, 2)
    assert kept(("1.0",), ()) == ()


numbers = st.decimals(-999, 999, places=2).map(lambda d: f"{d + 0:.2f}")


@given(numbers, st.data())
def test_a_slip_of_one_key_leads_back(meant: str, data: st.DataObject) -> None:
    """Whatever digit is struck wrong, twice or not at all, the meant text is among the slips."""
    places = [k for k, c in enumerate(meant) if c.isdigit()]
    k = data.draw(st.sampled_from(places))
    digit = data.draw(st.sampled_from("0123456789"))
    ways = [meant[:k] + digit + meant[k + 1 :], meant[:k] + meant[k] + meant[k:]]
    typed = data.draw(st.sampled_from(ways))
    whole = typed.removeprefix("-").partition(".")[0]
    if float(typed) == float(meant) or (len(whole) > 1 and whole.startswith("0")):
        return
    assert any(float(s.text) == float(meant) for s in slips(typed, 2)) or float(typed) == 0.0


@given(numbers)
def test_shares_are_those_of_one_slip(typed: str) -> None:

    total = sum(math.exp(s.log_share) for s in slips(typed, 2))
    assert 0.0 < total <= 1.01
