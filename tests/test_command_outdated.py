"""A session that changed after its result, outside of the program, or against its images."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from command import answer, refused, stationbook
from made_session import make_session, stops

from engine.sessions.folder import open_session
from engine.simulate.scenario import cell_text

COUNT = 8


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("outdated") / "s"
    make_session(folder, COUNT)
    answer("solve", folder)
    return folder


@pytest.fixture
def solved(made: Path, tmp_path: Path) -> Path:
    """A copy to change."""
    return Path(shutil.copytree(made, tmp_path / "s"))


def codes(found: dict[str, object]) -> list[str]:
    items = found["findings"]
    assert isinstance(items, list)
    return [item["code"] for item in items]


def test_a_result_that_the_session_left_behind_is_not_handed_over(solved: Path) -> None:
    answer("edit", solved, "--station", 3, "--aside", "cable in the way")
    assert "changed since this result" in refused("export", solved, "--as", "pendant")
    run = stationbook("export", solved, "--as", "matrix", "--not-accepted")
    assert "NOT ACCEPTED" in run.stdout
    made = answer("report", solved, status=1)
    assert made["verdict"] == "not-accepted"
    assert codes(made)[0] == "result-outdated"
    html = (solved / "report.html").read_text(encoding="utf-8")
    assert html.index("NOT ACCEPTED") < html.index("What was calibrated")


def test_solved_again_it_is_handed_over(solved: Path) -> None:
    answer("edit", solved, "--station", 3, "--aside", "cable in the way")
    answer("solve", solved)
    assert stationbook("export", solved, "--as", "pendant").returncode == 0


def test_a_note_or_a_plan_leaves_the_result_valid(solved: Path) -> None:
    answer("edit", solved, "--station", 3, "--note", "looked at again")
    answer("plan", solved, "--count", 2)
    assert stationbook("export", solved, "--as", "pendant").returncode == 0
    assert "result-outdated" not in codes(answer("report", solved))


def test_other_points_or_another_robot_file_outdate_it(solved: Path) -> None:
    path = solved / "points/002.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("1,", "1,0", 1), encoding="utf-8")
    assert "points/002.csv" in refused("export", solved, "--as", "pendant")


def test_a_corrected_pose_is_held_against_its_image(solved: Path) -> None:
    pose = list(open_session(solved).stations[4].pose or ())
    wrong = [pose[0], f"{float(pose[1]) + 40:.2f}", *pose[2:]]
    before = (solved / "session.yaml").read_bytes()
    found = answer("edit", solved, "--station", 5, "--pose", " ".join(wrong), status=1)
    assert codes(found) == ["does-not-fit"]
    assert found["findings"][0]["suggested"] is not None
    assert (solved / "session.yaml").read_bytes() == before
    words = ("edit", solved, "--station", 5, "--pose", " ".join(wrong))
    assert answer(*words, "--accept", "does-not-fit")["station"]["pose"] == wrong


def test_a_correction_that_fits_is_stored_without_a_word(solved: Path) -> None:
    pose = list(open_session(solved).stations[4].pose or ())
    right = [f"{float(pose[0]) + 0.01:.2f}", *pose[1:]]
    assert codes(answer("edit", solved, "--station", 5, "--pose", " ".join(right))) == []


def test_a_closing_stop_elsewhere_is_questioned(solved: Path, tmp_path: Path) -> None:
    other = stops(COUNT + 1)[0][COUNT]
    points = tmp_path / "p.csv"
    points.write_text(other.points, encoding="utf-8")
    words = ("record", solved, "--pose", " ".join(other.pose), "--points", points, "--closing")
    assert "closing-elsewhere" in codes(answer(*words, status=1))


def gone(folder: Path) -> str:
    found = answer("check", folder)["findings"]
    return next(item["message"] for item in found if item["code"] == "stations-gone")


def test_stations_cut_off_the_file_are_missed(tmp_path: Path) -> None:
    cell, folder = tmp_path / "cell.yaml", tmp_path / "s"
    cell.write_text(cell_text(), encoding="utf-8")
    answer("start", cell, folder)
    for number, stop in enumerate(stops(7)[0]):
        points = tmp_path / f"{number}.csv"
        points.write_text(stop.points, encoding="utf-8")
        answer("record", folder, "--pose", " ".join(stop.pose), "--points", points)
    assert "stations-gone" not in codes(answer("check", folder))
    path = folder / "session.yaml"
    text = path.read_text(encoding="utf-8")
    for cut, ids in (("- id: 5", "5, 6"), ("- id: 6", "6")):  # the last line may be unfinished
        path.write_text(text[: text.index(cut)], encoding="utf-8")
        assert f"are not in it: {ids}." in gone(folder)
    path.write_text(text[: text.index("- id: 6")] + "# cut\n", encoding="utf-8")
    assert "are not in it: 6, 7." in gone(folder)


def test_stations_undone_are_not_missed(tmp_path: Path) -> None:
    folder = tmp_path / "s"
    make_session(folder, 4)
    answer("edit", folder, "--station", 2, "--note", "first line of the journal")
    line = json.loads((folder / "journal.jsonl").read_text(encoding="utf-8").splitlines()[0])
    assert line["action"] == "note"
    assert "stations-gone" not in codes(answer("check", folder))


def test_a_relative_image_folder_stays_where_the_cell_had_it(tmp_path: Path) -> None:
    cell = tmp_path / "cell.yaml"
    text = cell_text().replace("source: none", "source: {folder: incoming}")
    cell.write_text(text, encoding="utf-8")
    answer("start", cell, tmp_path / "sessions/one")
    source = open_session(tmp_path / "sessions/one").cell.camera.source
    assert source == {"folder": str(tmp_path / "incoming")}
    assert "incoming" in cell.read_text(encoding="utf-8")
