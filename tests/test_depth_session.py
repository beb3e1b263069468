"""Depth through a session: recorded with its image, checked, solved, packed, and shown."""

from __future__ import annotations

import hashlib
import json
import shutil
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import yaml
from command import answer, refused, stationbook
from screen_bench import app_for, on_screen, opened, store, until

from engine.api import add_station
from engine.errors import FileError, UsageError
from engine.frames import apply
from engine.images.sources import PAIR_WAIT_S, FolderSource
from engine.sessions.confirmed import confirm
from engine.sessions.folder import open_session
from engine.simulate.render import DepthSensor
from engine.simulate.virtual_cell import VirtualCell
from engine.steps.demo import depth_path, prepare, save_image
from tui.desk.say import DEPTH_LEGEND

NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
STOPS = 4


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, VirtualCell]:
    """A session of four stations with depth, recorded by the command."""
    folder = tmp_path_factory.mktemp("depth") / "session"
    virtual = prepare(folder, 7, NOW, depth=True)
    for number, goal in enumerate(virtual.suggest_stations(STOPS), start=1):
        virtual.go_to(goal)
        image = save_image(folder, number, virtual)
        told = recorded(folder, virtual, "--image", image, "--depth", depth_path(folder, number))
        assert told["station"]["depth"] == f"depth/{number:03d}.png"
    return folder, virtual


@pytest.fixture
def session(made: tuple[Path, VirtualCell], tmp_path: Path) -> Path:
    """A copy to spoil."""
    folder = tmp_path / "session"
    shutil.copytree(made[0], folder)
    return folder


def said(*words: object) -> Any:
    """Return the document of a command that may end with a finding at level error."""
    run = stationbook(*words, "--json")
    assert run.returncode in (0, 1), run.stderr
    return json.loads(run.stdout)


def recorded(folder: Path, virtual: VirtualCell, *words: object, status: int = 0) -> Any:
    pose = " ".join(virtual.pendant_pose())
    return answer("record", folder, "--pose", pose, *words, status=status)


def test_depth_is_copied_and_hashed_like_its_image(made: tuple[Path, VirtualCell]) -> None:
    folder, _ = made
    stored, came = folder / "depth" / "003.png", depth_path(folder, 3)
    assert stored.read_bytes() == came.read_bytes()
    line = json.loads((folder / "journal.jsonl").read_text().splitlines()[-2])
    assert line["files"]["depth/003.png"] == hashlib.sha256(came.read_bytes()).hexdigest()


def test_depth_of_every_point_stands_in_the_points(made: tuple[Path, VirtualCell]) -> None:
    folder, virtual = made
    rows = (folder / "points" / f"{STOPS:03d}.csv").read_text().splitlines()
    assert rows[0].endswith(",z_mm")
    read = np.array([row.split(",") for row in rows[1:]])
    points = virtual.cell.board.points()[read[:, 0].astype(int)]
    true = apply(virtual.camera_T_board(), points)[:, 2]
    assert virtual.depth is not None
    np.testing.assert_allclose(
        read[:, -1].astype(float), true * (1 + virtual.depth.scale), atol=0.2
    )


def test_session_solves_with_depth_and_its_scale_is_told(made: tuple[Path, VirtualCell]) -> None:
    folder, virtual = made
    told = said("solve", folder, "--no-write")
    (scale,) = [item for item in told["board_and_lens"] if item["name"] == "depth scale"]
    assert virtual.depth is not None
    assert scale["value_ratio"] == pytest.approx(virtual.depth.scale, abs=4 * scale["u_ratio"])
    assert scale["u_ratio"] < 3e-4
    assert "depth-disagrees" not in [item["code"] for item in told["findings"]]


def test_check_looks_at_stored_depth_again(session: Path) -> None:
    found = said("check", session)["findings"]
    assert not [item for item in found if item["code"].startswith("depth-h")]
    path = session / "depth" / "002.png"
    levels = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    path.write_bytes(cv2.imencode(".png", (levels * 1.03).astype(np.uint16))[1].tobytes())
    found = said("check", session)["findings"]
    (item,) = [item for item in found if item["code"] == "depth-disagrees"]
    assert item["station"] == 2
    path.write_bytes(path.read_bytes()[:5000])
    assert "station 2: the file is cut off" in refused("check", session)
    shutil.rmtree(session / "depth")  # as in a pack without images
    assert said("check", session)["format"] == 1


def test_a_pack_without_images_solves_alike(session: Path, tmp_path: Path) -> None:
    whole = said("solve", session)
    stationbook("pack", session, "--without-images", "--out", tmp_path / "small.zip")
    stationbook("unpack", tmp_path / "small.zip", "--to", tmp_path / "there")
    assert not (tmp_path / "there" / "depth").exists()
    again = said("solve", tmp_path / "there", "--no-write")
    assert again["base_T_camera"] == whole["base_T_camera"]


def test_doubtful_depth_is_kept_but_does_not_count(
    made: tuple[Path, VirtualCell], session: Path
) -> None:
    _, virtual = made
    kept = virtual.depth
    virtual.depth = DepthSensor(holes_dark=0.9)
    virtual.go_to(virtual.suggest_stations(6)[5])
    image = save_image(session, 9, virtual)
    words = ("--image", image, "--depth", depth_path(session, 9))
    virtual.depth = kept
    told = recorded(session, virtual, *words, status=1)
    assert [item["code"] for item in told["findings"]] == ["depth-holes"]
    assert told["station"] is None
    told = recorded(session, virtual, *words, "--accept", "depth-holes")
    assert (session / told["station"]["depth"]).is_file()
    assert "z_mm" not in (session / told["station"]["points"]).read_text()
    found = said("check", session)["findings"]
    assert "depth-holes" not in [item["code"] for item in found]


def test_a_programs_own_call_takes_depth_too(made: tuple[Path, VirtualCell], session: Path) -> None:
    _, virtual = made
    virtual.go_to(virtual.suggest_stations(STOPS)[2], exact=True)
    pose, image = " ".join(virtual.pendant_pose()), save_image(session, 9, virtual)
    points = session / "points" / "003.csv"
    with pytest.raises(UsageError, match="depth without image or points"):
        add_station(session, pose, depth=depth_path(session, 9))
    added = add_station(
        session, pose, image=image, depth=depth_path(session, 9), accept=["small-move"]
    )
    assert added.station is not None
    assert (session / str(added.station.points)).read_text().startswith(points.read_text()[:40])


def test_an_image_without_depth_is_noted(made: tuple[Path, VirtualCell], session: Path) -> None:
    _, virtual = made
    virtual.go_to(virtual.suggest_stations(6)[4])
    told = recorded(session, virtual, "--image", save_image(session, 9, virtual))
    assert [item["code"] for item in told["findings"]] == ["depth-holes"]
    assert "depth" not in told["station"]


def test_depth_goes_with_points_too(made: tuple[Path, VirtualCell], session: Path) -> None:
    document = yaml.safe_load((session / "session.yaml").read_text())
    pose = " ".join(document["stations"][1]["pose"])
    rows = (session / "points" / "002.csv").read_text().splitlines()
    path = session / "seen.csv"
    path.write_text("\n".join(",".join(row.split(",")[:3]) for row in rows) + "\n")
    words = ("--retake", 2, "--points", path, "--depth", session / "depth" / "002.png")
    told = answer("record", session, "--pose", pose, *words)
    again = (session / told["station"]["points"]).read_text().splitlines()
    assert again[0] == "id,u_px,v_px,z_mm"
    z, before = (float(text.rsplit(",", 1)[1]) for text in (again[40], rows[40]))
    assert z == pytest.approx(before, abs=1e-3)


def test_what_depth_cannot_go_with_is_refused(
    made: tuple[Path, VirtualCell], session: Path
) -> None:
    pose = ("record", session, "--pose", " ".join(made[1].pendant_pose()))
    image, depth = session / "images" / "001.png", session / "depth" / "001.png"
    assert "depth without image or points" in refused(*pose, "--depth", depth)
    assert "no such file" in refused(*pose, "--image", image, "--depth", session / "none.ply")
    assert "8-bit grey levels, not depth" in refused(*pose, "--image", image, "--depth", image)
    words = (*pose, "--image", image, "--view-depth", "side", depth)
    assert "depth of 'side' without its image" in refused(*words)
    text = (session / "session.yaml").read_text()
    document = yaml.safe_load(text)
    del document["cell"]["camera"]["depth"]
    (session / "session.yaml").write_text(yaml.safe_dump(document))
    assert "does not say what it means" in refused(*pose, "--image", image, "--depth", depth)


def test_points_measured_in_space_are_recorded_and_solve(
    made: tuple[Path, VirtualCell], tmp_path: Path
) -> None:
    _, virtual = made
    folder = tmp_path / "session"
    prepare(folder, 7, NOW, depth=True)
    rng = np.random.default_rng(3)
    points = virtual.cell.board.points()
    for number, goal in enumerate(virtual.suggest_stations(5), start=1):
        virtual.go_to(goal)
        seen = apply(virtual.camera_T_board(), points) + rng.normal(0.0, 0.05, points.shape)
        path = tmp_path / "points.csv"
        rows = [f"{i},{x:.4f},{y:.4f},{z:.4f}" for i, (x, y, z) in enumerate(seen)]
        path.write_text("\n".join(["id,x_mm,y_mm,z_mm", *rows]) + "\n")
        told = recorded(folder, virtual, "--points", path)
        kept = (folder / told["station"]["points"]).read_text()
        assert kept == path.read_text(), f"station {number}"
    told = said("solve", folder, "--no-write")
    off = np.array(told["geometric"]["base_T_camera"]["position_mm"]) - virtual.truth.camera[:3, 3]
    assert np.linalg.norm(off) < 3.0
    path.write_text(path.read_text().replace(f",{seen[0, 2]:.4f}", f",{-seen[0, 2]:.4f}", 1))
    pose = ("record", folder, "--pose", " ".join(virtual.pendant_pose()))
    words = refused(*pose, "--points", path)
    assert "line 2" in words
    assert "does not lie before the camera" in words


def picture(seed: int, kind: type = np.uint8) -> bytes:
    grey = np.random.default_rng(seed).integers(0, 256, (40, 50)).astype(kind)
    return bytes(cv2.imencode(".png", grey)[1])


@pytest.mark.parametrize(
    ("image", "depth"),
    [
        ("003.png", "003_depth.png"),
        ("003.png", "depth-003.TIF"),
        ("003.bmp", "003.ply"),
        ("003_color.png", "003_Depth.png"),
        ("rgb.003.png", "003.npy"),
    ],
)
def test_a_folder_delivers_pairs(image: str, depth: str, tmp_path: Path) -> None:
    now = [0.0]
    source = FolderSource(tmp_path, settle_s=0.0, pairs=True, clock=lambda: now[0])
    (tmp_path / image).write_bytes(picture(1))
    (tmp_path / "004_depth.png").write_bytes(picture(2, np.uint16))
    assert source.newest(set()) is None
    (tmp_path / depth).write_bytes(b"the depth")
    found = source.newest(set())
    assert found is not None
    assert (found.name, found.depth) == (image, (b"the depth", depth))


def test_an_image_waits_for_its_depth_but_not_for_ever(tmp_path: Path) -> None:
    now = [0.0]
    source = FolderSource(tmp_path, settle_s=0.0, pairs=True, clock=lambda: now[0])
    (tmp_path / "003.png").write_bytes(picture(1))
    assert source.newest(set()) is None
    now[0] = PAIR_WAIT_S + 1.0
    found = source.newest(set())
    assert found is not None
    assert found.depth is None


def test_a_depth_image_is_never_taken_for_the_image(tmp_path: Path) -> None:
    (tmp_path / "003.png").write_bytes(picture(1))
    (tmp_path / "003_depth.png").write_bytes(picture(2))
    found = FolderSource(tmp_path, settle_s=0.0).newest(set())
    assert found is not None
    assert (found.name, found.depth) == ("003.png", None)


@on_screen
async def test_the_screen_shows_depth_beside_the_figures_and_as_a_picture(session: Path) -> None:
    stored = open_session(session)
    camera = replace(stored.cell.camera, source={"folder": "incoming"})
    only = replace(stored, cell=replace(stored.cell, camera=camera), stations=stored.stations[:3])
    store(session, only, answered=True)
    confirm(session, {"folder": "incoming"}, now=NOW)
    for path in (session / "incoming").glob("000[123]*"):
        path.unlink()
    app = app_for(session)
    async with app.run_test(size=(132, 30)) as pilot:
        await opened(pilot)
        shown = await until(pilot, "0004.png", "its noise", "its bow", "its scale", DEPTH_LEGEND)
        assert "=====" in shown
        await pilot.press("f3")
        await pilot.pause()
        await pilot.press("4")
        large = await until(pilot, DEPTH_LEGEND, "=" * 40)
        assert "its noise" not in large


def test_a_demo_that_was_stopped_before_its_session_stood_begins_again(tmp_path: Path) -> None:
    prepare(tmp_path / "d", 7, NOW)
    with pytest.raises(FileError, match="holds a session already"):
        prepare(tmp_path / "d", 7, NOW)
    (tmp_path / "d" / "session.yaml").unlink()
    prepare(tmp_path / "d", 7, NOW)
    (tmp_path / "d" / "session.yaml").unlink()
    for name, text in (("note.txt", "mine"), ("cell.yaml", "mine")):
        kept = (tmp_path / "d" / name).read_bytes() if (tmp_path / "d" / name).exists() else None
        (tmp_path / "d" / name).write_text(text)
        with pytest.raises(FileError, match="not empty"):
            prepare(tmp_path / "d", 7, NOW)
        assert (tmp_path / "d" / name).read_text() == text
        (tmp_path / "d" / name).unlink()
        if kept is not None:
            (tmp_path / "d" / name).write_bytes(kept)
