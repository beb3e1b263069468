"""The example session that comes with the project: whole, small, and true to its simulation."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
from photographs import read_image

from engine.boards.detect import detect
from engine.frames import displacement
from engine.sessions.cell_file import read_cell
from engine.sessions.folder import open_session
from engine.sessions.journal import read_journal, unfinished
from engine.sessions.numbers import observations
from engine.sessions.results import input_hashes, read_result
from engine.simulate.scenario import cell, truth
from engine.steps.checking import check_session
from engine.steps.solve import solve_session

EXAMPLE = Path(__file__).parents[1] / "sessions" / "bottling-line-2-infeed"
MAX_BYTES = 4_000_000


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Return a copy of the example, so that no test can change it."""
    copy = tmp_path_factory.mktemp("example") / "session"
    shutil.copytree(EXAMPLE, copy)
    return copy


def test_the_example_is_complete_and_small(folder):
    session = open_session(folder)
    assert [station.id for station in session.stations] == list(range(1, 10))
    assert session.stations[-1].closing
    assert all(
        (folder / s.image).is_file() and (folder / s.points).is_file() for s in session.stations
    )
    assert read_cell(folder / "cell.yaml") == session.cell == cell()
    assert sum(path.stat().st_size for path in EXAMPLE.rglob("*")) < MAX_BYTES


def test_the_examples_journal_tells_how_it_came_about(folder):
    lines = read_journal(folder)
    assert lines[0]["action"] == "start"
    assert [line["action"] for line in lines].count("record") == 9
    (correction,) = [line for line in lines if line["action"] == "correct"]
    assert correction["replaced"] != correction["typed"]
    assert not unfinished(folder)
    assert not any("/home" in str(line) or "/root" in str(line) for line in lines)


def test_the_examples_points_are_what_the_detector_finds_in_its_images(folder):
    session = open_session(folder)
    seen = {item.id: item for item in observations(session, folder)}
    for station in session.stations[::4]:
        found = detect(read_image(folder / station.image), session.cell.board)
        assert (found.ids == seen[station.id].point_ids).all()
        assert np.abs(found.pixels - seen[station.id].pixels).max() < 0.02


def test_the_examples_result_belongs_to_its_inputs_and_is_what_solving_gives(folder):
    session, stored = open_session(folder), read_result(folder)
    assert stored.inputs == input_hashes(session, folder)
    assert stored.accepted
    solved = solve_session(session, folder)
    np.testing.assert_allclose(np.array(stored.camera.matrix), solved.result.camera, atol=0.01)
    assert not [item for item in check_session(session, folder) if item.level != "note"]


def test_the_example_finds_the_simulated_camera_within_its_stated_uncertainty(folder):
    result = solve_session(open_session(folder), folder).result
    off = displacement(result.geometric, truth().camera)
    covariance = result.joint_covariance[:6, :6]
    size = off @ np.linalg.solve(covariance, off)
    assert size < 22.5  # chi-squared with 6 degrees of freedom: 99.9 %
    assert np.linalg.norm(off[3:]) < 1.0
