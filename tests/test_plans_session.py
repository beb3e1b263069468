"""Plans of session folders and cell files: stored, revised, printed, and from the command line."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from command import answer, refused, stationbook
from made_session import make_session
from told_jogs import legs

from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND
from engine.cell.session import Station
from engine.cell.stations import station_pose
from engine.frames import quaternion_xyzw
from engine.pendant.entry import pose_from_fields
from engine.plans.plan import CLOSING
from engine.plans.types import Plan, Step, Wish
from engine.plans.words import UNSURE
from engine.proof.touch import read_touches
from engine.report.plan_sheet import plan_sheet
from engine.sessions.changes import Change, Who, commit
from engine.sessions.folder import open_session
from engine.sessions.glance import read_glance
from engine.sessions.journal import read_journal
from engine.simulate.scenario import cell_text, truth
from engine.steps.planning import STANDS_ELSEWHERE, plan_session, replace_plan, revised
from engine.steps.pointing import AT_A_POINT
from engine.steps.proving import pointer_set, touch_added
from tui.commands.plan import plan_lines

CHROMIUM = shutil.which("chromium")
NOW = datetime(2026, 11, 25, 9, 30, tzinfo=UTC)


def test_json_has_exactly_the_documented_keys(tmp_path: Path) -> None:
    make_session(tmp_path / "s", 4)
    found = answer("plan", tmp_path / "s", "--count", 2)
    assert set(found) == {"format", "stations", "work_volume_mm", "findings"}
    assert found["format"] == 1
    assert len(found["stations"]) == 2
    for station in found["stations"]:
        assert set(station) == {"by", "pose", "jog", "work_volume_mm_after", "beware"}
        assert station["by"] == "pose"
        assert len(station["pose"]) == 6
    assert found["work_volume_mm"] == found["stations"][-1]["work_volume_mm_after"]


def test_json_where_no_jog_is_told_says_on_stderr_what_a_hand_is_to_do(tmp_path: Path) -> None:
    make_session(tmp_path / "s", 1)
    session = open_session(tmp_path / "s")
    pose = station_pose(session.cell, session.stations[0])
    assert pose is not None
    low, high = pose[:3, 3] + (-300.0, -300.0, -130.0), pose[:3, 3] + (300.0, 300.0, -110.0)
    path = tmp_path / "s" / "session.yaml"
    text = yaml.safe_load(path.read_text(encoding="utf-8"))
    tray = {"name": "tray", "min_mm": low.tolist(), "max_mm": high.tolist()}
    text["cell"]["keep_out"] = [tray]
    path.write_text(yaml.safe_dump(text), encoding="utf-8")
    shown = stationbook("plan", tmp_path / "s", "--json")
    assert json.loads(shown.stdout)["stations"] == []
    assert "By sight, well clear of tray" in shown.stderr


def test_one_station_gives_jogs_whose_poses_only_programs_see(tmp_path: Path) -> None:
    make_session(tmp_path / "s", 1)
    found = answer("plan", tmp_path / "s")
    assert [station["by"] for station in found["stations"]] == ["jog"] * 3
    assert all(len(station["pose"]) == 6 for station in found["stations"])
    stored = open_session(tmp_path / "s").plan
    assert [item.pose for item in stored] == [None] * 3
    assert [item.jog for item in stored] == [station["jog"] for station in found["stations"]]
    shown = stationbook("plan", tmp_path / "s")
    assert found["stations"][0]["pose"][0] not in shown.stdout
    assert "CAUTION" in shown.stdout
    assert "reduced speed" in shown.stdout


def test_the_plan_is_stored_with_a_line_in_the_journal(tmp_path: Path) -> None:
    make_session(tmp_path / "s", 4)
    found = answer("plan", tmp_path / "s", "--count", 2, "--close", "--operator", "A. Example")
    session = open_session(tmp_path / "s")
    assert [list(item.pose or ()) for item in session.plan] == [
        station["pose"] for station in found["stations"]
    ]
    assert session.plan[-1].pose == session.stations[0].pose
    assert session.plan[-1].why == CLOSING
    line = read_journal(tmp_path / "s")[-1]
    assert (line["action"], line["who"], line["stations"]) == ("plan", "A. Example", 3)
    before = (tmp_path / "s" / "session.yaml").read_bytes()
    answer("plan", tmp_path / "s", "--count", 5, "--no-write")
    assert (tmp_path / "s" / "session.yaml").read_bytes() == before


def test_a_cell_without_rough_transforms_only_tells_the_first_station(tmp_path: Path) -> None:
    (tmp_path / "cell.yaml").write_text(cell_text(), encoding="utf-8")
    found = answer("plan", tmp_path / "cell.yaml")
    (asked,) = found.pop("findings")
    assert found == {"format": 1, "stations": [], "work_volume_mm": None}
    assert (asked["code"], "first stop" in asked["message"]) == ("frames-told", True)
    shown = stationbook("plan", tmp_path / "cell.yaml").stdout
    assert "First station" in shown
    assert "nothing to plan" in shown


@pytest.mark.parametrize("mount", [EYE_TO_HAND, EYE_IN_HAND])
@pytest.mark.parametrize("axes", [6, 4])
def test_a_cell_with_rough_transforms_gets_jogs_that_use_them(
    mount: str, axes: int, tmp_path: Path
) -> None:
    real = truth(mount, axes)
    names = ("base_T_camera", "flange_T_board")
    if mount == EYE_IN_HAND:
        names = ("flange_T_camera", "base_T_board")
    lines = ["rough:"]
    for name, T in zip(names, (real.camera, real.board), strict=True):
        place = np.round(T[:3, 3] + 5.0).tolist()
        turn = np.round(quaternion_xyzw(T[:3, :3]), 3).tolist()
        lines.append(f"  {name}: {{position_mm: {place}, quaternion_xyzw: {turn}}}")
    text = cell_text(mount, axes) + "\n".join(lines) + "\n"
    (tmp_path / "cell.yaml").write_text(text, encoding="utf-8")
    found = answer("plan", tmp_path / "cell.yaml")
    assert [station["by"] for station in found["stations"]] == ["jog"] * 4
    turns = [abs(int(turn)) for turn in re.findall(r"turn [+−](\d+)°", str(found))]
    assert max(turns) == 20  # known well enough for the largest jog
    pendant = open_cell(tmp_path / "cell.yaml").pendant
    first = pose_from_fields(found["stations"][0]["pose"], pendant).base_T_flange
    view = real.camera_T_board(first)
    assert 300.0 < view[2, 3] < 1500.0
    assert np.abs(view[:2, 3]).max() < 0.4 * view[2, 3]


def open_cell(path: Path):
    from engine.sessions.cell_file import read_cell

    return read_cell(path)


class Page(HTMLParser):
    """Counts what a page holds."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.boxes = 0
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.boxes += ("class", "box") in attrs

    def handle_data(self, data: str) -> None:
        self.text += data


@pytest.mark.parametrize("count", [3, 14])
def test_the_sheet_is_one_page_with_a_box_and_room_for_every_station(
    count: int, tmp_path: Path
) -> None:
    make_session(tmp_path / "s", 4)
    found = answer(
        "plan", tmp_path / "s", "--count", count, "--out", tmp_path / "plan.html", "--no-write"
    )
    source = (tmp_path / "plan.html").read_text(encoding="utf-8")
    page = Page()
    page.feed(source)
    assert page.boxes == len(found["stations"]) == count
    assert page.tags.count("tr") == count + 1
    for station in found["stations"]:
        assert station["pose"][0] in page.text
    assert "reduced speed" in page.text
    assert source.count('class="line"') == 6 * count
    assert not re.search(r"(src|href)=", source)
    row = float(re.search(r"td\{height:([\d.]+)mm\}", source).group(1))
    size = float(re.search(r"tbody\{font-size:([\d.]+)mm\}", source).group(1))
    assert row * count <= 210.0  # of the 277 mm between the margins of an A4 page
    assert size >= 2.0


def test_what_may_go_wrong_on_the_way_is_told_wherever_the_plan_is(tmp_path: Path) -> None:
    make_session(tmp_path / "s", 2)
    path, sheet = tmp_path / "s" / "session.yaml", tmp_path / "plan.html"
    text = yaml.safe_load(path.read_text(encoding="utf-8"))
    second = text["stations"][1]["pose"]
    second[3] = str((float(second[3]) + 60.0) % 180.0)  # the two contradict each other now
    path.write_text(yaml.safe_dump(text), encoding="utf-8")
    said = "Beware: the stations so far do not fit together"
    words = ("plan", tmp_path / "s", "--count", 1)
    shown = stationbook(*words, "--out", sheet)
    assert said in " ".join(shown.stdout.split())
    assert said in sheet.read_text(encoding="utf-8")
    asked = stationbook(*words, "--json")
    assert f"1. {said}" in asked.stderr
    assert len(json.loads(asked.stdout)["stations"]) == 1
    (planned,) = open_session(tmp_path / "s").plan
    assert f"Beware: {planned.beware}".startswith(said)
    (glimpsed,) = read_glance(tmp_path / "s").plan
    assert glimpsed.beware == planned.beware


def test_the_sheet_warns_in_rows_too_low_for_a_reason(tmp_path: Path) -> None:
    make_session(tmp_path / "s", 1)
    session = open_session(tmp_path / "s")
    pose = station_pose(session.cell, session.stations[0])
    assert pose is not None
    step = Step("pose", pose, session.stations[0].typed, "base X +80 mm", "because", beware=UNSURE)
    for count, reasons in ((3, 3), (14, 0)):
        text = plan_sheet(Plan((step,) * count), session.cell, "s")
        assert (text.count(UNSURE), text.count("because")) == (count, reasons)


def test_a_warning_of_many_stations_stands_once_above_them_where_rows_are_lowest(
    tmp_path: Path,
) -> None:
    make_session(tmp_path / "s", 1)
    session = open_session(tmp_path / "s")
    pose = station_pose(session.cell, session.stations[0])
    assert pose is not None
    step = Step("pose", pose, session.stations[0].typed, "base X +80 mm", "because", beware=UNSURE)
    text = plan_sheet(Plan((replace(step, beware=""), *[step] * 23)), session.cell, "s")
    numbers = ", ".join(map(str, range(2, 25)))
    assert f"Beware: {UNSURE} ({numbers})" in text
    assert text.count(UNSURE) == 1
    assert text.count("Beware: see above") == 23


def test_stations_that_hardly_help_are_called_so_wherever_they_are_told(tmp_path: Path) -> None:
    make_session(tmp_path / "s", 1)
    session = open_session(tmp_path / "s")
    pose = station_pose(session.cell, session.stations[0])
    assert pose is not None
    step = Step("pose", pose, session.stations[0].typed, "base X +80 mm", "because", 0.31)
    said = "Further stations help little: U of a pick 0.96 → about 0.94 mm by all of these."
    for after, little in ((0.47, True), (0.45, False)):
        plan = Plan((replace(step, jog=""), replace(step, pick_mm=after)), now_mm=0.32,
                    now_pick_mm=0.48)  # fmt: skip
        assert plan_lines(plan, session.cell)[0] == " 1. go to"  # no jog leads there
        assert (said in plan_sheet(plan, session.cell, "s")) is little
        assert any(said in line for line in plan_lines(plan, session.cell)) is little


def test_the_sheet_of_jogs_shows_no_pose(tmp_path: Path) -> None:
    make_session(tmp_path / "s", 1)
    found = answer("plan", tmp_path / "s", "--out", tmp_path / "plan.html", "--no-write")
    text = (tmp_path / "plan.html").read_text(encoding="utf-8")
    assert text.count("by the move only") == 3
    assert all(station["pose"][0] not in text for station in found["stations"])


def test_a_fixed_pattern_is_compared_with_chosen_stations(tmp_path: Path) -> None:
    make_session(tmp_path / "s", 4)
    words = ("plan", tmp_path / "s", "--style", "spiral", "--count", 5, "--no-write")
    numbers = ("--radius", 50, "--depth", 90, "--tilt", 25, "--turn", 40)
    shown = stationbook(*words, *numbers)
    assert shown.returncode == 0, shown.stderr
    pattern = float(re.search(r"after these \d+: about ([\d.]+) mm", shown.stdout).group(1))
    chosen = float(re.search(r"as many chosen stations: about ([\d.]+) mm", shown.stdout).group(1))
    assert chosen < pattern


@pytest.mark.parametrize(
    "words",
    [
        ("--count", "0"),
        ("--until", "-1"),
        ("--radius", "10"),
        ("--style", "spiral", "--tilt", "80"),
        ("--style", "spiral", "--depth", "-10"),
        ("--style", "spiral", "--turn", "nan"),
    ],
)
def test_words_that_make_no_sense_are_refused(words: tuple[str, ...], tmp_path: Path) -> None:
    make_session(tmp_path / "s", 4)
    refused("plan", tmp_path / "s", *words)


def test_the_plan_is_revised_as_stations_come(tmp_path: Path) -> None:
    make_session(tmp_path / "s", 6)
    whole = open_session(tmp_path / "s")

    def recorded(count: int, plan: tuple = ()):
        return replace(whole, stations=whole.stations[:count], plan=plan)

    first = revised(recorded(1), tmp_path / "s")
    assert first is not None
    jogs = tuple(step.planned() for step in first.steps)
    assert all(item.pose is None for item in jogs)
    grown = revised(recorded(4, jogs[1:]), tmp_path / "s")
    assert grown is not None
    assert len(grown.steps) == 4  # to eight in all
    assert all(step.by == "pose" for step in grown.steps)
    planned = tuple(step.planned() for step in grown.steps)
    again = revised(recorded(4, planned), tmp_path / "s")
    assert again is not None
    assert [step.pose for step in again.steps] == [item.pose for item in planned]
    assert revised(recorded(6), tmp_path / "s") is None


@pytest.mark.parametrize(
    ("station", "what", "seen"),
    [
        (6, {"use": False}, False),
        (6, {"points": None}, False),
        (2, {"taken": "2026-11-25T10:00:00+01:00"}, True),
    ],
    ids=["aside", "no image", "taken again"],
)
def test_jogs_begin_where_the_robot_stands(
    tmp_path: Path, station: int, what: dict[str, Any], seen: bool
) -> None:
    """Pose and jog of the next stop agree from the last stop, whatever became of it."""
    make_session(tmp_path / "s", 6)
    session = open_session(tmp_path / "s")
    end = replace(session.existing(station), **what)
    session = session.with_station(end)
    (step,) = plan_session(session, tmp_path / "s", Wish(count=1)).steps
    assert shift_error(step, end) < 1.0  # mm; shifts are told in whole ones
    soon = replace(session, stations=tuple(s for s in session.stations if s.id in (1, station)))
    steps = plan_session(soon, tmp_path / "s", Wish(count=1)).steps
    assert [shift_error(item, end) < 1.0 for item in steps] == [True] * seen


def shift_error(step: Step, start: Station) -> float:
    """Return how far [mm] the shifts told in a jog lead from the pose that is told."""
    shift = np.zeros(3)
    for kind, axis, amount in legs(step.jog):
        shift[axis] += amount if kind == "shift" else 0.0
    there, here = (np.array(pose[:3], float) for pose in (step.pose, start.pose or ()))
    return float(np.abs(there - here - shift).max())


def test_no_jog_is_told_to_the_next_pose_while_the_robot_stands_at_no_station(
    tmp_path: Path,
) -> None:
    folder, who = tmp_path / "s", Who(None, NOW)
    make_session(folder, 6)
    session = open_session(folder)
    commit(folder, pointer_set(session, read_touches(folder), "0 0 150", 0.1).change, who)
    pose = " ".join(session.stations[0].typed)
    touch = touch_added(session, folder, read_touches(folder), pose, seen="0 0 650", who=who)
    commit(folder, touch.change, who)
    first, second = plan_session(session, folder, Wish(count=2)).steps
    assert (first.jog, first.why[:8], bool(second.jog)) == ("", "lift off", True)
    for action, told in (
        ("undo: record 7", False), ("note", False), ("retake", True), ("undo: import", False),
        ("redo: record 7", True), (AT_A_POINT, False),
    ):  # fmt: skip
        session = replace(open_session(folder), name=action)
        commit(folder, Change(action, session), who)
        plan = plan_session(session, folder, Wish(count=2))
        assert [bool(step.jog) for step in plan.steps] == [told, True]
        assert (plan.steps[0].beware.startswith(STANDS_ELSEWHERE)) is not told


def test_a_revised_plan_leaves_out_what_was_passed_over_or_recorded(tmp_path: Path) -> None:
    make_session(tmp_path / "s", 4)
    session = open_session(tmp_path / "s")
    plan = plan_session(session, tmp_path / "s", Wish(count=3))
    first, second, third = (step.planned() for step in plan.steps)
    recorded = replace(first, pose=session.stations[2].pose)
    kept = replace(
        session, plan=(replace(second, skipped="a cable is in the way"), recorded, third)
    )
    found = revised(kept, tmp_path / "s")
    assert found is not None
    assert len(found.steps) == 1
    assert second.pose not in [step.pose for step in found.steps]
    change = replace_plan(kept, found)
    assert change is not None
    stored = change.session
    assert stored.plan[0].skipped == "a cable is in the way"
    assert len(stored.plan) == 2


def test_an_unchanged_plan_is_not_written_again(tmp_path: Path) -> None:
    make_session(tmp_path / "s", 4)
    session = open_session(tmp_path / "s")
    plan = plan_session(session, tmp_path / "s", Wish(count=2))
    change = replace_plan(session, plan)
    assert change is not None
    commit(tmp_path / "s", change, Who(None, NOW))
    lines = len(read_journal(tmp_path / "s"))
    again = replace_plan(open_session(tmp_path / "s"), plan)
    assert again is None
    commit(tmp_path / "s", again, Who(None, NOW))
    assert len(read_journal(tmp_path / "s")) == lines


@pytest.mark.skipif(CHROMIUM is None, reason="needs chromium to print the page")
def test_a_browser_prints_the_sheet_on_one_page(tmp_path: Path) -> None:
    count = 24
    make_session(tmp_path / "s", 4)
    sheet, pdf = tmp_path / "plan.html", tmp_path / "plan.pdf"
    answer("plan", tmp_path / "s", "--count", count, "--out", sheet, "--no-write")
    words = ("--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer")
    subprocess.run(
        [CHROMIUM, *words, f"--print-to-pdf={pdf}", sheet.as_uri()],
        check=True,
        capture_output=True,
        timeout=60,
    )
    assert len(re.findall(rb"/Type\s*/Page[^s]", pdf.read_bytes())) == 1


def test_a_focus_range_is_read_and_one_that_is_none_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "cell.yaml"
    text = cell_text().replace("  source: none", "  source: none\n  focus_range_mm: [600, 900]")
    path.write_text(text, encoding="utf-8")
    assert open_cell(path).camera.focus_range_mm == (600.0, 900.0)
    path.write_text(text.replace("[600, 900]", "[900, 600]"), encoding="utf-8")
    assert "camera.focus_range_mm" in refused("plan", path)
