"""Every cell at a glance: what the files say, whatever an index says, and what is due."""

from __future__ import annotations

import csv
import io
import json
import os
import shutil
import time
from datetime import date, datetime, timedelta
from pathlib import Path

import pytest
import yaml
from command import answer, refused, stationbook
from later_session import make_later
from made_session import make_session
from screen_bench import EXAMPLE

from engine.errors import UsageError
from engine.findings import finding
from engine.plant import archive
from engine.plant.archive import session_folders, summaries
from engine.plant.cells import Rating, row_of
from engine.plant.page import plant_page
from engine.plant.summary import Noted, Result, Summary, _strict_head, summary
from engine.sessions.changes import Who, commit, remark
from engine.sessions.folder import open_session
from engine.sessions.journal import LIFTED, MARKS, OVERTAKEN
from engine.sessions.results import read_result
from engine.sessions.yaml_text import yaml_dump
from engine.steps.editing import event_noted
from tui.commands.cells import cell_lines
from tui.screens.cells import moved as shown

NOW = datetime(2026, 11, 25, 12, 0)
RESULT = Result("accepted", True, 0.2, 0.12, (0.0,) * 6 + (1.0,))


def a_session(day: int, result: Result | None = RESULT, *noted: Noted, every: float | None = 90.0,
              after: tuple[str, ...] | None = None) -> Summary:  # fmt: skip
    """Return a session made so many days before NOW."""
    made = (NOW - timedelta(days=day)).isoformat()
    return Summary(f"s{day}", f"s{day}", made, "line 1", "eye-to-hand", 1.0,
                   (600.0, 0.0, 250.0), every, after, None, result, noted)  # fmt: skip


def a_recheck(day: int, moved: bool | None = False, size: float = 0.1, u: float = 0.1) -> Noted:
    made = (NOW - timedelta(days=day)).isoformat()
    cause = {False: "none", True: "camera", None: "unclear"}[moved]
    return Noted("recheck", made, "A. Example", cause, None, moved, size, u, (size, 0.0, 0.0))


def a_mark(day: int, moved: bool = True, camera: str = "") -> Noted:
    at, found = (NOW - timedelta(days=day)).isoformat(), "camera" if moved else LIFTED
    return Noted(OVERTAKEN, at, None, camera, "s1", moved, mark=found)


def an_event(day: int, what: str = "crash") -> Noted:
    return Noted("event", (NOW - timedelta(days=day)).date().isoformat(), None, what)


@pytest.fixture
def plant(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Two halls: the example session, a session without a result, and a folder of images."""
    monkeypatch.setenv("STATIONBOOK_CONFIG", str(tmp_path / "config"))
    root = tmp_path / "plant"
    shutil.copytree(EXAMPLE, root / "hall 1" / "line 2" / "2026-11")
    make_session(root / "hall 2" / "made", 4)
    (root / "hall 2" / "pictures").mkdir()
    return root


# ---- what the files say ------------------------------------------------------------------------


def test_sessions_are_found_wherever_they_lie(plant: Path) -> None:
    (plant / "link").symlink_to(plant / "hall 1")
    names = [path.relative_to(plant).as_posix() for path in session_folders(plant)]
    assert names == ["hall 1/line 2/2026-11", "hall 2/made"]


def test_a_copy_that_knows_less_does_not_stand_for_its_cell(plant: Path) -> None:
    folder = plant / "hall 1" / "line 2" / "2026-11"
    copies = plant / "backup", plant / "unpacked"
    for copy in copies:
        shutil.copytree(folder, copy)
    who, at = "A. Example", datetime.fromisoformat("2026-11-24T09:00:00+01:00")

    def noted(place: Path, action: str, **said: str) -> None:
        commit(place, remark(action, open_session(place), place, said), Who(who, at))

    def listed() -> list[Path]:
        found = summaries(plant, index=False)
        return [path for item in found if "made" not in (path := Path(item.folder)).parts]

    assert listed() == [copies[0]]  # alike in all: any of them
    noted(plant / "hall 2" / "made", "recheck", against=str(folder))
    assert listed() == [folder]
    noted(folder, OVERTAKEN, found="camera")
    assert listed() == [folder]
    noted(copies[1], "proof")
    assert listed() == [folder, copies[1]]  # each knows what the other does not


def test_a_look_says_what_the_strict_reader_says(plant: Path) -> None:
    for folder in session_folders(plant):
        quick, strict = summary(folder), _strict_head(folder)
        assert quick._replace(result=None, noted=()) == strict
        assert quick.created == open_session(folder).created
    folder = plant / "hall 1" / "line 2" / "2026-11"
    stored, found = read_result(folder), summary(folder).result
    assert found is not None
    assert stored.camera is not None
    assert (found.verdict, found.proven) == (stored.verdict, stored.proven)
    assert found.pick_mm == stored.uncertainty.pick_mm
    assert list(found.camera or ()) == [*stored.camera.position_mm, *stored.camera.quaternion_xyzw]
    text = (folder / "result.yaml").read_text()
    assert found.work_volume_mm == yaml.safe_load(text)["uncertainty"]["work_volume_mm"]


@pytest.mark.parametrize(
    "spoil",
    [
        lambda text: "# by hand\n" + text,
        lambda text: text.replace("\n", "\r\n"),
        lambda text: text.replace("eye-to-hand", '"eye-to-hand"'),
        lambda text: "---\n" + text.replace("\n  ", "\n    "),
    ],
)  # fmt: skip
def test_a_session_written_in_another_form_says_the_same(plant: Path, spoil) -> None:  # type: ignore[no-untyped-def]
    folder = plant / "hall 1" / "line 2" / "2026-11"
    before = summary(folder)
    path = folder / "session.yaml"
    text = spoil(path.read_text())
    path.write_bytes(text.encode())
    now = summary(folder)
    if now.problem:  # strict about quotes around numbers: then it says so in a sentence
        assert "session.yaml" in now.problem
    else:
        assert (now.cell, now.tolerance_mm, now.created) == (
            before.cell, before.tolerance_mm, before.created)  # fmt: skip


@pytest.mark.parametrize("data", [b"", b"format: 1\n", b"\x00", b"format: 1\ncell: [", b"[" * 9999])
def test_a_rotten_session_is_one_sentence_and_harms_no_other(plant: Path, data: bytes) -> None:
    (plant / "hall 2" / "made" / "session.yaml").write_bytes(data)
    document = answer("cells", plant)
    assert len(document["cells"]) == 2
    problems = [problem for row in document["cells"] for problem in row["problems"]]
    assert len(problems) == 1
    assert "session.yaml" in problems[0]


# ---- the index ---------------------------------------------------------------------------------


def old(folder: Path, hours: float = 1.0) -> None:
    """Give all files of a session the same old time."""
    when = time.time() - 3600 * hours
    for path in folder.rglob("*"):
        os.utime(path, (when, when))


def test_an_index_is_believed_only_while_the_files_are_the_same(
    plant: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(archive, "IN_DOUBT_NS", -(10**12))  # change times cannot be set back
    read: list[str] = []
    real = archive.summary
    monkeypatch.setattr(
        archive, "summary", lambda folder: (read.append(folder.name), real(folder))[1]
    )
    first = summaries(plant)
    assert len(read) == 2
    assert json.dumps(summaries(plant)) == json.dumps(first)
    assert len(read) == 2
    path = plant / "hall 1" / "line 2" / "2026-11" / "result.yaml"
    text = path.read_text()
    path.write_text(text.replace("verdict: accepted", "verdict: not-accepted"))
    verdicts = [item.result.verdict for item in summaries(plant) if item.result]
    assert verdicts == ["not-accepted"]
    assert len(read) == 3
    shutil.rmtree(plant / "hall 2" / "made")
    assert len(summaries(plant)) == 1


def test_what_changed_a_moment_ago_is_read_again(
    plant: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    summaries(plant)
    read: list[str] = []
    real = archive.summary
    monkeypatch.setattr(
        archive, "summary", lambda folder: (read.append(folder.name), real(folder))[1]
    )
    summaries(plant)
    assert len(read) == 2


def test_an_edited_session_is_looked_into_once(
    plant: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(archive, "IN_DOUBT_NS", -(10**12))
    opened: list[Path] = []
    monkeypatch.setattr(
        "engine.sessions.folder.open_session",
        lambda path: (opened.append(path), open_session(path))[1],
    )
    path = plant / "hall 1" / "line 2" / "2026-11" / "session.yaml"

    def same() -> list[bool | None]:
        return [item.result.same for item in summaries(plant) if item.result]

    path.write_text(path.read_text().replace("name: ", "name: renamed ", 1))
    assert same() == [True] == same()  # another name is no other result
    assert len(opened) == 1
    path.write_text(path.read_text().replace("pitch_mm: 20", "pitch_mm: 21", 1))
    assert same() == [False] == same()
    assert len(opened) == 2


@pytest.mark.parametrize("data", [b"", b"{", b'{"made by": 1}', b"[1, 2]", b"\xff\xff", None])
def test_a_damaged_index_is_made_anew(plant: Path, data: bytes | None, tmp_path: Path) -> None:
    first = summaries(plant)
    (path,) = (tmp_path / "config" / "index").iterdir()
    if data is None:
        path.write_bytes(path.read_bytes()[:-40])
    else:
        path.write_bytes(data)
    assert summaries(plant) == first


# ---- ratings -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sessions", "rating", "alarm"),
    [
        ([a_session(10)], Rating.IN_ORDER, False),
        ([a_session(100)], Rating.OVERDUE, True),
        ([a_session(85)], Rating.SOON, False),
        ([a_session(100), a_session(20, None, a_recheck(20))], Rating.IN_ORDER, False),
        ([a_session(100, every=None)], Rating.IN_ORDER, False),
        ([a_session(30), a_session(5, None, a_recheck(5, True, 3.0))], Rating.MOVED, True),
        ([a_session(30), a_session(5, None, a_recheck(5, True, 3.0)), a_session(4)],
         Rating.IN_ORDER, False),
        ([a_session(30), a_session(5, None, a_recheck(5, False, 0.7))], Rating.BEYOND, True),
        ([a_session(30), a_session(5, None, a_recheck(5, False, 0.7, 0.5))],
         Rating.IN_ORDER, False),
        ([a_session(10, None)], Rating.NO_RESULT, False),
        ([a_session(10, RESULT._replace(verdict="not-accepted"))], Rating.NOT_ACCEPTED, True),
        ([a_session(20), a_session(10, RESULT._replace(verdict="not-accepted"))],
         Rating.IN_ORDER, False),
        ([a_session(10, RESULT._replace(proven=False))], Rating.NOT_PROVEN, False),
        ([a_session(10, RESULT._replace(verdict="not-accepted", refuted=True))],
         Rating.NOT_ACCEPTED, True),
        ([a_session(20), a_session(10, RESULT._replace(verdict="not-accepted", refuted=True))],
         Rating.NOT_ACCEPTED, True),
        ([a_session(10, RESULT, a_mark(2))], Rating.MOVED, True),
        ([a_session(10, RESULT, a_mark(2), a_mark(1, moved=False))], Rating.IN_ORDER, False),
        ([a_session(10, RESULT, a_mark(3, camera="left"), a_mark(2, False, "right"))],
         Rating.MOVED, True),
        ([a_session(10, RESULT, a_mark(2)), a_session(1)], Rating.IN_ORDER, False),
        ([a_session(30, RESULT, an_event(3))], Rating.EVENT, True),
        ([a_session(30, RESULT, an_event(3, "lamp changed"), after=("crash",))],
         Rating.IN_ORDER, False),
        ([a_session(30, RESULT, an_event(3, "Crash"), after=("crash",))], Rating.EVENT, True),
        ([a_session(30, RESULT, an_event(9)), a_session(5, None, a_recheck(5))],
         Rating.IN_ORDER, False),
    ],
)  # fmt: skip
def test_a_cell_is_rated(sessions: list[Summary], rating: Rating, alarm: bool) -> None:
    row = row_of("line 1", sessions, NOW)
    assert (row.rating, row.alarm) == (rating, alarm)
    assert row.words


@pytest.mark.parametrize("found", [found for found in MARKS if found != "open"])
def test_a_cell_says_of_a_mark_what_everybody_says_of_it(found: str) -> None:
    mark = a_mark(2)._replace(mark=found)
    assert row_of("line 1", [a_session(10, RESULT, mark)], NOW).words.startswith(MARKS[found])


def test_a_mark_in_the_journal_bars_the_stored_acceptance(plant: Path) -> None:
    folder = plant / "hall 1" / "line 2" / "2026-11"
    assert row_of("line 2", [summary(folder)], NOW).verdict == "accepted"
    mark = remark(OVERTAKEN, open_session(folder), folder, {"by": "later", "moved": True})
    commit(folder, mark, Who(None, NOW.astimezone()))
    row = row_of("line 2", [summary(folder)], NOW)
    assert (row.rating, row.verdict, row.proven) == (Rating.MOVED, "not-accepted", False)
    packed = answer("pack", folder, "--out", plant / "p.zip")
    assert packed["caution"].startswith("NOT ACCEPTED: The camera moved after this result")
    pytest.importorskip("cryptography")
    answer("sign", "--new-key")
    assert answer("sign", folder)["caution"] == packed["caution"]


@pytest.mark.parametrize("other_form", [False, True])
def test_a_failed_proof_is_seen_and_said(plant: Path, other_form: bool) -> None:
    folder = plant / "hall 1" / "line 2" / "2026-11"
    path = folder / "result.yaml"
    document = yaml.safe_load(path.read_text())
    said = finding("proof-tolerance", touches="2", worst=8.0, tolerance=1.0).document()
    document |= {"verdict": "not-accepted", "findings": [said, *document["findings"]]}
    path.write_text(("# by hand\n" if other_form else "") + yaml_dump(document))
    row = row_of("line 2", [summary(folder)], NOW)
    assert (row.rating, row.proof_failed) == (Rating.NOT_ACCEPTED, True)
    assert "proof failed" in row.words


def test_a_recheck_of_another_result_says_nothing_of_the_last() -> None:
    other = a_recheck(5, True, 3.0)._replace(against="s90")
    row = row_of("line 1", [a_session(90), a_session(30), a_session(5, None, other)], NOW)
    assert row.rating is Rating.IN_ORDER
    own = other._replace(against="elsewhere/s30")
    row = row_of("line 1", [a_session(90), a_session(30), a_session(5, None, own)], NOW)
    assert row.rating is Rating.MOVED


def test_days_left_count_from_the_last_look() -> None:
    row = row_of("line 1", [a_session(100), a_session(20, None, a_recheck(20))], NOW)
    assert row.days_left == pytest.approx(70.0)
    assert row.recheck_on == "2026-11-05"
    assert (row.movement_mm, row.movement_u_mm) == (0.1, 0.2)


# ---- the command -------------------------------------------------------------------------------


def test_a_real_recheck_and_an_event_are_seen(plant: Path, tmp_path: Path) -> None:
    root = tmp_path / "lines"
    make_session(root / "first", 8)
    make_later(root / "later", 3)
    assert stationbook("solve", root / "first").returncode in (0, 1)
    answer("recheck", root / "later", "--against", root / "first")
    (row,) = answer("cells", root)["cells"]
    assert row["recheck_cause"] == "none"
    assert row["movement_mm"] < row["movement_u_mm"]
    assert row["pick_error_mm"] == row["expanded_mm"]
    answer("event", root / "later", "--what", "mount loosened")  # the day of the recheck, after it
    (row,) = answer("cells", root, status=1)["cells"]
    assert row["words"] == f"mount loosened on {row['recheck_on']}: recheck"
    answer("event", root / "later", "--what", "crash", "--on", "2099-01-01")
    (row,) = answer("cells", root, status=1)["cells"]
    assert row["words"] == "crash on 2099-01-01: recheck"
    with pytest.raises(UsageError, match="clock says 2020-01-01"):  # it would count as long over
        event_noted(open_session(root / "later"), root / "later", "crash", None, date(2020, 1, 1))
    line = json.loads((root / "later" / "journal.jsonl").read_text().splitlines()[0])
    assert line["movement"]["shift_mm"] is not None
    assert max(map(abs, line["movement"]["shift_mm"])) < line["movement"]["work_volume_mm"] + 0.01
    noted = summary(root / "later").noted[0]
    assert noted.clearest_mm == line["movement"]["clearest"]["size_mm"]
    assert noted.clearest_expanded_mm == line["movement"]["clearest"]["expanded_mm"]


def test_the_table_goes_to_spreadsheets_and_a_page_needs_nothing_else(plant: Path) -> None:
    run = stationbook("cells", plant, "--csv", "--page", plant / "plant.html")
    listed = list(csv.DictReader(io.StringIO(run.stdout)))
    assert not [row for row in listed for key in row if key.endswith("\\x0d")]
    assert [row["cell"] for row in listed].count("bottling line 2, infeed") == 1
    page = (plant / "plant.html").read_text()
    assert "bottling line 2, infeed" in page
    assert "http" not in page.replace("http-equiv", "")
    assert "<script" not in page


def test_a_cell_that_is_not_there_is_refused_with_those_that_are(plant: Path) -> None:
    assert "bottling line 2, infeed" in refused("cells", plant, "--cell", "other")
    assert "nowhere" in refused("cells", plant / "nowhere")
    assert "is no day" in refused(
        "event", plant / "hall 2" / "made", "--what", "x", "--on", "today"
    )


def test_when_to_look_again_touches_no_result(plant: Path) -> None:
    folder = plant / "hall 1" / "line 2" / "2026-11"
    path = folder / "session.yaml"
    text = path.read_text()
    path.write_text(
        text.replace("\ncell:\n", "\ncell:\n  recheck_every_days: 30\n  recheck_after: [crash]\n")
    )
    cell = open_session(folder).cell
    assert (cell.recheck_every_days, cell.recheck_after) == (30.0, ("crash",))
    rows = answer("cells", folder, status=1 if datetime.now() > datetime(2026, 12, 25) else 0)
    assert rows["cells"][0]["recheck_every_days"] == 30.0
    assert rows["cells"][0]["rating"] != Rating.CHANGED
    answer("export", folder, "--as", "matrix")


def test_for_whom_and_where_is_kept_with_the_session(plant: Path) -> None:
    folder = plant / "hall 2" / "made"
    told = answer("about", folder, "--customer", "A. Example", "--temperature", "-2,5",
                  "--instrument", "pointer; 0815; 2027-03-01",
                  "--instrument", "tape")["about"]  # fmt: skip
    assert told["temperature_degc"] == -2.5
    about = open_session(folder).about
    assert about is not None
    assert [(i.name, i.serial, i.due) for i in about.instruments] == [
        ("pointer", "0815", "2027-03-01"), ("tape", None, None)]  # fmt: skip
    assert summary(folder).temperature_degc == -2.5
    assert answer("about", folder)["about"] == told
    assert "is no day" in refused("about", folder, "--instrument", "tape;1;soon")


@pytest.mark.parametrize(
    ("moved", "size", "u", "said", "column"),
    [
        (False, 0.05, 0.07, "not moved, 0.05 ± 0.14 mm", "no"),
        (True, 0.90, 0.10, "MOVED, 0.90 ± 0.20 mm", "0.90"),
        (True, 0.20, 0.30, "MOVED, most clearly 0.21 ± 0.04 mm", "yes"),
        (None, 0.20, 0.30, "not known, 0.20 ± 0.60 mm", "?"),
    ],
)
def test_a_movement_hidden_in_its_u_is_told_as_the_recheck_told_it(
    moved: bool | None, size: float, u: float, said: str, column: str
) -> None:
    noted = a_recheck(3, moved, size, u)._replace(clearest_mm=0.21, clearest_expanded_mm=0.04)
    row = row_of("line 1", [a_session(20), a_session(3, None, noted)], NOW)
    assert row.recheck_answer == said
    page = plant_page("plant", [row], {}, NOW)
    assert said in page
    assert any(said in line for line in cell_lines([row], 2))
    assert shown(row) == column


def test_a_recheck_that_cannot_tell_what_moved_is_not_said_to_be_unclear_moved() -> None:
    noted = a_recheck(3, True)._replace(what="unclear")
    row = row_of("line 1", [a_session(20), a_session(3, None, noted)], NOW)
    assert row.words.startswith("something does not fit, seen")
