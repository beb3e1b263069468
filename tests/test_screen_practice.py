"""The demo after its result: proof by a simulated hand, a bump, and planted mistakes to find."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from screen_bench import EXAMPLE, NOON, app_for, comes, example, on_screen, opened, until
from textual.binding import Binding
from textual.screen import Screen

from engine.frames import apply, inverse, rotation_angle
from engine.pendant.entry import pose_from_fields
from engine.sessions.folder import open_session
from engine.simulate.scenario import cell, truth
from engine.simulate.virtual_cell import TOUCH_MM, VirtualCell
from tui.app import Stationbook
from tui.desk.demo import BUMP_MM, BUMP_RAD, STOPS_AGAIN, TIP, Simulated
from tui.desk.desk import Desk
from tui.desk.entry import Entry, examined
from tui.desk.practice import FAULTS, plant
from tui.screens.demo import Demo, DemoProof
from tui.screens.practice import Practice


def test_the_simulated_tip_stands_on_the_point_of_the_laid_board() -> None:
    virtual = VirtualCell(cell(), truth(), 7)
    virtual.lay_board([600.0, 0.0, 250.0])
    assert virtual.laid is not None
    for point in (0, 87):
        shown = virtual.touch(point, TIP)
        wanted = apply(virtual.laid, cell().board.points()[point][None])[0]
        truly = apply(virtual.base_T_flange(), np.array(TIP)[None])[0]
        assert np.linalg.norm(truly - wanted) < 6 * TOUCH_MM
        believed = pose_from_fields(shown, cell().pendant).base_T_flange
        off = np.linalg.norm(apply(believed, np.array(TIP)[None])[0] - truly)
        assert 0.01 < off < 3.0  # the pendant does not know of the arm's errors


def test_one_key_drives_the_demo_on_to_its_proof_and_keeps_no_other_from_what_it_means(
    tmp_path: Path,
) -> None:
    simulated = Simulated(tmp_path, VirtualCell(cell(), truth(), 7), 7)
    laid = []
    for _ in range(6):
        laid.append(simulated.lays)
        if simulated.lays:
            simulated.laid += 1
        else:
            simulated.touched += 1
    assert laid == [True, False, False] * 2
    desk = Desk(EXAMPLE, follow=True)
    desk.open()
    for screen in (Demo(desk, simulated), DemoProof(desk, simulated)):
        assert not screen.check_action("joints", ())  # the simulated pendant shows none
    fields = desk.opened().existing(1).pose
    desk.session = replace(desk.opened(), stations=())
    assert not examined(desk, Entry(text=" ".join(fields or ()))).pose.findings
    own = {b.key for b in DemoProof.BINDINGS if isinstance(b, Binding)}
    assert own == {"f4"} <= {b.key for b in Demo.BINDINGS if isinstance(b, Binding)}


def test_a_bump_moves_the_camera_and_begins_a_session_that_rechecks(tmp_path: Path) -> None:
    shutil.copytree(EXAMPLE, tmp_path / "demo")
    before = Simulated(tmp_path / "demo", VirtualCell(cell(), truth(), 7), 7)
    after = before.bump()
    moved = inverse(truth().camera) @ after.virtual.truth.camera
    assert np.linalg.norm(moved[:3, 3]) == pytest.approx(BUMP_MM, rel=0.01)
    assert rotation_angle(moved[:3, :3]) == pytest.approx(BUMP_RAD, rel=0.01)
    plan = open_session(after.folder).plan
    assert len(plan) >= STOPS_AGAIN
    assert all((item.why or "").startswith("visit again") for item in plan)


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    opened = Desk(example(tmp_path_factory.mktemp("practice") / "session", 8), clock=lambda: NOON)
    opened.open()
    return opened


@pytest.mark.parametrize("asked", range(len(FAULTS)))
def test_what_is_planted_is_what_solving_finds(desk: Desk, asked: int) -> None:
    planted = plant(desk, str(asked) if asked else "")
    assert planted.code == list(FAULTS)[asked]
    found = [item for item in planted.solved.stored.findings if item.code == planted.code]
    assert found
    assert planted.session != desk.session
    assert planted.right(planted.code, planted.stations[0] if planted.stations else None)
    if planted.stations:
        assert {found[0].station, *(found[0].stations or ())} & set(planted.stations)
        assert not planted.right(planted.code, 99)


@on_screen
async def test_an_answer_is_judged_explained_and_scored() -> None:
    shared = Desk(EXAMPLE, follow=True)
    shared.open()
    planted = plant(shared, "2")
    app = Stationbook(Screen())
    async with app.run_test(size=(80, 30)) as pilot:
        await app.push_screen(Practice(shared, planted))
        await until(pilot, "Find the fault", "0 of 0 found")
        await pilot.press("down", "down", "enter")
        await until(pilot, "Right. It was: a pitch of 20.4 mm instead of 20", "1 of 1 found")
    assert app.settings.get("practice score") == "1 1"


@on_screen
async def test_the_outline_of_the_board_wanted_next_stands_in_the_map_of_the_view(
    tmp_path: Path,
) -> None:
    folder = example(tmp_path / "session", 6)
    async with app_for(folder).run_test(size=(132, 43)) as pilot:
        screen = await opened(pilot)
        await until(pilot, "X the board next")
        await comes(pilot, lambda: screen.view.data is not None)
        assert screen.view.data is not None
        outline = screen.view.data.wanted
        solution, planned = screen.desk.solution, screen.desk.plan[0]
        assert solution is not None
        # The station nearest to the told pose, seen by OpenCV's own projection.
        result, camera = solution.solved.result, screen.desk.opened().cell.camera
        goal = pose_from_fields(planned.pose or (), cell().pendant).base_T_flange
        T = inverse(result.geometric) @ goal @ result.board
        pixels, _ = cv2.projectPoints(
            screen.desk.opened().cell.board.points(), cv2.Rodrigues(T[:3, :3])[0], T[:3, 3],
            np.array(camera.matrix), np.array(camera.distortion),
        )  # fmt: skip
        share = pixels[:, 0] / camera.image_size_px
        rows, columns = np.nonzero(outline)
        low, high = share.min(axis=0), share.max(axis=0)
        assert columns.min() / outline.shape[1] == pytest.approx(low[0], abs=0.05)
        assert rows.max() / outline.shape[0] == pytest.approx(high[1], abs=0.15)
