"""The real screen, killed: what it acknowledged is there, half a line comes back, no noise."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

if sys.platform == "win32":
    pytest.skip("pseudo-terminals are a matter of POSIX systems", allow_module_level=True)

from screen_terminal import PROGRAM, Program
from screens import HALF, LAST, Kills, killed, noise, prepared

from engine.sessions.folder import open_session

HALF_TYPED = 5  # the last step of the tour


def test_a_killed_screen_has_stored_what_it_said_and_brings_back_half_a_line(
    tmp_path: Path,
) -> None:
    found = Kills()
    folder = prepared(tmp_path / "session")
    killed(folder, "recording", HALF_TYPED, 1.5, found, sure=True)
    assert found.failed == []
    assert found.acknowledged == HALF_TYPED + 1
    assert [station.id for station in open_session(folder).stations] == list(range(1, LAST + 1))
    noise(folder)
    with Program(*PROGRAM, "open", str(folder), size=(100, 30)) as program:
        program.until(HALF, "it is there again")
