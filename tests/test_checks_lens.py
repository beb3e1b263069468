"""What lens data found from a session's own images may be used for."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from made_session import make_session

from engine.arrays import Array
from engine.boards.pattern import Board
from engine.boards.points_file import points_text
from engine.camera.lens import project
from engine.camera.model import Camera, LensU
from engine.cell.session import Session
from engine.findings import Finding
from engine.frames import apply, rotation_exp, transform
from engine.sessions.folder import open_session
from engine.simulate.scenario import cell
from engine.steps.checking import check_lens
from engine.steps.solve import solve_session
from tui.result_text import lens_lines


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    make_session(tmp_path / "s", 10)
    return tmp_path / "s"


def silent(folder: Path) -> Session:
    """Return the session with a board that was measured, and lens data of which no u is given."""
    session = open_session(folder)
    board = replace(session.cell.board, scale_u=0.0005, bow_u_mm=0.1)
    camera = replace(session.cell.camera, u=None)
    return replace(session, cell=replace(session.cell, board=board, camera=camera))


def with_camera(session: Session, camera: Camera) -> Session:
    return replace(session, cell=replace(session.cell, camera=camera))


def by_code(notes: tuple[Finding, ...]) -> dict[str, Finding]:
    return {item.code: item for item in notes}


def corner_views(board: Board, camera: Camera, rng: np.random.Generator) -> list[Array]:
    """Return the points seen in 20 views: in each corner in turn, tilted this way and that."""
    middle = board.points().mean(axis=0)
    size = np.array(camera.image_size_px) - 1.0
    found: list[Array] = []
    while len(found) < 20:
        R = rotation_exp(np.radians(rng.uniform(-30.0, 30.0, 3)))
        z = rng.uniform(420.0, 600.0)
        goal = np.array([*(rng.uniform(-0.3, 0.3, 2) * z), z])
        pixels = project(apply(transform(R, goal - R @ middle), board.points()), camera)
        corner = size * np.array([[0, 0], [1, 0], [0, 1], [1, 1]])[len(found) % 4]
        inside = (pixels > 4.0).all() and (pixels < size - 4.0).all()
        if inside and np.linalg.norm(pixels - corner, axis=1).min() < 60.0:
            found.append(pixels + rng.normal(0.0, 0.1, pixels.shape))
    return found


def test_what_few_images_say_less_well_than_is_assumed_does_not_replace_it(folder: Path) -> None:
    session = silent(folder)
    found = check_lens(session, folder)
    notes = by_code(found.notes)
    assert "worse than the ±0.5 px that is assumed" in notes["lens-corner"].message
    assert "10 stations of this session" in notes["lens-own"].message
    assert "other images" in notes["lens-own"].remedy
    lines = lens_lines(found)
    assert found.stays
    assert "the cell's own lens data are known better: they stay" in lines
    assert not [line for line in lines if "edge_px" in line or line.startswith("for cell.yaml")]


def test_a_lens_not_known_at_the_corner_is_called_so_where_the_cell_has_none(folder: Path) -> None:
    session = silent(folder)
    found = check_lens(
        with_camera(session, replace(session.cell.camera, lens_from="images")), folder
    )
    assert "not known at the image's corner" in by_code(found.notes)["lens-corner"].message
    assert "for cell.yaml:" in lens_lines(found)


def test_lens_data_of_the_sessions_own_images_are_told_to_count_twice(folder: Path) -> None:
    session = silent(folder)
    taken = with_camera(session, check_lens(session, folder).found.camera)
    note = by_code(check_lens(taken, folder).notes)["lens-own"]
    assert "count twice" in note.message
    assert "matrix: none" in note.remedy
    assert note.level == "warning"


def test_images_of_their_own_up_to_the_corners_make_u_smaller(folder: Path, tmp_path: Path) -> None:
    session, rng = silent(folder), np.random.default_rng(1)
    make_session(tmp_path / "lens", 20)
    other = silent(tmp_path / "lens")
    for station, pixels in zip(
        other.stations, corner_views(other.cell.board, cell().camera, rng), strict=True
    ):
        assert station.points is not None
        text = points_text(np.arange(len(pixels)), pixels)
        (tmp_path / "lens" / station.points).write_text(text, encoding="utf-8")
    unknown = replace(other.cell.camera, lens_from="images")
    found = check_lens(with_camera(other, unknown), tmp_path / "lens")
    assert "lens-corner" not in by_code(found.notes)
    u = found.found.camera.u
    assert u is not None
    assert u.edge_px < LensU().edge_px
    own = check_lens(session, folder).found.camera.u
    lens = session.cell.camera
    of_own, before, after = (
        solve_session(with_camera(session, replace(lens, u=known)), folder).stored.uncertainty
        for known in (own, None, u)
    )
    assert None not in (of_own.pick_mm, before.pick_mm, after.pick_mm)
    assert (after.pick_mm or 0.0) < 0.97 * (before.pick_mm or 0.0)
    assert (of_own.pick_mm or 0.0) > (before.pick_mm or 0.0)  # why those are not to be entered
    taken = with_camera(session, replace(found.found.camera, lens_from="cell"))
    assert by_code(check_lens(taken, folder).notes)["lens-own"].level == "note"
