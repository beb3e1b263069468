"""U beside a cause of all stations: not known, wherever anything tells of the result."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from command import stationbook
from later_session import make_later
from made_session import make_session
from test_report_html import Reader

from engine.plant.summary import summary
from engine.sessions.folder import open_session, session_text
from engine.sessions.results import read_result
from tui.desk.overview import session_row
from tui.words import again_lines

WHY = "U not known while board-pitch stands"


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return two solved sessions of one cell whose pitch is a quarter too large."""
    root = tmp_path_factory.mktemp("plant") / "root"
    make_session(root / "one", 8)
    path = root / "one" / "session.yaml"
    text = path.read_text()
    pitch = re.search(r"pitch_mm: (\d+(?:\.\d+)?)", text)
    assert pitch is not None
    text = text.replace(pitch[0], f"pitch_mm: {1.25 * float(pitch[1])}")
    path.write_text(text)
    assert stationbook("solve", root / "one").returncode == 1
    shutil.copytree(root / "one", root / "two")
    path = root / "two" / "session.yaml"  # no copy, but a session of its own
    path.write_text(re.sub(r"(?m)^created: .*$", "created: 2026-01-02T03:04:05+00:00", text))
    return root


@pytest.fixture(autouse=True)
def config(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STATIONBOOK_CONFIG", str(tmp_path / "config"))


@pytest.fixture(scope="module")
def figures(plant: Path) -> tuple[str, ...]:
    """Return what U would read like; the file keeps it."""
    stored = read_result(plant / "one")
    assert stored.spoiled_by == stored.unknown_by == "board-pitch"
    assert stored.uncertainty.pick_mm is not None
    assert stored.expanded_mm is None
    U = 2 * stored.uncertainty.pick_mm
    assert U > 10.0
    return f"{U:.2f}", f"{U:.3f}"


def test_the_list_of_sessions_says_it(plant: Path) -> None:
    row = session_row(plant / "one", datetime.now().astimezone())
    assert (row.result, row.unknown) == ("U unknown", WHY)


def test_the_cells_of_a_plant_say_it(plant: Path, figures: tuple[str, ...], tmp_path: Path) -> None:
    page = tmp_path / "plant.html"
    told = stationbook("cells", plant, "--page", page)
    table = stationbook("cells", plant, "--csv")
    read = " ".join(Reader(page.read_text()).text.split())
    for text in (told.stdout, table.stdout, read):
        assert f"the last result is not accepted: {WHY}" in text
        assert not any(figure in text for figure in figures)
    (row,) = json.loads(stationbook("cells", plant, "--json").stdout)["cells"]
    assert (row["expanded_mm"], row["pick_error_mm"]) == (None, None)
    assert row["unknown_by"] == "board-pitch"


def by_hand(text: str) -> str:
    return "# by hand\n" + text


def indented(text: str) -> str:
    return text.replace("- {code", "-   {code")


@pytest.mark.parametrize("form", [str, by_hand, indented])
def test_a_look_at_a_result_says_it_in_any_form_of_the_file(
    plant: Path, tmp_path: Path, form: Callable[[str], str]
) -> None:
    shutil.copytree(plant / "one", tmp_path / "copy")
    path = tmp_path / "copy" / "result.yaml"
    path.write_text(form(path.read_text()))
    found = summary(tmp_path / "copy").result
    assert found is not None
    assert (found.pick_mm, found.work_volume_mm) == (None, None)
    assert found.unknown_by == "board-pitch"


def test_an_archive_solved_again_says_it(plant: Path, figures: tuple[str, ...]) -> None:
    (plant / "two" / "result.yaml").unlink()
    run = stationbook("solve", "--all", plant, "--jobs", "1", "--json")
    before, new = json.loads(run.stdout)["sessions"]
    for row in (before, new):
        assert (row["expanded_mm"], row["shift_u"]) == (None, None)
        assert row["unknown_by"] == "board-pitch"
    assert before["unknown_by_before"] == "board-pitch"
    assert before["changed"] is False
    assert new["unknown_by_before"] is None
    table = stationbook("solve", "--all", plant, "--jobs", "1").stdout
    assert WHY in table
    assert not any(figure in table for figure in figures)
    assert again_lines([], plant, "nothing stored")
    shutil.copy(plant / "one" / "result.yaml", plant / "two")


def test_the_history_in_a_report_says_it(plant: Path, figures: tuple[str, ...]) -> None:
    assert stationbook("report", plant / "one").returncode == 1
    text = Reader((plant / "one" / "report.html").read_text(encoding="utf-8")).text
    assert f"not accepted, {WHY}" in text
    assert f"U is {WHY.removeprefix('U ')}" in text
    assert not any(figure in text for figure in figures)


def test_a_comparison_says_it(plant: Path, tmp_path: Path) -> None:
    image = tmp_path / "history.svg"
    words = ("compare", plant / "one", plant / "two", "--figure", image)
    told = stationbook(*words)
    assert f"0.00 mm, 0.000°; U is {WHY.removeprefix('U ')}" in told.stdout
    assert f"U of the later one is {WHY.removeprefix('U ')}" in told.stdout
    assert "±" not in told.stdout
    assert image.exists()
    found = json.loads(stationbook(*words, "--force", "--json").stdout)
    assert (found["agree"], found["chance"], found["unknown_by"]) == (None, None, "board-pitch")
    unknown = {key for key, value in found["difference"].items() if value is None}
    assert unknown == {"u_position_mm", "u_angle_deg", "u_work_volume_mm", "clearest"}
    first, second = found["history"]
    assert first["agree"] is second["agree"] is None
    assert (second["u_work_volume_mm"], second["unknown_by"]) == (None, "board-pitch")


def test_no_point_is_carried_over_by_it(plant: Path, tmp_path: Path) -> None:
    labels = read_cell_labels(plant / "one")
    points = tmp_path / "points.csv"
    points.write_text(f"name,fixed_to,{','.join(labels)}\nhome,camera,500,0,400,180,0,0\n")
    run = stationbook("shift", plant / "one", "--against", plant / "two", "--points", points)
    assert run.returncode == 1
    assert "home: stays" in run.stdout
    assert f"its U is {WHY.removeprefix('U ')}" in run.stdout


def read_cell_labels(folder: Path) -> tuple[str, ...]:
    return open_session(folder).cell.pendant.labels


def later(plant: Path, tmp_path: Path) -> Path:
    """Return a session after a bump, of the same wrong cell."""
    make_later(tmp_path / "new", 3, shift=np.array([0.003, 0.0, 0.0, 4.0, 0.0, 0.0]))
    cell = open_session(plant / "one").cell
    session = replace(open_session(tmp_path / "new"), cell=cell)
    (tmp_path / "new" / "session.yaml").write_text(session_text(session))
    return tmp_path / "new"


def test_a_recheck_says_it(plant: Path, tmp_path: Path) -> None:
    new, old = later(plant, tmp_path), tmp_path / "old"
    shutil.copytree(plant / "one", old)
    told = stationbook("recheck", new, "--against", old)
    assert told.returncode == 1
    assert "Nobody can tell whether the camera moved" in told.stdout
    assert WHY.removeprefix("U ") in told.stdout
    assert "±" not in told.stdout
    found = json.loads(stationbook("recheck", new, "--against", old, "--json").stdout)
    assert (found["moved"], found["movement"], found["detectable_mm"]) == (None, None, None)
    assert found["decision"]["expanded_mm"] is None
    assert found["findings"][0]["code"] == "earlier-spoiled"
    where = json.loads(
        stationbook("recheck", new, "--against", old, "--visit", "2", "--json").stdout
    )
    assert "earlier-spoiled" in {item["code"] for item in where["findings"]}


def test_a_quick_recalibration_says_it(plant: Path, tmp_path: Path) -> None:
    new = later(plant, tmp_path)
    words = ("solve", new, "--board-from", plant / "one", "--no-write", "--json")
    found = json.loads(stationbook(*words).stdout)
    assert found["before"]["movement"] is None
    levels = {item["code"]: item["level"] for item in found["findings"]}
    assert levels["earlier-spoiled"] == "error"


def test_json_of_solve_says_it_and_the_file_keeps_the_numbers(plant: Path) -> None:
    document = json.loads(stationbook("solve", plant / "one", "--no-write", "--json").stdout)
    assert set(document["uncertainty"].values()) == {None}
    assert document["covariance"] is None
    assert any(item["code"] == "board-pitch" for item in document["findings"])
    assert read_result(plant / "one").uncertainty.pick_mm is not None
