"""Results compared: simulated truth, and real photographs split in two halves.

Photographs: see tests/photographs.py for their source; the poses of the left camera, found by cv2
alone, stand for the typed ones, as in test_photographs_session.py.
"""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import yaml
from command import answer, refused, stationbook
from later_session import make_later, refuse
from made_session import make_session
from photographs import NUMBERS, by_opencv, detected
from test_photographs_session import PENDANT, Stereo, cell_document, flange_poses

from engine.boards.points_file import points_text
from engine.cell.mount import EYE_IN_HAND
from engine.pendant.entry import format_pose
from engine.sessions.changes import Who, commit, remark
from engine.sessions.folder import open_session
from engine.sessions.journal import OVERTAKEN
from engine.sessions.lock import writing
from engine.steps.compare import history, stored

SHIFT = np.array([0.004, 0.0, 0.003, 3.0, 0.0, -4.0])


@pytest.fixture(scope="module")
def months(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, Path]:
    """Three sessions: the second with the camera where it was, the third after a bump."""
    folder = tmp_path_factory.mktemp("months")
    make_session(folder / "may", 8)
    make_later(folder / "june", 8)
    make_later(folder / "july", 8, shift=SHIFT, noise_seed=2)
    text = (folder / "july" / "session.yaml").read_text(encoding="utf-8")
    later = text.replace("2026-11-26", "2027-07-01").replace("name: later", "name: july")
    (folder / "july" / "session.yaml").write_text(later, encoding="utf-8")
    paths = tuple(folder / name for name in ("may", "june", "july"))
    assert stationbook("solve", *paths, "--jobs", 1).returncode in (0, 1)
    return paths


def test_results_of_an_unmoved_camera_agree(months: tuple[Path, Path, Path]) -> None:
    found = answer("compare", months[1], months[0])
    assert found["agree"] is True
    assert found["findings"][0]["code"] == "results-agree"


def test_results_after_a_bump_differ_by_the_bump(months: tuple[Path, Path, Path]) -> None:
    found = answer("compare", months[2], months[0])
    assert found["agree"] is False
    move = found["difference"]
    size, turn = np.linalg.norm(SHIFT[3:]), np.degrees(np.linalg.norm(SHIFT[:3]))
    assert abs(move["position_mm"] - size) <= 2 * move["u_position_mm"]
    assert abs(move["angle_deg"] - turn) <= 2 * move["u_angle_deg"]
    old, new = stored(months[0]).result.camera, stored(months[2]).result.camera
    np.testing.assert_allclose(np.array(move["matrix"]) @ old, new, atol=1e-9)


def test_a_difference_that_a_recheck_found_to_be_a_moved_camera_asks_for_no_recheck(
    months: tuple[Path, Path, Path], tmp_path: Path
) -> None:
    old, new = (tmp_path / path.name for path in (months[0], months[2]))
    shutil.copytree(months[0], old)
    shutil.copytree(months[2], new)
    (before,) = answer("compare", new, old)["findings"]
    assert (before["code"], before["level"]) == ("results-differ", "warning")
    assert "run a recheck" in before["remedy"]
    with writing(old):  # as a recheck marks it
        mark = remark(OVERTAKEN, open_session(old), old, {"by": "july", "moved": True})
        commit(old, mark, Who(None, datetime(2027, 7, 1, tzinfo=UTC)))
    (after,) = answer("compare", new, old)["findings"]
    assert (after["code"], after["level"]) == ("results-differ", "note")
    assert "as the recheck of" in after["message"]
    assert "with july found" in after["message"]
    assert after["remedy"] == "Go on with the later result."
    with writing(new):  # and the later one is not to be gone on with either
        mark = remark(OVERTAKEN, open_session(new), new, {"by": "august", "moved": True})
        commit(new, mark, Who(None, datetime(2027, 8, 1, tzinfo=UTC)))
    differ, refused_ = answer("compare", new, old)["findings"]
    assert (differ["code"], differ["level"]) == ("results-differ", "warning")
    assert refused_["code"] == "results-not-accepted"
    assert "The later result is not accepted: The camera moved after" in refused_["message"]


def test_results_that_agree_are_not_called_fine_where_one_is_refused(
    months: tuple[Path, Path, Path], tmp_path: Path
) -> None:
    old = shutil.copytree(months[0], tmp_path / "may")
    refuse(old)
    agree, beside = answer("compare", months[1], old)["findings"]
    assert agree["code"] == "results-agree"
    assert (beside["code"], beside["level"]) == ("results-not-accepted", "warning")
    assert beside["message"] == "The earlier result is not accepted: U is too large."
    rows = answer("compare", months[1], old, months[2])["history"]
    assert [row["verdict"] for row in rows] == ["not-accepted", "accepted", "accepted"]


def test_history_lists_the_drift_in_order_of_days(
    months: tuple[Path, Path, Path], tmp_path: Path
) -> None:
    figure = tmp_path / "drift.svg"
    may, june, july = months
    found = answer("compare", july, june, may, "--figure", figure)
    days = [entry["created"][:10] for entry in found["history"]]
    assert days == sorted(days)
    assert [entry["agree"] for entry in found["history"]] == [None, True, False]
    assert figure.read_text(encoding="utf-8").count("<svg") == 1
    run = stationbook("compare", july, june, may)
    assert "july" in run.stdout
    other = shutil.copytree(may, tmp_path / "other")  # the same name, as of two on one day
    names = {entry.name.partition(":")[0] for entry in history([may, june, other])}
    assert {may.name, "other"} < names
    assert "unknown kind" in refused("compare", july, may, "--figure", tmp_path / "drift.bmp")


def test_other_mount_and_missing_result_are_refused(
    months: tuple[Path, Path, Path], tmp_path: Path
) -> None:
    make_session(tmp_path / "none", 4)
    assert "solve" in refused("compare", months[0], tmp_path / "none")
    make_session(tmp_path / "hand", 8, EYE_IN_HAND)
    assert stationbook("solve", tmp_path / "hand").returncode in (0, 1)
    assert "mount" in refused("compare", months[0], tmp_path / "hand")


# ---- real photographs ----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def halves(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Two sessions from every other pair of photographs; no picture is in both."""
    _, matrix, distortion = by_opencv("right")
    stereo = Stereo(np.eye(4), matrix, distortion.ravel(), flange_poses())
    folder = tmp_path_factory.mktemp("halves")
    for name, numbers in (("even", NUMBERS[::2]), ("odd", NUMBERS[1::2])):
        write_session(folder / name, stereo, numbers)
    paths = folder / "even", folder / "odd"
    assert stationbook("solve", *paths, "--jobs", 1).returncode in (0, 1)
    return paths


def write_session(folder: Path, stereo: Stereo, numbers: tuple[str, ...]) -> None:
    (folder / "points").mkdir(parents=True)
    stations = []
    for number in numbers:
        name = f"points/{number}.csv"
        found = detected("right", number)
        (folder / name).write_text(points_text(found.ids, found.pixels), encoding="utf-8")
        pose = list(format_pose(stereo.poses[number], PENDANT))
        stations.append({"id": int(number), "pose": pose, "points": name})
    document = {
        "format": 1,
        "name": folder.name,
        "created": "2026-11-25T09:00:00+01:00",
        "cell": cell_document(stereo),
        "stations": stations,
    }
    del document["cell"]["format"]
    (folder / "session.yaml").write_text(yaml.safe_dump(document), encoding="utf-8")


def test_halves_of_the_photographs_agree_within_their_stated_uncertainty(
    halves: tuple[Path, Path],
) -> None:
    found = answer("compare", *halves)
    assert found["agree"] is True
    move = found["difference"]
    assert move["position_mm"] <= 2 * move["u_position_mm"]
    assert move["angle_deg"] <= 2 * move["u_angle_deg"]
    assert move["work_volume_mm"] <= 2 * move["u_work_volume_mm"]
    assert move["u_position_mm"] <= 2.0  # a statement, not a shrug: the baseline is 83 mm


def test_recheck_of_one_half_against_the_other_finds_no_movement(
    halves: tuple[Path, Path],
) -> None:
    found = answer("recheck", halves[1], "--against", halves[0])
    assert (found["moved"], found["cause"]) == (False, "none")
