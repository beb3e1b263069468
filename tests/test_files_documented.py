"""docs/file-formats.md names every key of the files that the program reads and writes."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from command import stationbook
from later_session import make_later
from made_session import make_session
from touching import TIP, Toucher

from engine.proof.touch import TOUCHES
from engine.sessions.cell_file import KEEP_OUT, PENDANT, ROUGH, TOLERANCE, WORK_VOLUME
from engine.sessions.cell_parts import CAMERA, ROBOT
from engine.sessions.folder import SESSION
from engine.sessions.schema import Many, Record, Table

PAGE = (Path(__file__).parent.parent / "docs" / "file-formats.md").read_text(encoding="utf-8")
# What belongs to a key by its value: file names, and the names of cameras.
BY_NAME = ("inputs", "cameras")


def named(section: str) -> set[str]:
    """Return the words between backticks in a section of the page, up to the next of its level."""
    _, _, rest = PAGE.partition(f"### {section}")
    assert rest, f"no section {section}"
    text = re.split(r"\n##", rest)[0]
    quoted = " ".join(re.findall(r"`([^`]+)`", text))
    return set(re.findall(r"[A-Za-z_]+", quoted))


def keys(value: Any) -> Iterator[str]:
    """Yield every key of nested plain data."""
    if isinstance(value, dict):
        for key, item in value.items():
            yield key
            inner = item.values() if key in BY_NAME and isinstance(item, dict) else [item]
            for one in inner:
                yield from keys(one)
    elif isinstance(value, list):
        for item in value:
            yield from keys(item)


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> list[dict[str, Any]]:
    """Results of both mounts, one with a proof, one quickly re-calibrated."""
    folder = tmp_path_factory.mktemp("documented")
    real = make_session(folder / "old", 8)
    make_session(folder / "hand", 8, "eye-in-hand")
    make_later(folder / "quick", 4, shift=np.array([0.0, 0.004, 0.0, 0.0, 1.0, -6.0]))
    assert stationbook("solve", folder / "old", folder / "hand", "--jobs", 1).returncode in (0, 1)
    run = stationbook("solve", folder / "quick", "--board-from", folder / "old")
    assert run.returncode in (0, 1), run.stderr
    tip = " ".join(map(str, TIP))
    assert stationbook("proof", folder / "old", "--tip", tip, "--tip-u", "0.1").returncode == 0
    p_base = np.array([600.0, 20.0, 250.0])
    seen = " ".join(f"{v:.3f}" for v in (np.linalg.inv(real.camera) @ [*p_base, 1.0])[:3])
    rng = np.random.default_rng(0)
    for _ in range(2):
        pose = Toucher().pose(p_base, rng)
        run = stationbook("proof", folder / "old", "--seen", seen, "--pose", pose)
        assert run.returncode == 0, run.stderr
    assert stationbook("proof", folder / "old").returncode in (0, 1)
    return [
        yaml.safe_load((folder / name / "result.yaml").read_text(encoding="utf-8"))
        for name in ("old", "hand", "quick")
    ]


def test_every_key_of_a_result_is_named(results: list[dict[str, Any]]) -> None:
    assert "proof" in results[0]
    assert "before" in results[2]
    assert any("value_deg" in item for item in results[0]["systematic"])
    held = {key for result in results for key in keys(result)}
    assert {"left_out_size", "board_covariance", "relinearised"} <= held
    assert held - named("The result") == set()


def described(kind: Any) -> Iterator[str]:
    """Yield every key that a kind of value in a file may hold."""
    if isinstance(kind, Record):
        for part in kind.fields:
            yield part.key
            yield from described(part.kind)
    elif isinstance(kind, Many | Table):
        yield from described(kind.of)


CELL = (PENDANT, KEEP_OUT, WORK_VOLUME, TOLERANCE, ROUGH, CAMERA, ROBOT)


@pytest.mark.parametrize("kind", [*CELL, SESSION, TOUCHES])
def test_every_key_that_a_file_may_hold_is_named(kind: Record) -> None:
    found = set(described(kind))
    assert found
    words = set(re.findall(r"[A-Za-z_0-9]+", PAGE))
    assert found - words == set()
