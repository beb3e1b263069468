"""Results stay what they were to the last printed digit, until somebody means them to change.

Then `python tests/tools/make_printed_results.py` writes the file anew; with `--check` it compares
all two hundred sessions instead of these few.
"""

from __future__ import annotations

import printed_results
import pytest

SESSIONS = printed_results.sessions()
STORED = printed_results.stored()
FEW = ("example", *(name for k, name in enumerate(SESSIONS) if k % 20 == 7))


@pytest.mark.parametrize("name", FEW)
def test_a_session_prints_what_it_printed_before(name: str) -> None:
    assert not printed_results.changes(name, SESSIONS[name], STORED[name])


def test_every_session_of_the_list_is_stored() -> None:
    assert list(SESSIONS) == list(STORED)
    assert len(SESSIONS) == printed_results.COUNT + 1


def test_a_change_in_the_last_digit_is_told() -> None:
    before = STORED["example"]
    assert printed_results.same([12.49, [None, "A"]], [12, [None, "A"]])
    assert not printed_results.same([12.52], [12])
    other = before | {"u": [before["u"][0] + 1, *before["u"][1:]]}
    said = printed_results.changes("example", SESSIONS["example"], other)
    assert [line.split(":")[1].strip() for line in said] == ["u"]
