"""The engine against sessions of another make: their arms, poses and images share no code."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent / "bench"))

from bench_other_maker import KINDS, named
from other_maker import MOUNTS, made, written

from engine import api


@pytest.mark.parametrize("axes", [6, 4])
@pytest.mark.parametrize("mount", MOUNTS)
def test_camera_is_found_where_it_is(axes: int, mount: str, tmp_path: Path) -> None:
    session = made(np.random.default_rng([axes, len(mount)]), axes, 10, mount)
    result = api.solve(written(session, tmp_path / "s"), store=False)
    assert result.camera is not None
    assert result.uncertainty.position_mm is not None
    off = np.linalg.norm(np.subtract(result.camera.position_mm, session.camera[0, :3, 3]))
    assert off <= 2.0 * result.uncertainty.position_mm + session.accuracy_mm
    assert 0.0 < result.uncertainty.position_mm < 3.0


@pytest.mark.parametrize(
    ("kind", "axes"),
    [
        ("another unit of length", 6),
        ("a column more or fewer", 6),
        ("an image that the camera took at the stop before", 6),
        ("images whose distortion was taken out", 4),
        ("images of half the size", 4),
    ],
)
def test_what_is_wrong_is_named(kind: str, axes: int) -> None:
    session = made(np.random.default_rng(3), axes, 8, MOUNTS[0])
    judge = KINDS[kind][0](session)
    assert judge(named(session)[0])
