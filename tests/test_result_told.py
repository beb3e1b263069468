"""A number that no station shows: wherever ACCEPTED stands, it is said to hold for it alone."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from command import answer, stationbook
from made_session import make_session
from test_proof_touch import four_axis_pose
from test_report_html import Reader

from engine.cell.result import StoredResult
from engine.findings import Finding, Level
from engine.plant.summary import summary
from engine.report.exports import FORMATS
from engine.sessions.results import read_result
from engine.simulate.scenario import truth
from tui.desk.overview import session_row
from tui.result_text import verdict_parts

HOLDS = "only if board.height_mm 46 and pendant.flange_down true are right, as told"


@pytest.fixture(scope="module")
def solved(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("told") / "four"
    make_session(folder, 8, axes=4)
    assert stationbook("solve", folder).returncode == 0
    return folder


@pytest.fixture
def four(solved: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a copy of an accepted session of four axes whose height was measured."""
    monkeypatch.setenv("STATIONBOOK_CONFIG", str(tmp_path / "config"))
    shutil.copytree(solved, tmp_path / "root" / "four")
    return tmp_path / "root" / "four"


def flat(text: str) -> str:
    return " ".join(text.replace("\n#", " ").split())


def touch(folder: Path, off_mm: float = 0.0) -> None:
    """Touch one mark with a pointer of 120 mm, ``off_mm`` too high."""
    p_base = np.array([640.0, 20.0, 620.0])
    seen = (np.linalg.inv(truth("eye-to-hand", 4).camera) @ [*p_base, 1.0])[:3]
    text = " ".join(f"{value:.3f}" for value in seen)
    pose = four_axis_pose(p_base + np.array([0.0, 0.0, off_mm]), 120.0)
    answer("proof", folder, "--tip", "0 0 120", "--tip-u", "0.05")
    answer("proof", folder, "--seen", text, "--pose", pose)


def test_everything_that_tells_the_verdict_says_for_which_numbers_it_holds(four: Path) -> None:
    told = flat(stationbook("solve", four, "--no-write").stdout)
    assert "Verdict: ACCEPTED AS TOLD" in told
    assert f"It holds {HOLDS}." in told
    assert "Next: touch one point" in told
    found = answer("solve", four, "--no-write")
    assert found["verdict"] == "accepted"
    assert found["holds_only_if"] == ["board.height_mm 46", "pendant.flange_down true"]
    assert verdict_parts(read_result(four), fresh=True)[0] == ("accepted as told", "warning")
    row = session_row(four, datetime.now().astimezone())
    assert (row.state, row.role) == ("as told", "warning")
    said = stationbook("report", four).stdout
    assert HOLDS in said
    read = flat(Reader((four / "report.html").read_text(encoding="utf-8")).text)
    assert f"ACCEPTED {HOLDS.upper()}" in read
    assert "Next: touch one point" in read
    again = flat(stationbook("compare", four, four, "--figure", four / "drift.svg").stdout)
    assert "only as told" in again
    (four / "result.yaml").unlink()
    run = stationbook("solve", "--all", four.parent, "--jobs", "1")
    assert "no result -> only as told, four" in flat(run.stdout)
    (row,) = answer("solve", "--all", four.parent, "--jobs", "1")["sessions"]
    assert (row["verdict"], row["verdict_holds"]) == ("accepted", HOLDS)


def test_a_touch_with_one_camera_shows_the_number_of_all() -> None:
    said = Finding("unobservable", Level.NOTE, "", "", field="pendant.flange_down", typed="true")
    part = replace(StoredResult(mount="eye-to-hand", verdict="accepted"), findings=(said,))
    whole = replace(part, cameras={"left": part, "right": None})
    (left, right) = whole.further.values()
    assert left is not None
    assert left.told == ("pendant.flange_down true",)
    shown = replace(whole, findings=(said, Finding("number-shown", Level.NOTE, "", "")))
    left = shown.further["left"]
    assert left is not None
    assert (left.told, right) == ((), None)


def test_plant_and_its_page_say_it(four: Path, tmp_path: Path) -> None:
    words = "accepted only if a told number is right: touch one point"
    run = stationbook("cells", four.parent, "--page", tmp_path / "plant.html")
    assert words in run.stdout
    assert words in flat(Reader((tmp_path / "plant.html").read_text()).text)
    (row,) = json.loads(stationbook("cells", four.parent, "--json").stdout)["cells"]
    assert row["words"] == words


@pytest.mark.parametrize("form", FORMATS)
def test_every_form_says_it(four: Path, form: str) -> None:
    words = {"plane": ("--height", 250), "pendant": ("--rotation", "fixed-xyz")}.get(form, ())
    written = flat(stationbook("export", four, "--as", form, *words).stdout)
    assert HOLDS in written
    assert "touch one point" in written


def test_one_touch_by_a_pointer_that_gave_no_number_shows_it(four: Path) -> None:
    touch(four)
    found = answer("proof", four)
    assert not found["proven"]
    assert "number-shown" in {item["code"] for item in found["findings"]}
    assert read_result(four).told == ()
    at_a_glance = summary(four).result
    assert at_a_glance is not None
    assert not at_a_glance.as_told
    export = flat(stationbook("export", four, "--as", "json").stdout)
    assert HOLDS not in export
    assert "shows that the number on which the result rests is right" in export
    assert session_row(four, datetime.now().astimezone()).state == "accepted"
    stationbook("solve", four)  # nobody compared the touch with the new result
    assert len(read_result(four).told) == 2


def test_a_touch_that_disagrees_shows_nothing(four: Path) -> None:
    touch(four, off_mm=10.0)
    found = answer("proof", four, status=1)
    assert "number-shown" not in {item["code"] for item in found["findings"]}
    assert not read_result(four).accepted


def test_six_axes_rest_on_no_told_number(tmp_path: Path) -> None:
    make_session(tmp_path / "six", 5)
    told = stationbook("solve", tmp_path / "six").stdout
    assert "Verdict: ACCEPTED, not proven yet" in told
    assert "holds_only_if" not in (tmp_path / "six" / "result.yaml").read_text()
