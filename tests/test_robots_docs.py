"""The examples of docs/robots.md are robot files, and say what they say."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from robots_samples import DEMO, PALLETISER

from engine.robots.kinematics import FIRST, MORE, TABLE, kinematics
from engine.robots.reach import NEAR_LIMIT, WRIST_STRAIGHT_DEG
from engine.sessions.cell_parts import read_robot

TEXT = (Path(__file__).parents[1] / "docs" / "robots.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"```yaml\n(.*?)```", TEXT, re.DOTALL)


@pytest.fixture
def example(tmp_path):
    def read(number):
        path = tmp_path / "robot.yaml"
        path.write_text(EXAMPLES[number], encoding="utf-8")
        return kinematics(read_robot(path))

    return read


@pytest.mark.parametrize(
    ("number", "joints", "stands"),
    [
        (0, [0, 0, 0, 0, 0, 0], [50, 0, 1270]),
        (0, [0, 90, 90, 0, 0, 0], [500, 0, -80]),
        (1, [0, 0, 0, 0], [1620, 0, 1600]),
        (2, [0, 0, 0, 0], [580, 0, 380]),
        (3, [0, 0, 0, 0, 0, 0], [-890, -210, 60]),  # by hand from the table
    ],
)
def test_each_example_stands_where_the_text_says(example, number, joints, stands):
    assert example(number).forward(np.deg2rad(joints))[:3, 3] == pytest.approx(stands, abs=1e-9)


def test_the_examples_are_the_arms_the_tests_use(example):
    for number, robot in ((0, DEMO), (1, PALLETISER)):
        q = np.linspace(0.1, 0.9, robot.axes)
        assert example(number).forward(q) == pytest.approx(kinematics(robot).forward(q))


def test_the_text_states_the_thresholds_in_force():
    assert f"within {NEAR_LIMIT:g}° or {NEAR_LIMIT:g} mm of a limit" in TEXT
    assert f"within {WRIST_STRAIGHT_DEG:g}° of straight" in TEXT
    starts, stored = FIRST[0][0], TABLE
    assert f"from the {starts} nearest of {stored} stored postures" in TEXT.replace("\n", " ")
    assert f"from {MORE[0][0]} before a pose is called out of reach" in TEXT.replace("\n", " ")
