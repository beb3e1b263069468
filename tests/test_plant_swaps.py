"""A spare camera, a new board, a second cell: what is kept, and what the shortest plan gives.

Simulated: the spare has other lens data than the cell says, which only its images can tell.
"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from command import answer, refused, stationbook
from made_session import make_session

from engine.boards.points_file import points_text
from engine.camera.lens import project
from engine.camera.model import Camera
from engine.cell.stations import station_pose, typed_station
from engine.frames import apply, displaced
from engine.sessions.cell_file import cell_document
from engine.sessions.changes import Who, commit, remark
from engine.sessions.folder import open_session
from engine.sessions.journal import OVERTAKEN
from engine.sessions.lock import writing
from engine.sessions.results import read_result
from engine.sessions.yaml_text import yaml_dump
from engine.simulate.scenario import cell, truth
from engine.simulate.virtual_cell import VirtualCell
from engine.steps.recording import Consent, examine, record_station
from engine.steps.station_image import examine_points
from engine.steps.station_pose import examine_pose
from tui.desk.desk import Desk
from tui.desk.say import job
from tui.desk.views import Job

MOVED = np.array([0.004, -0.006, 0.003, 6.0, -4.0, 5.0])  # [rad, mm] the spare in its mount


@pytest.fixture
def old(tmp_path: Path) -> Path:
    make_session(tmp_path / "old", 10)
    assert stationbook("solve", tmp_path / "old").returncode in (0, 1)
    return tmp_path / "old"


def other_lens(camera: Camera) -> Camera:
    (fx, _, cx), (_, fy, cy), last = camera.matrix
    return replace(camera, matrix=((fx * 1.004, 0, cx + 5), (0, fy * 1.004, cy - 4), last))


def visit(folder: Path, camera: Camera, virtual: VirtualCell, seed: int = 1) -> None:
    """Record every planned station of the session as ``camera`` sees it."""
    rng = np.random.default_rng(seed)
    for planned in open_session(folder).plan:
        session = open_session(folder)
        goal = station_pose(session.cell, typed_station(session.cell.pendant, planned.pose))
        assert goal is not None
        virtual.go_to(displaced(goal, np.r_[rng.normal(0, 0.01, 3), rng.normal(0, 3.0, 3)]))
        pixels = project(apply(virtual.camera_T_board(), session.cell.board.points()), camera)
        pixels = pixels + rng.normal(0.0, 0.1, pixels.shape)
        file = folder / "seen.csv"
        file.write_text(points_text(np.arange(len(pixels)), pixels))
        pose = examine_pose(session, " ".join(virtual.pendant_pose()))
        draft = examine(session, folder, pose, examine_points(session, file))
        codes = tuple(item.code for item in draft.findings)
        who = Who(None, datetime.now(UTC))
        with writing(folder):
            commit(folder, record_station(session, folder, draft, who, Consent(codes)), who)


BY_THE_BOARD = "Esc, m, Enter, then b: by the board's place"


def what_next(folder: Path, *, planned: bool = True) -> Job:
    """Return what the screen says of the job when the session is opened, or its plan is done."""
    desk = Desk(folder)
    desk.open()
    desk.close()
    if not planned:
        desk.session = replace(desk.opened(), plan=())
    return job(desk)


def test_a_spare_camera_is_placed_with_the_board_where_it_was(old: Path, tmp_path: Path) -> None:
    new = tmp_path / "new"
    told = answer("swap", old, new, "--camera")
    assert told["planned"] >= 4
    assert told["expected_mm"] <= told["wanted_mm"] == 1.0  # the cell's tolerance
    assert any("board" in text for text in told["kept"])
    assert any("lens" in text for text in told["measure"])
    assert what_next(new) == Job("spare camera, 0 stops", BY_THE_BOARD)
    session = open_session(new)
    assert session.cell.rough is not None
    assert session.cell.camera.u is not None
    virtual = VirtualCell(cell(), truth(), 0)
    virtual.move_camera(MOVED)
    visit(new, other_lens(session.cell.camera), virtual)
    stops = f"spare camera, {told['planned']} stops"
    assert what_next(new, planned=False) == Job(stops, BY_THE_BOARD, due=True)
    run = stationbook("solve", new, "--board-from", old)
    assert run.returncode in (0, 1), run.stderr
    result = read_result(new)
    assert result.before is not None
    assert result.before.movement is not None
    assert result.geometric is not None
    assert result.uncertainty.position_mm is not None
    T = np.array(result.geometric.matrix, float)
    off = np.linalg.norm(T[:3, 3] - virtual.truth.camera[:3, 3])
    assert off < 2.5 * result.uncertainty.position_mm + 1.0
    document = answer("compare", new, old)
    assert document["agree"] is False
    focal = {item.name: item.value_ratio for item in result.board_and_lens}
    assert any(value and value == pytest.approx(0.004, abs=0.003) for value in focal.values())


def test_a_spare_with_its_own_lens_data_may_be_compared(old: Path, tmp_path: Path) -> None:
    own = cell()
    lens = replace(own, camera=replace(other_lens(own.camera), name="spare 0815"))
    (tmp_path / "spare.yaml").write_text(yaml_dump(cell_document(lens)))
    told = answer("swap", old, tmp_path / "new", "--camera", tmp_path / "spare.yaml")
    assert any("its own data" in text for text in told["measure"])
    session = open_session(tmp_path / "new")
    assert session.cell.camera.name == own.camera.name
    assert session.cell.camera.matrix == lens.camera.matrix
    visit(tmp_path / "new", session.cell.camera, VirtualCell(cell(), truth(), 0))
    assert stationbook("solve", tmp_path / "new").returncode in (0, 1)
    assert answer("compare", tmp_path / "new", old)["agree"] is True
    make_session(tmp_path / "stranger", 4)
    text = (tmp_path / "stranger" / "session.yaml").read_text()
    (tmp_path / "stranger" / "session.yaml").write_text(
        text.replace("pitch_mm: 20.0", "pitch_mm: 21.0")
    )
    assert stationbook("solve", tmp_path / "stranger").returncode in (0, 1)
    assert "another cell" in refused("compare", tmp_path / "new", tmp_path / "stranger")


def test_a_new_board_takes_the_fewest_stations_that_keep_the_tolerance(
    old: Path, tmp_path: Path
) -> None:
    own = cell()
    (tmp_path / "board.yaml").write_text(
        yaml_dump(
            cell_document(replace(own, board=replace(own.board, columns=9, rows=6, pitch_mm=25.0)))
        )
    )
    told = answer("swap", old, tmp_path / "new", "--board", tmp_path / "board.yaml")
    assert 3 <= told["planned"] < 10
    assert told["expected_mm"] <= told["wanted_mm"] == 1.0
    session = open_session(tmp_path / "new")
    assert session.cell.board.pitch_mm == 25.0
    assert session.cell.camera == open_session(old).cell.camera
    answer("plan", tmp_path / "new", "--count", "2")
    assert any("must not have moved" in line for line in told["next"])
    with writing(old):  # as a recheck marks it
        mark = remark(OVERTAKEN, open_session(old), old, {"by": "july", "moved": True})
        commit(old, mark, Who(None, datetime.now(UTC)))
    told = answer("swap", old, tmp_path / "moved", "--board", "")
    assert "the camera's place, roughly, for the plan only: camera moved" in told["kept"]
    assert not any("must not have moved" in line for line in told["next"])


def test_a_narrow_tolerance_takes_more_stations_and_says_where_they_do_not_suffice(
    old: Path, tmp_path: Path
) -> None:
    set_tolerance(old, "1.2")
    wide = answer("swap", old, tmp_path / "wide", "--camera")
    set_tolerance(old, "0.85")
    narrow = answer("swap", old, tmp_path / "narrow", "--camera")
    set_tolerance(old, "0.1")
    board = answer("swap", old, tmp_path / "board", "--board", "")
    camera = answer("swap", old, tmp_path / "none", "--camera")
    assert wide["planned"] < narrow["planned"] < camera["planned"] == 10
    u = read_result(old).uncertainty.pick_mm
    assert u is not None
    assert camera["wanted_mm"] == pytest.approx(2 * u, rel=0.01)  # as good as it was
    assert camera["expected_mm"] > camera["wanted_mm"]
    assert any("do not suffice" in text for text in camera["next"])
    assert board["expected_mm"] <= 1.02 * board["wanted_mm"]


def set_tolerance(folder: Path, mm: str) -> None:
    file = folder / "session.yaml"
    text = file.read_text()
    head, tail = text.split("tolerance:", 1)
    tail = re.sub(r"position_mm: [0-9.]+", f"position_mm: {mm}", tail, count=1)
    file.write_text(f"{head}tolerance:{tail}")


def test_a_second_cell_starts_from_the_first(old: Path, tmp_path: Path) -> None:
    told = answer("swap", old, tmp_path / "new", "--cell", "bottling line 3, infeed")
    assert told["planned"] == 0
    assert what_next(tmp_path / "new") == Job("recording, 0 stored")  # nothing to recheck
    session = open_session(tmp_path / "new")
    assert session.cell.name == "bottling line 3, infeed"
    result = read_result(old)
    assert session.cell.rough is not None
    assert result.camera is not None
    assert session.cell.rough.camera.position_mm == result.camera.position_mm
    plan = answer("plan", tmp_path / "new", "--count", "3")
    assert len(plan["stations"]) == 3
    assert "name of its own" in refused("swap", old, tmp_path / "x", "--cell", cell().name)


def test_what_does_not_fit_is_refused(old: Path, tmp_path: Path) -> None:
    own = cell()
    wide = replace(own, camera=replace(own.camera, image_size_px=(640, 480)))
    (tmp_path / "wide.yaml").write_text(yaml_dump(cell_document(wide)))
    assert "another type" in refused(
        "swap", old, tmp_path / "new", "--camera", tmp_path / "wide.yaml"
    )
    assert stationbook("swap", old, tmp_path / "new").returncode == 2
