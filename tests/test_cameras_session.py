"""Several cameras in one session: the files, and the real commands on them."""

from __future__ import annotations

import json
import shutil
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import yaml
from bumps import bump
from command import answer, refused, stationbook
from scipy.spatial.transform import Rotation
from two_camera_session import FIRST, SIDE, TwoCameras, make_two_cameras, two_camera_cell

from engine.camera.lens import project
from engine.cell.session import seen_by
from engine.errors import FileError
from engine.frames import apply
from engine.images.load import encode_png
from engine.sessions.folder import open_session, session_text
from engine.simulate.render import render
from engine.steps.recording import judged_view
from engine.steps.station_image import examine_image_data
from engine.steps.station_pose import PoseDraft
from tui.desk.changes import write_exports, write_reports
from tui.desk.desk import Desk

STILL = np.zeros(6)


@pytest.fixture(scope="module")
def solved(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a solved session of ten stations seen by two cameras."""
    folder = tmp_path_factory.mktemp("two") / "old"
    make_two_cameras(folder, 10)
    assert stationbook("solve", folder).returncode == 0
    return folder


def placed(document: dict[str, object], key: str = "base_T_camera") -> np.ndarray:
    T, part = np.eye(4), document[key]
    assert isinstance(part, dict)
    T[:3, 3] = part["position_mm"]
    T[:3, :3] = Rotation.from_quat(part["quaternion_xyzw"]).as_matrix()
    return T


def test_the_session_file_comes_back_as_it_was(solved: Path) -> None:
    session = open_session(solved)
    assert [view.camera for view in session.stations[0].views] == [SIDE]
    text = (solved / "session.yaml").read_text(encoding="utf-8")
    assert session_text(session) == text


def test_what_is_assumed_of_their_one_board_is_said_once(solved: Path, tmp_path: Path) -> None:
    silent = Path(shutil.copytree(solved, tmp_path / "silent"))
    data = yaml.safe_load((silent / "session.yaml").read_text(encoding="utf-8"))
    for key in ("scale_u", "bow_u_mm"):
        data["cell"]["board"].pop(key)
    (silent / "session.yaml").write_text(yaml.safe_dump(data), encoding="utf-8")
    assert stationbook("solve", silent, "--no-write").stdout.count("are assumed") == 1


@pytest.mark.parametrize(
    ("edit", "said"),
    [
        (lambda d: d["stations"][2]["views"][0].update(camera="side cam"), "no camera 'side cam'"),
        (lambda d: d["stations"][2]["views"][0].update(camera=FIRST), "first camera"),
        (lambda d: d["stations"][2]["views"][0].update(points=None), "neither an image nor points"),
        (
            lambda d: d["stations"][2]["views"].append(dict(d["stations"][2]["views"][0])),
            "two views",
        ),
        (lambda d: d["stations"][2]["views"][0].update(points="../x.csv"), "x.csv"),
        (lambda d: d["stations"][2]["views"][0].update(board_pose=[1]), "board_pose"),
        (lambda d: d["cell"]["cameras"][0].update(name=FIRST), "two cameras"),
        (lambda d: d["cell"]["cameras"][0].pop("matrix"), "matrix"),
        (lambda d: d["cell"].update(cameras={"name": SIDE}), "cameras"),
    ],
)
def test_what_cannot_be_is_refused_with_its_line(solved: Path, tmp_path, edit, said: str) -> None:
    data = yaml.safe_load((solved / "session.yaml").read_text(encoding="utf-8"))
    edit(data)
    text = yaml.safe_dump(data, sort_keys=False)
    (tmp_path / "session.yaml").write_text(text, encoding="utf-8")
    (told,) = damaged(tmp_path)
    assert said in told
    assert "line" in told


def damaged(folder: Path) -> list[str]:
    """What is said of a session with one fault: of its station, or of the cell in an error."""
    try:
        return list(open_session(folder).damaged)
    except FileError as error:
        return [str(error)]


def test_each_camera_is_solved_to_its_true_place(solved: Path, tmp_path: Path) -> None:
    made = make_two_cameras(tmp_path / "again", 10)
    found = answer("solve", solved, "--no-write")
    for document, true in zip((found, found["cameras"][SIDE]), made.cameras(), strict=True):
        assert document["verdict"] == "accepted"
        off = np.linalg.norm(placed(document["geometric"])[:3, 3] - true[:3, 3])
        assert off < 0.6  # mm; an arm accurate to 0.5 mm
        made_of = document["budget"]
        parts = {part["name"]: part["u_mm"] for part in made_of["parts"]}
        assert {"pixels", "position of the stops", "robot accuracy"} < set(parts)
        U = made_of["coverage_factor"] * np.linalg.norm([*parts.values()])
        assert pytest.approx(2 * document["uncertainty"]["pick_mm"]) == U
        assert made_of["wider"] > 1.0
    boards = [placed(d, "flange_T_board") for d in (found, found["cameras"][SIDE])]
    np.testing.assert_allclose(boards[0], boards[1], atol=1e-6)  # one board, one place


def test_recording_takes_the_images_of_both(tmp_path: Path) -> None:
    made = TwoCameras(tmp_path / "cell")
    folder = tmp_path / "s"
    assert stationbook("start", tmp_path / "cell/cell.yaml", folder).returncode == 0
    files = [tmp_path / "first.png", tmp_path / "side.png"]
    for path, image in zip(files, made.images(), strict=True):
        cv2.imwrite(str(path), image)
    pose = " ".join(made.robot.pendant_pose())
    record = ("record", folder, "--pose", pose, "--image", files[0])
    stored = answer(*record, "--view", SIDE, files[1])["station"]
    assert stored["views"] == [
        {"camera": SIDE, "image": "images/001-camera2.png", "points": "points/001-camera2.csv"}
    ]
    assert (folder / "images/001-camera2.png").read_bytes() == files[1].read_bytes()


def test_a_view_can_be_added_afterwards(tmp_path: Path) -> None:
    made = TwoCameras(tmp_path / "cell")
    folder, rng = tmp_path / "s", np.random.default_rng(0)
    assert stationbook("start", tmp_path / "cell/cell.yaml", folder).returncode == 0
    files = [tmp_path / "first.csv", tmp_path / "side.csv"]
    for path, text in zip(files, made.points(rng), strict=True):
        path.write_text(text, encoding="utf-8")
    pose = " ".join(made.robot.pendant_pose())
    assert answer("record", folder, "--pose", pose, "--points", files[0])["station"]["id"] == 1
    added = answer("record", folder, "--station", 1, "--view", SIDE, files[1])["station"]
    assert added["points"] == "points/001.csv"
    assert added["views"][0]["points"] == "points/001-camera2.csv"
    last = (folder / "journal.jsonl").read_text(encoding="utf-8").splitlines()[-1]
    assert json.loads(last)["action"] == "view"


def test_what_is_wrong_with_a_view_names_the_camera_and_stores_nothing(tmp_path: Path) -> None:
    made = TwoCameras(tmp_path / "cell")
    folder = tmp_path / "s"
    assert stationbook("start", tmp_path / "cell/cell.yaml", folder).returncode == 0
    first, grey = tmp_path / "first.png", tmp_path / "grey.png"
    cv2.imwrite(str(first), made.images()[0])
    cv2.imwrite(str(grey), np.full((1024, 1280), 90, np.uint8))
    pose = " ".join(made.robot.pendant_pose())
    words = ("record", folder, "--pose", pose, "--image", first, "--view", SIDE, grey)
    found = answer(*words, status=1)
    assert found["station"] is None
    assert any(f"camera {SIDE}" in item["message"] for item in found["findings"])
    assert not open_session(folder).stations


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--pose", "1 2 3 4 5 6", "--view", "sid camera", "x.csv"), SIDE),
        (("--pose", "1 2 3 4 5 6", "--view", FIRST, "x.csv"), "--image"),
        (("--pose", "1 2 3 4 5 6", "--view", SIDE, "missing.csv"), "missing.csv"),
        (("--station", "1"), "--view"),
        (("--station", "1", "--pose", "1 2 3 4 5 6", "--view", SIDE, "x.csv"), "only adds views"),
        (("--station", "7", "--view", SIDE, "x.csv"), "no station 7"),
    ],
)
def test_record_refuses_what_makes_no_view(
    tmp_path: Path, words: tuple[str, ...], said: str
) -> None:
    folder = tmp_path / "s"
    assert stationbook("start", two_camera_cell(tmp_path), folder).returncode == 0
    run = stationbook("record", folder, *words)
    assert run.returncode in (1, 2)
    assert "Traceback" not in run.stderr
    assert said in run.stderr


def test_every_camera_is_exported_by_name(solved: Path) -> None:
    document = answer("solve", solved, "--no-write")
    for name, part in ((FIRST, document), (SIDE, document["cameras"][SIDE])):
        run = stationbook("export", solved, "--as", "matrix", "--camera", name)
        rows = [line for line in run.stdout.splitlines() if not line.startswith("#")]
        T = np.array([row.split() for row in rows if row.strip()], float)
        np.testing.assert_allclose(T, placed(part), atol=1e-5)
    assert "side camera" in refused("export", solved, "--as", "matrix", "--camera", "sidecamera")


def test_every_camera_has_its_report_that_names_the_other(solved: Path) -> None:
    assert stationbook("report", solved, "--camera", SIDE).returncode == 0
    assert stationbook("report", solved).returncode == 0
    side = (solved / "report-camera2.html").read_text(encoding="utf-8")
    first = (solved / "report.html").read_text(encoding="utf-8")
    assert "The other cameras" in first
    assert f"camera {SIDE}</p>" in side
    assert f">{FIRST}</th>" in side
    assert "CHANGED since" not in side


@pytest.mark.parametrize("moved", [0, 1])
def test_recheck_names_the_camera_that_moved(solved: Path, tmp_path: Path, moved: int) -> None:
    shifts = [STILL, STILL]
    shifts[moved] = bump(4.0, np.random.default_rng(1))
    later, old = tmp_path / "later", shutil.copytree(solved, tmp_path / "old")  # it gets a mark
    make_two_cameras(later, 2, shift=shifts[0], side_shift=shifts[1], noise_seed=2)
    found = answer("recheck", later, "--against", old, status=1)
    answers = found, found["cameras"][SIDE]
    assert [one["moved"] for one in answers] == [k == moved for k in range(2)]
    beyond = [one["decision"]["state"] == "beyond" for one in answers]
    assert beyond == [k == moved for k in range(2)]
    assert {one["decision"]["rule"] for one in answers} == {"guarded"}
    text = stationbook("recheck", later, "--against", old).stdout
    assert f"Camera {SIDE}" in text
    assert text.count("CAMERA MOVED") == 1
    for k, name in enumerate((FIRST, SIDE)):  # the other one's result stays as it was
        words = ("export", old, "--as", "matrix", "--camera", name)
        if k == moved:
            assert f"Camera '{name}' moved after this result" in refused(*words)
        assert stationbook(*words, *(["--anyway"] if k == moved else [])).returncode == 0
    solved_again = answer("solve", old, "--no-write", status=1)
    parts = solved_again, solved_again["cameras"][SIDE]
    assert [part["verdict"] == "accepted" for part in parts] == [k != moved for k in range(2)]


def test_a_camera_that_moved_alone_is_marked_and_the_other_one_is_handed_over(
    solved: Path, tmp_path: Path
) -> None:
    later, old = tmp_path / "later", shutil.copytree(solved, tmp_path / "old")
    make_two_cameras(later, 2, shift=bump(4.0, np.random.default_rng(1)), noise_seed=2)
    session = open_session(later)
    alone = tuple(replace(station, views=()) for station in session.stations)  # the first one's
    text = session_text(replace(session, stations=alone))
    (later / "session.yaml").write_text(text, encoding="utf-8")
    assert answer("recheck", later, "--against", old, status=1)["cameras"] == {SIDE: None}
    with closing(Desk(old)) as desk:
        desk.open()
        written = write_exports(desk, "matrix"), write_reports(desk)
    names = "base_T_camera-matrix-camera2.txt", "report-camera2.html"
    for (paths, (why,)), name in zip(written, names, strict=True):
        assert [path.name for path in paths] == [name]
        assert why.startswith(f"{FIRST}: Camera '{FIRST}' moved after this result")


def test_quick_recalibration_gives_each_camera_its_new_place(solved: Path, tmp_path: Path) -> None:
    later = tmp_path / "later"
    shift = bump(4.0, np.random.default_rng(1))
    made = make_two_cameras(later, 4, side_shift=shift, noise_seed=3)
    found = answer("solve", later, "--board-from", solved)
    side = found["cameras"][SIDE]
    off = np.linalg.norm(placed(side["geometric"])[:3, 3] - made.side[:3, 3])
    assert off < 1.0
    assert side["before"]["trusted_board"]
    assert abs(side["before"]["movement"]["position_mm"] - 4.0) < 1.5
    assert found["before"]["movement"]["position_mm"] < 1.5
    shown = stationbook("solve", later, "--board-from", solved).stdout
    assert shown.count("moved since: ") == 2
    assert stationbook("report", later, "--camera", SIDE).returncode == 0
    report = (later / "report-camera2.html").read_text(encoding="utf-8")
    assert "Before and after" in report
    assert f"{side['before']['movement']['position_mm']:.3f}" in report
    assert "difference" in answer("compare", later, solved, "--camera", SIDE)


def test_a_slip_typed_at_a_stop_is_found_and_put_right_for_all(solved: Path, tmp_path) -> None:
    folder = tmp_path / "slip"
    make_two_cameras(folder, 10)
    text = (folder / "session.yaml").read_text(encoding="utf-8")
    session = open_session(folder)
    x = session.stations[4].pose[0]
    wrong = f"{float(x) + 100:.2f}"
    (folder / "session.yaml").write_text(text.replace(f"'{x}'", f"'{wrong}'", 1), encoding="utf-8")
    assert open_session(folder).stations[4].pose[0] == wrong
    found = answer("solve", folder, "--no-write", status=1)
    for part in (found, found["cameras"][SIDE]):
        slips = [f for f in part["findings"] if f["code"] == "typed-value"]
        assert [(f["station"], f["suggested"]) for f in slips] == [(5, x)]
    run = stationbook("check", folder, "--fix", "typed-value", "--station", 5)
    assert run.returncode == 0, run.stdout
    assert open_session(folder).stations[4].pose[0] == x


def test_packed_and_unpacked_all_views_are_there(solved: Path, tmp_path: Path) -> None:
    assert stationbook("pack", solved, "--out", tmp_path / "two.zip").returncode == 0
    assert stationbook("unpack", tmp_path / "two.zip", "--to", tmp_path / "back").returncode == 0
    again = answer("solve", tmp_path / "back", "--no-write")
    assert again["cameras"][SIDE]["base_T_camera"]["position_mm"] == pytest.approx(
        answer("solve", solved, "--no-write")["cameras"][SIDE]["base_T_camera"]["position_mm"]
    )


def middle_alone(image: np.ndarray, pixels: np.ndarray) -> np.ndarray:
    """Return the image with everything but the 7 × 5 inner corners of the board covered."""
    corners = pixels.reshape(8, 11, 2)[[[1, 1], [5, 5]], [[2, 8], [2, 8]]]
    middle = corners.reshape(-1, 2).mean(axis=0)
    a, b, c, d = middle + (corners.reshape(-1, 2) - middle) * 1.14  # nearly half a pitch farther
    mask = np.zeros(image.shape, np.uint8)
    cv2.fillConvexPoly(mask, np.rint([a, b, d, c]).astype(np.int32), 1)
    return np.where(mask > 0, image, 110).astype(np.uint8)


def test_a_part_is_numbered_by_the_expected_pose_and_judged_for_a_further_camera(tmp_path) -> None:
    folder = tmp_path / "s"
    made = make_two_cameras(folder, 6)
    session, board, side = open_session(folder), made.cell.board, made.cell.cameras[0]
    _, T = made.views()
    pixels = project(apply(T, board.points()), side)
    data = encode_png(middle_alone(np.asarray(render(board, side, T), np.uint8), pixels))
    view = examine_image_data(seen_by(session, SIDE), folder, data, "part.png")
    assert view.point_ids is None
    pose = PoseDraft(None, None, made.robot.base_T_flange(), ())
    seen = judged_view(session, folder, pose, SIDE, view).view
    assert seen.point_ids is not None
    assert len(seen.point_ids) == 35
    assert np.linalg.norm(seen.pixels - pixels[seen.point_ids], axis=1).max() < 0.5
    assert seen.report is not None
    assert 0.0 < seen.report.u_mm < 1.0
    codes = [item.code for item in seen.findings]
    assert codes[0] == "board-cut-off"
    assert "board-missing" not in codes
