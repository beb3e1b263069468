"""Damage, kills and refused calls, in short; tests/bench/bench_faults.py does it at length."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
import world
from command import answer
from damage import Tally, spoil
from interrupted import Outcomes, interrupt
from replay import replay
from shift import shift

SEED = 20261126
needs_fork = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    with pytest.MonkeyPatch.context() as patched:
        patched.setenv("STATIONBOOK_CONFIG", str(tmp_path_factory.mktemp("config")))
        place = tmp_path_factory.mktemp("world")
        world.build(place)
    return place


def test_every_damaged_file_gives_a_sentence_from_its_reader(home: Path) -> None:
    tally = Tally()
    spoil(home, 420, SEED, tally)
    assert tally.failed == []
    assert 100 < tally.refused < 420  # some damage is harmless, most is not
    assert min(tally.inputs.values()) >= 14


def test_every_damaged_file_gives_a_sentence_from_the_commands(home: Path) -> None:
    tally = Tally()
    spoil(home, 30, SEED, tally, commands=True)
    assert tally.failed == []
    assert tally.refused > 5


@needs_fork
@pytest.mark.parametrize("name", ["record", "edit", "swap"])
def test_a_command_killed_or_refused_at_any_call_loses_nothing(
    home: Path, tmp_path: Path, name: str
) -> None:
    found = Outcomes()
    interrupt(home, tmp_path / "x", [name], found, step=11)
    assert found.failed == []
    assert found.kills >= 1
    assert found.refusals >= 1


@pytest.mark.parametrize("name", ["table", "event", "frame", "sign", "swap"])
def test_a_power_cut_after_any_call_of_a_command_leaves_the_state_before_or_after(
    home: Path, tmp_path: Path, name: str
) -> None:
    found = Outcomes()
    if name == "sign":
        answer("sign", "--new-key")
    try:
        replay(home, tmp_path / "x", name, found, step=2)
    except OSError as error:
        pytest.skip(f"nothing can be traced here: {error}")
    assert found.failed == []
    assert found.calls >= 3
    assert found.states >= 2


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="needs /proc")
def test_a_long_shift_takes_no_more_files_and_hardly_more_memory(tmp_path: Path) -> None:
    loads = shift(tmp_path / "session", 30)
    assert loads[-1].files == loads[0].files
    assert loads[-1].memory - loads[0].memory < 15  # MB; caches fill
