"""Touch points: what they prove, what they refute, and what is missing before they prove anything.

The truth is simulated. Repeatability is held to a worked example done by hand in the forms of
ISO 9283:1998 (from memory): RP = mean + 3 S.
"""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from command import answer, contents, refused, stationbook
from made_session import make_session
from touching import TIP, TIP_U, Toucher, lay_board, touch_point, touch_pose

from engine.cell.mount import EYE_TO_HAND
from engine.pendant.entry import pose_from_fields
from engine.proof.touch import read_touches
from engine.proof.touch_errors import PointError, Spread, repeated
from engine.report.exports import FORMATS
from engine.report.html_record import proof as proof_section
from engine.robots.kinematics import kinematics
from engine.sessions.changes import Who, commit, remark
from engine.sessions.folder import open_session, session_text
from engine.sessions.journal import OVERTAKEN, read_journal
from engine.sessions.results import read_result
from engine.simulate.scenario import Truth, cell
from tui.desk.overview import session_row

PLACES = (np.array([520.0, -90.0, 170.0]), np.array([680.0, 90.0, 330.0]))
WHO = Who(None, datetime(2026, 11, 26, 9, 0, tzinfo=UTC))
CORNERS = (0, 10, 77, 87)  # of an 11 × 8 board
BESIDE = np.array([0.0, 330.0, 0.0])  # mm; beyond the work volume


@pytest.fixture(scope="module")
def solved(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Truth]:
    """A solved session whose pointer is known."""
    folder = tmp_path_factory.mktemp("touch") / "session"
    truth = make_session(folder, 12)
    run = stationbook("solve", folder)
    assert run.returncode in (0, 1), run.stderr
    answer("proof", folder, "--tip", " ".join(map(str, TIP)), "--tip-u", str(TIP_U))
    return folder, truth


@pytest.fixture
def session(solved: tuple[Path, Truth], tmp_path: Path) -> tuple[Path, Truth]:
    """A copy to touch."""
    return shutil.copytree(solved[0], tmp_path / "session"), solved[1]


def touch(
    folder: Path,
    truth: Truth,
    places: tuple[np.ndarray, ...] = PLACES,
    points: tuple[int, ...] = CORNERS,
    off: np.ndarray | float = 0.0,
) -> None:
    rng = np.random.default_rng(8)
    for number, place in enumerate(places, start=1):
        laid = lay_board(folder.parent, number, truth, place, rng)
        assert answer("proof", folder, "--view", laid.points)["id"] == number
        for point in points:  # the same step as the command takes, without a process for each
            pose = touch_pose(laid, point, rng, off)
            touch_point(folder, WHO, pose, point)


def stored(folder: Path) -> dict:
    return yaml.safe_load((folder / "result.yaml").read_text(encoding="utf-8"))


def test_agreeing_touches_prove_the_result(session: tuple[Path, Truth]) -> None:
    folder, truth = session
    touch(folder, truth)
    proof = answer("proof", folder)
    assert proof["proven"] is True
    assert len(proof["points"]) == 8
    assert all(point["agrees"] for point in proof["points"])
    assert proof["max_mm"] >= proof["mean_mm"] > 0.0
    result = stored(folder)
    assert result["proven"] is True
    assert "not-proven" not in {item["code"] for item in result["findings"]}
    assert result["proof"]["inputs"].keys() >= {"proof.yaml", "points/proof-001.csv"}
    codes = {item["code"] for item in answer("check", folder)["findings"]}
    assert ("proven" in codes, "not-proven" in codes) == (True, False)
    journal = (folder / "journal.jsonl").read_text(encoding="utf-8")
    assert '"action": "proof touch"' in journal
    assert '"action": "proof"' in journal
    touched = [line for line in read_journal(folder) if line["action"] == "proof touch"]
    assert len(touched) == 8
    assert all(line["finished"] for line in touched)
    answer("report", folder)
    assert "<td>proof touch</td>" in (folder / "report.html").read_text(encoding="utf-8")


@pytest.mark.parametrize("slip_deg", [0.0, 5.0])
def test_joints_at_a_touch_show_for_which_frame_the_result_is_proven(
    session: tuple[Path, Truth], slip_deg: float
) -> None:
    folder, truth = session
    touch(folder, truth)
    told = answer("proof", folder)
    assert "for frame base and tool flange (as told, not shown)" in said(told, "proven")
    laid = lay_board(folder.parent, 9, truth, PLACES[0], np.random.default_rng(9))
    assert answer("proof", folder, "--view", laid.points)["recorded"] == "view"
    pose = touch_pose(laid, 0, np.random.default_rng(9))
    robot, pendant = cell().robot, cell().pendant
    assert robot is not None
    ways = kinematics(robot).branches(pose_from_fields(pose.split(), pendant).base_T_flange)
    joints = np.degrees(ways[0]) + slip_deg * np.eye(6)[0]
    text = " ".join(f"{value:.2f}" for value in joints)
    answer("proof", folder, "--touch", 0, "--pose", pose, "--joints", text)
    proof = answer("proof", folder, status=1 if slip_deg else 0)
    result = stored(folder)
    if slip_deg == 0.0:
        assert "(shown by joints and pose at touch 9)" in said(proof, "proven")
        assert result["frames"]["shown"] == ["touch 9"]
        assert "frames-told" not in {item["code"] for item in result["findings"]}
        answer("report", folder)
        assert "for frame base and tool flange, shown by joints and pose at touch 9" in (
            folder / "report.html"
        ).read_text(encoding="utf-8")
    else:
        assert proof["proven"] is False
        assert "joints-disagree" in {item["code"] for item in proof["findings"]}
        assert result["verdict"] == "not-accepted"


def test_joints_are_asked_for_at_the_proof_until_they_have_shown_tool_and_frame(
    session: tuple[Path, Truth],
) -> None:
    folder, truth = session
    tip = ("--tip", " ".join(map(str, TIP)), "--tip-u", str(TIP_U))
    laid = lay_board(folder.parent, 1, truth, PLACES[0], np.random.default_rng(9))
    pose = touch_pose(laid, 0, np.random.default_rng(9))
    robot, pendant = cell().robot, cell().pendant
    assert robot is not None
    ways = kinematics(robot).branches(pose_from_fields(pose.split(), pendant).base_T_flange)
    joints = " ".join(f"{value:.2f}" for value in np.degrees(ways[0]))
    asked = ["frames-told"]
    for words in (tip, ("--view", laid.points), ("--touch", 0, "--pose", pose)):
        found = answer("proof", folder, *words)
        assert [item["code"] for item in found["findings"]] == asked
        assert "of a touch" in found["findings"][0]["message"]
        assert "--joints" in found["findings"][0]["remedy"]
    assert "of a touch" in said(answer("proof", folder), "frames-told")
    assert "--joints" in stationbook("proof", folder, "--no-write").stdout
    found = answer("proof", folder, "--touch", 0, "--pose", pose, "--joints", joints)
    assert found["findings"] == []
    assert said(answer("proof", folder), "frames-told") == ""
    assert answer("proof", folder, *tip)["findings"] == []


def said(proof: dict[str, Any], code: str) -> str:
    return " ".join(item["message"] for item in proof["findings"] if item["code"] == code)


def test_proof_said_twice_changes_nothing_and_a_new_solution_needs_a_new_proof(
    session: tuple[Path, Truth],
) -> None:
    folder, truth = session
    touch(folder, truth)
    answer("proof", folder)
    before = (folder / "result.yaml").read_bytes()
    answer("proof", folder)
    assert (folder / "result.yaml").read_bytes() == before
    mark = remark(OVERTAKEN, open_session(folder), folder, {"by": "later", "moved": True})
    commit(folder, mark, WHO)
    marked = answer("proof", folder, status=1)
    assert (marked["proven"], marked["findings"][0]["code"]) == (False, "result-overtaken")
    assert marked["decision"]["chance_wrong"] is None
    assert "Decided by the findings" in stationbook("proof", folder).stdout
    seen = ("--seen", "0 0 500", "--seen", "50 0 500", "--seen", "0 50 500")
    frame = stationbook("frame", folder, "--name", "belt", *seen, "--as", "matrix")
    assert "the camera's result: The camera moved" in frame.stdout
    assert (folder / "result.yaml").read_bytes() == before
    stationbook("solve", folder)
    assert stored(folder)["proven"] is False


def test_wrong_frame_is_refuted(session: tuple[Path, Truth]) -> None:
    """A user frame 8 mm off makes every touch disagree, and takes the acceptance away."""
    folder, truth = session
    touch(folder, truth, off=np.array([0.0, 8.0, 0.0]))
    proof = answer("proof", folder, status=1)
    assert proof["proven"] is False
    assert {"proof-disagrees", "proof-tolerance"} <= {f["code"] for f in proof["findings"]}
    assert abs(proof["mean_error_mm"][1] + 8.0) < 1.0
    assert stored(folder)["verdict"] == "not-accepted"
    assert stationbook("proof", folder).stdout.startswith("PROOF FAILED")
    poses = stationbook("export", folder, "--as", "poses").stdout
    assert "# proven by touch points: NO, the proof FAILED" in poses
    assert "proof by touch points FAILED" in stationbook("solve", folder).stdout
    assert session_row(folder, WHO.now).state == "disproved"
    answer("report", folder, status=1)
    report = (folder / "report.html").read_text(encoding="utf-8")
    assert "NO, the proof FAILED" in report
    assert "not yet" not in report
    for words in (("solve", folder), ("solve", folder, "--board-from", folder)):
        said = {f["code"] for f in answer(*words, status=1)["findings"]}
        assert "proof-tolerance" in said  # until the touches agree: no solving again changes them
        assert "not-proven" not in said
        assert stored(folder)["verdict"] == "not-accepted"


@pytest.mark.parametrize(("point", "off", "said"), [(5, 0, "point 6"), (6, 30.0, "along Z alone")])
def test_a_touch_at_another_point_or_off_along_one_axis_is_asked_about(
    session: tuple[Path, Truth], point: int, off: float, said: str
) -> None:
    folder, truth = session
    rng = np.random.default_rng(2)
    laid = lay_board(folder.parent, 1, truth, PLACES[0], rng)
    pose = touch_pose(laid, 6, rng, np.array([0.0, 0.0, off]))
    words = ("proof", folder, "--touch", point, "--pose", pose)
    told = answer(*words, "--view", laid.points, status=1)
    assert (told["recorded"], told["id"]) == ("view", 1)  # the touch alone is not stored
    assert said in " ".join(item["message"] for item in told["findings"])


def test_one_bad_touch_can_be_left_out(session: tuple[Path, Truth]) -> None:
    folder, truth = session
    touch(folder, truth)
    rng = np.random.default_rng(1)
    laid = lay_board(folder.parent, 3, truth, PLACES[0], rng)
    answer("proof", folder, "--view", laid.points)
    words = ("proof", folder, "--touch", 5, "--pose", touch_pose(laid, 5, rng, 30.0))
    before = contents(folder)
    refused = answer(*words, status=1)  # asked first, as on the screen
    assert refused["recorded"] is None
    assert [item["code"] for item in refused["findings"]] == ["touch-off"]
    assert contents(folder) == before
    assert answer(*words, "--accept", "touch-off")["id"] == 9
    assert answer("proof", folder, status=1)["proven"] is False
    answer("proof", folder, "--forget", 9)
    after = answer("proof", folder)
    assert (after["proven"], after["left_out"]) == (True, [9])
    said = "Left out by hand: touch 9."  # the customer is told, too
    assert said in stationbook("proof", folder).stdout
    assert said in str(proof_section(read_result(folder)))


@pytest.mark.parametrize(
    ("places", "points", "said"),
    [
        (PLACES[:1], (0, 10, 77), "3 of at least 4"),
        (PLACES[:1], (0, 1, 2, 3, 4), "span too little"),
        (tuple(place + BESIDE for place in PLACES), CORNERS, "span too little"),
        (PLACES[:1], (0, 0, 0, 0), "1 of at least 4"),
    ],
)
def test_too_few_or_too_close_points_prove_nothing(
    session: tuple[Path, Truth], places: tuple, points: tuple, said: str
) -> None:
    folder, truth = session
    touch(folder, truth, places, points)
    proof = answer("proof", folder)
    assert proof["proven"] is False
    assert said in " ".join(item["message"] for item in proof["findings"])


def test_poor_pointer_proves_nothing(session: tuple[Path, Truth]) -> None:
    folder, truth = session
    touch(folder, truth)
    answer("proof", folder, "--tip", "0 0 150", "--tip-u", "1.0")
    proof = answer("proof", folder)
    assert proof["proven"] is False
    assert "pointer's own" in proof["findings"][0]["message"]


def test_stated_uncertainty_of_touches_is_true(session: tuple[Path, Truth]) -> None:
    folder, truth = session
    touch(folder, truth, points=tuple(range(0, 88, 8)))
    points = answer("proof", folder)["points"]
    sizes = [point["size_mm"] / point["expanded_mm"] for point in points]
    assert max(sizes) <= 1.0
    assert np.mean(sizes) >= 0.1  # not so wide that it would hide everything


def test_touches_that_a_new_result_was_not_compared_with_are_said(
    session: tuple[Path, Truth],
) -> None:
    folder, truth = session
    touch(folder, truth)
    found = answer("solve", folder)
    (item,) = [item for item in found["findings"] if item["code"] == "not-proven"]
    assert "8 stored touches were not compared" in item["message"]


def test_session_changed_since_the_result_is_not_proven(session: tuple[Path, Truth]) -> None:
    folder, truth = session
    touch(folder, truth)
    answer("edit", folder, "--station", 2, "--aside", "test")
    assert "changed since" in refused("proof", folder)


def test_bad_words_are_refused(session: tuple[Path, Truth]) -> None:
    folder, truth = session
    pose = "600 0 300 180 0 0"
    assert "no image of the board" in refused("proof", folder, "--touch", 3, "--pose", pose)
    laid = lay_board(folder.parent, 1, truth, PLACES[0], np.random.default_rng(0))
    answer("proof", folder, "--view", laid.points)
    assert "no point 900" in refused("proof", folder, "--touch", 900, "--pose", pose)
    assert "pose of the touch" in refused("proof", folder, "--touch", 3)
    assert "three numbers" in refused("proof", folder, "--tip", "0 0", "--tip-u", "0.1")
    assert "tip is known" in refused("proof", folder, "--tip", "0 0 150")
    assert "no touch 4" in refused("proof", folder, "--forget", 4)
    (folder / "proof.yaml").write_text("format: 1\npointr: {}\n", encoding="utf-8")
    assert "pointer" in refused("proof", folder)


@pytest.mark.parametrize("words", [
    ("--tip", "0 0 nan", "--tip-u", "0.1"),
    ("--tip", "0 0 inf", "--tip-u", "0.1"),
    ("--tip", "0 0 150", "--tip-u", "nan"),
    ("--tip", "0 0 150", "--tip-u", "inf"),
    ("--tip", "0 0 150", "--tip-u", "0"),
    ("--tip", "0 0 150", "--tip-u=-0.1"),
    ("--tip", "0 0 150", "--tip-u", "abc"),
    ("--tip-u", "0.1"),
    ("--seen", "1 2 nan", "--pose", "600 0 300 180 0 0"),
])  # fmt: skip
def test_what_is_no_number_is_never_stored(
    session: tuple[Path, Truth], words: tuple[str, ...]
) -> None:
    before = contents(session[0])
    said = refused("proof", session[0], *words)
    assert "." in said
    assert "Traceback" not in said
    assert contents(session[0]) == before


def test_numbers_are_read_with_a_decimal_comma(session: tuple[Path, Truth]) -> None:
    answer("proof", session[0], "--tip", "0,5 0 150", "--tip-u", "0,1")
    pointer = read_touches(session[0]).pointer
    assert pointer is not None
    assert pointer.tip_mm == (0.5, 0.0, 150.0)
    assert pointer.u_mm == 0.1
    assert "'abc' is no number. Type one" in refused(
        "proof", session[0], "--tip", "0 0 1", "--tip-u", "abc"
    )


def test_a_command_is_recorded_whole_or_not_at_all(session: tuple[Path, Truth]) -> None:
    folder, truth = session
    laid = lay_board(folder.parent, 1, truth, PLACES[0], np.random.default_rng(0))
    before = contents(folder)
    words = ("proof", folder, "--view", laid.points, "--touch", 3, "--pose")
    refused(*words, "1 2 3")
    assert contents(folder) == before
    pose = touch_pose(laid, 3, np.random.default_rng(1))
    assert answer(*words, pose)["recorded"] == "touch"
    assert [view.id for view in read_touches(folder).views] == [1]
    assert read_touches(folder).touches[0].view == 1


def test_marks_seen_by_the_camera_count_as_points(session: tuple[Path, Truth]) -> None:
    folder, truth = session
    rng = np.random.default_rng(4)
    for x, y, z in [(480, -90, 180), (700, -90, 180), (480, 90, 300), (700, 90, 300)]:
        p_base = np.array([x, y, z], float)
        seen = np.linalg.inv(truth.camera) @ [*p_base, 1.0]
        text = " ".join(f"{value:.3f}" for value in seen[:3])
        answer("proof", folder, "--seen", text, "--pose", Toucher().pose(p_base, rng))
    assert answer("proof", folder)["proven"] is True


def test_held_out_stations_agree_and_a_mistyped_one_does_not(session: tuple[Path, Truth]) -> None:
    folder, _ = session
    found = answer("proof", folder, "--hold-out", 3, 7, 11)
    assert [item["station"] for item in found["stations"]] == [3, 7, 11]
    text = (folder / "session.yaml").read_text(encoding="utf-8")
    typed = yaml.safe_load(text)["stations"][6]["pose"][0]
    wrong = f"{float(typed) + 20:.2f}"
    (folder / "session.yaml").write_text(text.replace(f"'{typed}'", f"'{wrong}'"), "utf-8")
    found = answer("proof", folder, "--hold-out", 3, 7, status=1)
    assert "Station 7 left out of the fit does not agree" in found["findings"][0]["message"]
    assert "no station 99" in refused("proof", folder, "--hold-out", 99)


def test_repeatability_follows_the_standard_form() -> None:
    """Four touches 1, 1, 1 and 3 mm from their barycentre along X, done by hand.

    Distances from the barycentre (mean 0): 1, 1, 1, 3; mean 1.5, S = 1.0; RP = 1.5 + 3 · 1.0.
    """
    offsets = ((-1.0, 0, 0), (-1.0, 0, 0), (-1.0, 0, 0), (3.0, 0, 0))
    zero = np.zeros(3)
    errors = [
        PointError(k, "p", zero, zero, np.add(off, (0, 0, 0.5)), Spread(*np.zeros((5, 3, 3))))
        for k, off in enumerate(offsets)
    ]
    (found,) = repeated(errors)
    assert found.count == 4
    assert found.accuracy_mm == pytest.approx(0.5)
    assert found.repeatability_mm == pytest.approx(4.5)


# ---- the missing number of a four-axis cell ------------------------------------------------------


def test_touched_point_gives_a_four_axis_cell_its_missing_number(tmp_path: Path) -> None:
    folder = tmp_path / "session"
    truth = make_session(folder, 12, EYE_TO_HAND, 4)
    text = (folder / "session.yaml").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if "height_mm" not in line]
    (folder / "session.yaml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    open_ended = stationbook("solve", folder)
    assert "ERROR unobservable: " in open_ended.stdout
    answer("proof", folder, "--tip", "0 0 120", "--tip-u", "0.1")
    p_base = np.array([640.0, 20.0, 620.0])
    seen = (np.linalg.inv(truth.camera) @ [*p_base, 1.0])[:3]
    pose = four_axis_pose(p_base, 120.0)
    text = " ".join(f"{value:.3f}" for value in seen)
    answer("proof", folder, "--seen", text, "--pose", pose, "--fix")
    assert read_touches(folder).touches[0].role == "missing-number"
    run = stationbook("solve", folder)
    assert run.returncode in (0, 1), run.stderr
    result = stored(folder)
    assert "unobservable" not in {f["code"] for f in result["findings"] if f["level"] == "error"}
    height = result["base_T_camera"]["position_mm"][2]
    assert abs(height - truth.camera[2, 3]) <= 3 * max(result["uncertainty"]["position_mm"], 0.3)
    proof = answer("proof", folder)
    assert proof["points"] == []  # the number that was put in proves nothing


def test_the_pointer_that_set_the_missing_number_cannot_prove_it(tmp_path: Path) -> None:
    """With the tip taken on the wrong side of the flange all agrees, and all is 240 mm off."""
    folder = tmp_path / "session"
    truth = make_session(folder, 12, EYE_TO_HAND, 4)
    session = (folder / "session.yaml").read_text(encoding="utf-8")
    lines = [line for line in session.splitlines() if "height_mm" not in line]
    (folder / "session.yaml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    answer("proof", folder, "--tip", "0 0 -120", "--tip-u", "0.3")
    touch_corners(folder, truth, ["--fix"])
    stationbook("solve", folder)
    height = stored(folder)["base_T_camera"]["position_mm"][2]
    assert abs(height - truth.camera[2, 3]) == pytest.approx(240.0, abs=2.0)
    proof = answer("proof", folder)
    assert all(point["agrees"] for point in proof["points"])
    assert proof["proven"] is False
    assert "set the number that a four-axis robot cannot show" in " ".join(
        f["message"] for f in proof["findings"] if f["code"] == "not-proven"
    )


def test_a_wrong_height_is_said_to_be_told_wherever_the_result_goes_and_touching_shows_it(
    tmp_path: Path,
) -> None:
    folder = tmp_path / "session"
    truth = make_session(folder, 12, EYE_TO_HAND, 4)
    session = open_session(folder)
    height, middle, u = session.cell.board.height_mm, session.cell.work_volume.center_mm[2], {}
    assert height is not None
    for height_u in (0.3, 1.5):
        board = replace(session.cell.board, height_mm=height + 5.0, height_u_mm=height_u)
        text = session_text(replace(session, cell=replace(session.cell, board=board)))
        (folder / "session.yaml").write_text(text, encoding="utf-8")
        run = stationbook("solve", folder)
        u[height_u] = stored(folder)["uncertainty"]["pick_mm"]
    assert u[1.5] ** 2 - u[0.3] ** 2 > 1.5**2 - 0.3**2  # and a coverage factor above 2
    said = "as told by the measured board.height_mm, not shown"
    assert said in " ".join(run.stdout.split())
    stationbook("report", folder)
    assert said in (folder / "report.html").read_text(encoding="utf-8")
    for form in FORMATS:
        words = {"plane": ("--height", middle), "pendant": ("--rotation", "fixed-xyz")}.get(
            form, ()
        )
        run = stationbook("export", folder, "--as", form, "--not-accepted", *words)
        written = " ".join(run.stdout.split())
        assert said in written, (form, run.stderr)
        assert "rests on pendant.flange_down: " in written, form
    answer("proof", folder, "--tip", "0 0 120", "--tip-u", "0.1")
    touch_corners(folder, truth)
    proof = answer("proof", folder, status=1)
    assert "proof-disagrees" in {item["code"] for item in proof["findings"]}


@pytest.mark.parametrize("way", [1, -1])
def test_another_pointer_proves_the_number_that_the_first_one_set_or_refutes_it(
    tmp_path: Path, way: int
) -> None:
    """``way``: -1 where both tips are taken on the wrong side of the flange."""
    folder = tmp_path / "session"
    truth = make_session(folder, 12, EYE_TO_HAND, 4)
    session = (folder / "session.yaml").read_text(encoding="utf-8")
    lines = [line for line in session.splitlines() if "height_mm" not in line]
    (folder / "session.yaml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    answer("proof", folder, "--tip", f"0 0 {120 * way}", "--tip-u", "0.05")
    touch_corners(folder, truth, ["--fix"])
    stationbook("solve", folder)
    height = stored(folder)["base_T_camera"]["position_mm"][2]
    answer("proof", folder, "--tip", f"0 0 {180 * way}", "--tip-u", "0.05")
    number = read_touches(folder).of_role("missing-number")[0]
    assert number.pointer is not None
    assert number.pointer.tip_mm == (0.0, 0.0, 120.0 * way)
    for touch in read_touches(folder).of_role("proof"):
        answer("proof", folder, "--forget", touch.id)
    touch_corners(folder, truth, tip_mm=180.0)
    stationbook("solve", folder)
    assert stored(folder)["base_T_camera"]["position_mm"][2] == pytest.approx(height, abs=1e-3)
    proof = stationbook("proof", folder)
    assert "set the number" not in proof.stdout
    assert all(point["agrees"] is (way > 0) for point in stored(folder)["proof"]["points"])
    assert ("PROOF FAILED" in proof.stdout) is (way < 0)


def touch_corners(
    folder: Path, truth: Truth, last: Sequence[str] = (), tip_mm: float = 120.0
) -> None:
    """Touch four corners of the work volume and its middle, with the words ``last`` for that one.

    The true tip is ``tip_mm`` before the flange.
    """
    corners = cell(EYE_TO_HAND, 4).work_volume.corners()
    places = np.vstack([corners[[0, 3, 5, 6]], corners.mean(axis=0)])
    for number, p_base in enumerate(places):
        seen = (np.linalg.inv(truth.camera) @ [*p_base, 1.0])[:3]
        text = " ".join(f"{value:.3f}" for value in seen)
        words = last if number == 4 else ()
        answer("proof", folder, "--seen", text, "--pose", four_axis_pose(p_base, tip_mm), *words)


def four_axis_pose(p_base: np.ndarray, tip_mm: float) -> str:
    """Return the pose with the tip on ``p_base``, as the four-axis pendant shows it."""
    from engine.frames import transform
    from engine.pendant.conventions import to_matrix
    from engine.pendant.entry import format_pose

    pendant = cell(EYE_TO_HAND, 4).pendant
    R = to_matrix([0.0], pendant) if pendant.rotation == "yaw" else np.eye(3)
    return " ".join(format_pose(transform(R, p_base - R @ [0.0, 0.0, tip_mm]), pendant))
