"""What lies in a folder has no power, what is acknowledged stays, and changes afterwards show."""

from __future__ import annotations

import json
import os
import shutil
import stat
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
import yaml
from command import STATIONBOOK, answer, refused, stationbook
from files_samples import NOW, with_new_station
from made_session import make_session

from engine.errors import ChangedError, FileError, StoredError
from engine.files import read_bytes
from engine.sessions import store
from engine.sessions.changes import Change, Who, commit
from engine.sessions.folder import open_session
from engine.sessions.journal import altered, read_journal, restored
from engine.sessions.lock import holder, writing
from engine.sessions.store import write_bytes_atomic, write_bytes_new, writing_new
from engine.steps.editing import annotate
from tui.desk.desk import Desk
from tui.desk.overview import overview
from tui.output import print_json
from tui.words import visible

WHO = Who("A. Example", NOW)
posix = pytest.mark.skipif(sys.platform == "win32", reason="links, pipes and modes of POSIX")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session of four stations with a journal that knows it from its first line."""
    folder = tmp_path_factory.mktemp("made") / "session"
    make_session(folder, 4)
    note(folder, 1, "first")
    return folder


@pytest.fixture
def session(made: Path, tmp_path: Path) -> Path:
    folder = tmp_path / "session"
    shutil.copytree(made, folder)
    return folder


def note(folder: Path, station: int, text: str) -> None:
    commit(folder, annotate(open_session(folder), station, text), WHO)


def edit(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def found(folder: Path, code: str, status: int = 0) -> list[str]:
    items = answer("check", folder, status=status)["findings"]
    return [item["message"] for item in items if item["code"] == code]


# ---- one rotten session harms nobody else --------------------------------------------------------


def test_every_row_of_the_list_stands_alone(session: Path, tmp_path: Path) -> None:
    for name in ("bad-journal", "bad-id", "cut", "pipe"):
        shutil.copytree(session, tmp_path / "all" / name)
    shutil.copytree(session, tmp_path / "all" / "good")
    edit(tmp_path / "all/bad-journal/journal.jsonl", '"before"', '"befor"')
    edit(tmp_path / "all/bad-id/session.yaml", "id: 2", "id: nan")
    (tmp_path / "all/cut/session.yaml").write_text("name: [", encoding="utf-8")
    rows = {row.folder.name: row for row in overview(tmp_path / "all", NOW)}
    assert rows["good"].problem == ""
    assert rows["bad-journal"].problem == ""
    assert "stations[2].id" in rows["bad-id"].problem
    assert "not valid YAML" in rows["cut"].problem


def test_a_batch_says_of_every_session_what_there_is_to_say(session: Path, tmp_path: Path) -> None:
    bad = tmp_path / "bad"
    shutil.copytree(session, bad)
    edit(bad / "session.yaml", "format: 1", "format: x")
    run = stationbook("check", bad, session, "--jobs", "1", "--json")
    first, second = map(json.loads, run.stdout.splitlines())
    assert "format" in first["error"]
    assert second["findings"]
    assert run.returncode == 2


def test_the_journal_restores_a_damaged_session_and_the_file_is_kept(session: Path) -> None:
    whole = (session / "session.yaml").read_bytes()
    edit(session / "session.yaml", "id: 3", "id: nan")
    damaged = (session / "session.yaml").read_bytes()
    shown = answer("doctor", session, status=1)
    assert shown["difference"] == ["station 3: to be stored only"]
    assert shown["restored"] is False
    assert (session / "session.yaml").read_bytes() == damaged
    done = answer("doctor", session, "--rebuild")
    assert (session / "session.yaml").read_bytes() == whole
    assert (session / done["kept"]).read_bytes() == damaged


def test_a_session_file_that_is_gone_is_restored(session: Path) -> None:
    whole = (session / "session.yaml").read_bytes()
    (session / "session.yaml").unlink()
    answer("doctor", session, "--rebuild")
    assert (session / "session.yaml").read_bytes() == whole
    (session / "session.yaml").write_bytes(b"")
    assert "doctor" in stationbook("check", session).stderr  # whoever opens it is told of that
    answer("doctor", session, "--rebuild")
    assert (session / "session.yaml").read_bytes() == whole


def test_what_could_not_be_read_is_kept_when_the_rest_is_stored(session: Path) -> None:
    edit(session / "session.yaml", "id: 3", "id: nan")
    damaged = (session / "session.yaml").read_bytes()
    opened = open_session(session)
    assert [s.id for s in opened.stations] == [1, 2, 4]
    note(session, 1, "goes on")
    assert (session / "session-001.yaml").read_bytes() == damaged
    assert open_session(session).damaged == ()


# ---- what is acknowledged stays ------------------------------------------------------------------


def test_what_another_hand_stored_meanwhile_is_not_replaced(session: Path) -> None:
    mine = open_session(session)
    note(session, 2, "theirs")
    theirs = (session / "session.yaml").read_bytes()
    with pytest.raises(ChangedError, match=r"station 2, note: theirs in the file") as refusal:
        commit(session, annotate(mine, 3, "mine"), WHO)
    assert any("station 3, note" in clause for clause in refusal.value.apart)
    assert (session / "session.yaml").read_bytes() == theirs


def test_the_screen_takes_the_lock_again_and_offers_what_stands_in_the_file(session: Path) -> None:
    desk = Desk(session)
    desk.open()
    (session / ".lock").unlink()
    with writing(session):
        note(session, 2, "theirs")
    with pytest.raises(ChangedError, match="theirs"):
        desk.do("note", annotate, 3, "mine")
    desk.do("note", annotate, 3, "mine")
    desk.close()
    stored = open_session(session)
    assert (stored.existing(2).note, stored.existing(3).note) == ("theirs", "mine")


def test_it_is_not_said_that_it_cannot_be_written_when_it_is_stored(
    session: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened = open_session(session)
    real, renamed = os.fsync, []
    monkeypatch.setattr(store.os, "replace", lambda a, b: (renamed.append(b), os.rename(a, b)))

    def failing(number: int) -> None:
        if renamed:
            raise OSError(5, "Input/output error")
        real(number)

    monkeypatch.setattr(store.os, "fsync", failing)
    with pytest.raises(StoredError, match="it is stored, but") as said:
        commit(session, annotate(opened, 2, "kept"), WHO)
    assert "cannot write" not in str(said.value)
    assert open_session(session).existing(2).note == "kept"


@pytest.mark.parametrize("name", ["session.yaml", "images/001.png", "result.yaml", "journal.jsonl"])
def test_no_output_replaces_a_file_of_a_session(session: Path, tmp_path: Path, name: str) -> None:
    answer("solve", session, status=0)
    before = {p: p.read_bytes() for p in session.rglob("*") if p.is_file() and p.name != ".lock"}
    words = ("export", session, "--as", "json", "--not-accepted", "--force")
    assert "file of the session" in refused(*words, "--out", session / name)
    link = tmp_path / "link.json"
    link.symlink_to(session / "session.yaml")
    assert "file of the session" in refused(*words, "--out", link)
    after = {p: p.read_bytes() for p in session.rglob("*") if p.is_file() and p.name != ".lock"}
    assert after == before


def test_a_foreign_file_is_replaced_only_with_force(session: Path, tmp_path: Path) -> None:
    answer("solve", session)
    out = tmp_path / "out.json"
    words = ("export", session, "--as", "json", "--not-accepted", "--out", out)
    assert stationbook(*words).returncode == 0
    assert stationbook(*words).returncode == 0  # this program wrote it
    out.write_text("mine", encoding="utf-8")
    assert "--force" in refused(*words)
    assert out.read_text(encoding="utf-8") == "mine"
    assert stationbook(*words, "--force").returncode == 0


def test_what_is_interrupted_leaves_nothing_under_its_name(tmp_path: Path) -> None:
    out = tmp_path / "whole.bin"

    def interrupted() -> None:
        with writing_new(out) as file:
            file.write(b"half")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert list(tmp_path.iterdir()) == []
    write_bytes_new(out, b"whole")
    with pytest.raises(FileError, match="exists"):
        write_bytes_new(out, b"other")
    assert out.read_bytes() == b"whole"


# ---- changes afterwards show ---------------------------------------------------------------------


def test_an_altered_pose_and_a_swapped_file_are_named(session: Path) -> None:
    assert altered(session) == []
    pose = open_session(session).existing(2).pose or ()
    changed = f"{float(pose[0]) + 0.1:.2f}"
    edit(session / "session.yaml", pose[0], changed)
    (said,) = found(session, "altered", status=1 if found(session, "reach") else 0)
    assert f"station 2, pose: {changed} in the file, {pose[0]} to be stored" in said


def test_added_deleted_and_altered_files_are_told_apart(tmp_path: Path) -> None:
    folder = tmp_path / "s"
    make_session(folder, 1)
    opened = open_session(folder)
    (folder / "session.yaml").unlink()
    new = {"images/001.png": b"one", "images/002.png": b"two"}
    commit(folder, Change("start", replace(opened, origin=None), files=new), WHO)
    note(folder, 1, "so that the first is surely finished")
    shutil.rmtree(folder / "points")
    assert altered(folder) == []
    (folder / "images/001.png").write_bytes(b"other")
    (folder / "images/002.png").unlink()
    (folder / "images/003.png").write_bytes(b"foreign")
    told = {(item.path, item.how) for item in altered(folder)}
    assert told == {
        ("images/001.png", "altered"),
        ("images/002.png", "deleted"),
        ("images/003.png", "added"),
    }


def test_points_of_a_folder_made_by_hand_are_no_foreign_files(tmp_path: Path) -> None:
    folder = tmp_path / "s"
    make_session(folder, 5)
    answer("solve", folder)
    assert (folder / "journal.jsonl").exists()
    assert altered(folder) == []


def test_an_edited_verdict_shows(session: Path) -> None:
    answer("solve", session)
    edit(session / "result.yaml", "accepted", "accepted ")
    assert ("result.yaml", "altered") in {(item.path, item.how) for item in altered(session)}


@pytest.mark.parametrize("change", ["alter", "delete", "insert"])
def test_a_journal_line_that_was_changed_breaks_the_chain(session: Path, change: str) -> None:
    for number in range(3):
        note(session, 2, f"note {number}")
    path = session / "journal.jsonl"
    lines = path.read_text(encoding="utf-8").splitlines()
    assert altered(session) == []
    if change == "alter":
        lines[1] = lines[1].replace("note 0", "note 9")
    elif change == "delete":
        del lines[1]
    else:
        lines.insert(1, json.dumps({**json.loads(lines[0]), "action": "never"}))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert "line" in {item.how for item in altered(session)}


def test_a_line_cut_off_by_a_power_cut_breaks_nothing(session: Path) -> None:
    with (session / "journal.jsonl").open("ab") as file:
        file.write(b'{"at": "2026-11-2')
    note(session, 2, "after the cut")
    assert altered(session) == []
    assert restored(session).content == (session / "session.yaml").read_bytes()


def test_a_signature_shows_what_was_signed_and_no_more(session: Path) -> None:
    pytest.importorskip("cryptography")
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    answer("solve", session)
    key = answer("sign", "--new-key")["key"]
    answer("sign", session)
    assert "a key that you do not know" in found(session, "signature")[0]
    answer("sign", "--trust", "line 2", key)
    assert "with the key of line 2" in found(session, "signature")[0]
    said = yaml.safe_load((session / "signature.yaml").read_text(encoding="utf-8"))
    message = f"stationbook result {said['result']} journal {said['journal']} at {said['at']}"
    public = Ed25519PublicKey.from_public_bytes(bytes.fromhex(key))
    public.verify(bytes.fromhex(said["signature"]), message.encode())  # raises where it is not
    edit(session / "result.yaml", "accepted", "accepted ")
    assert "not the one that was signed" in found(session, "signature")[0]


# ---- no file has power ---------------------------------------------------------------------------


@posix
@pytest.mark.parametrize(
    "name", ["images", "points", "session.yaml", "result.yaml", "journal.jsonl"]
)
def test_links_that_leave_the_folder_are_refused(session: Path, tmp_path: Path, name: str) -> None:
    answer("solve", session)
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "secret").write_text("root:x:0:0\n", encoding="utf-8")
    place = session / name
    if place.is_dir():
        shutil.rmtree(place)
    else:
        place.unlink(missing_ok=True)
    place.symlink_to(elsewhere if "." not in name else elsewhere / "secret")
    run = stationbook("report", session)
    if name == "images":  # nothing is read there yet; nothing is written there either
        opened = open_session(session)
        change = Change("record", with_new_station(opened), files={"images/009.png": b"x"})
        with pytest.raises(FileError, match="leads out of the folder"):
            commit(session, change, WHO)
    else:
        assert run.returncode == 2 or name == "points"  # the report says that they cannot be read
        pages = "".join(page.read_text(encoding="utf-8") for page in session.glob("*.html"))
        assert "root:x" not in run.stdout + run.stderr + pages
    assert [p.name for p in elsewhere.iterdir()] == ["secret"]
    assert (elsewhere / "secret").read_text(encoding="utf-8") == "root:x:0:0\n"


@posix
@pytest.mark.parametrize("name", ["session.yaml", "points/001.csv", ".lock", "journal.jsonl"])
def test_pipes_hold_nobody_up(session: Path, name: str) -> None:
    place = session / name
    place.unlink(missing_ok=True)
    os.mkfifo(place)
    holder(session)
    run = stationbook("check" if name != ".lock" else "solve", session)
    assert run.returncode == 2
    assert "not an ordinary file" in run.stderr


@posix
def test_a_device_is_refused_before_it_is_opened(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "open", lambda *_: pytest.fail("opened"))
    with pytest.raises(FileError, match="not an ordinary file"):
        read_bytes(Path("/dev/zero"))


def test_plots_take_no_settings_from_the_working_folder(session: Path, tmp_path: Path) -> None:
    answer("solve", session)
    proof = tmp_path / "ran"
    program = tmp_path / "latex"
    program.write_text(f"#!/bin/sh\ntouch {proof}\n", encoding="utf-8")
    program.chmod(0o755)
    (tmp_path / "matplotlibrc").write_text("text.usetex: true\nfont.size: 40\n", encoding="utf-8")
    environment = {
        **os.environ,
        "PATH": f"{tmp_path}:{os.environ['PATH']}",
        "MPLBACKEND": "module://x",
    }
    run = subprocess.run(
        [str(STATIONBOOK), "report", str(session)],
        cwd=tmp_path, env=environment, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert run.returncode == 0, run.stderr
    assert not proof.exists()
    (session / "report.html").rename(tmp_path / "with.html")
    answer("report", session)
    sizes = [(p / n).stat().st_size for p, n in ((tmp_path, "with.html"), (session, "report.html"))]
    assert abs(sizes[0] - sizes[1]) < 2000  # times differ, figures do not


def test_the_image_library_takes_no_settings_from_the_environment(
    session: Path, tmp_path: Path
) -> None:
    place = tmp_path / "place"
    place.mkdir()
    told = {"OPENCV_TRACE": "1", "OPENCV_TRACE_LOCATION": "t", "OPENCV_DUMP_CONFIG": "1"}
    run = subprocess.run(
        [str(STATIONBOOK), "check", str(session)],
        cwd=place, env={**os.environ, **told}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert run.returncode in (0, 1), run.stderr
    assert list(place.iterdir()) == []
    assert "OpenCV" not in run.stdout + run.stderr


def test_control_characters_are_shown_in_text_and_json() -> None:
    code = "a\x1b[2Jb\x9bc\u202ed"
    run = stationbook("explain", code)
    assert r"a\x1b[2Jb\x9bc\u202ed" in run.stderr
    said = stationbook("explain", code, "--json").stdout
    assert visible(said) == said
    assert "no finding" in json.loads(said)["error"]


def test_json_stays_json_where_a_text_holds_direction_marks(
    capsys: pytest.CaptureFixture[str],
) -> None:
    print_json({"name": "a\x9bb\u202ec\x7f"})
    said = capsys.readouterr().out
    assert visible(said) == said
    assert json.loads(said) == {"name": "a\x9bb\u202ec\x7f"}


@posix
def test_modes_of_files_are_kept_and_secrets_are_private(session: Path, tmp_path: Path) -> None:
    path = session / "session.yaml"
    path.chmod(0o640)
    note(session, 1, "again")
    assert stat.S_IMODE(path.stat().st_mode) == 0o640
    write_bytes_atomic(tmp_path / "secret", b"x", store.PRIVATE)
    assert stat.S_IMODE((tmp_path / "secret").stat().st_mode) == 0o600
    store.make_folder(store.config_folder())
    open_to_all = store.config_folder() / "settings.yaml"
    open_to_all.write_text("{}", encoding="utf-8")
    open_to_all.chmod(0o644)
    problems = answer("doctor", status=1)["problems"]
    assert any("settings.yaml can be read or changed by others" in said for said in problems)


# ---- libraries and streams -----------------------------------------------------------------------


@posix
@pytest.mark.parametrize("how", [">/dev/full", ">&-", "2>&-", ">/dev/full 2>/dev/full"])
def test_an_answer_that_cannot_be_printed_is_no_internal_error(session: Path, how: str) -> None:
    run = subprocess.run(
        ["sh", "-c", f"'{STATIONBOOK}' edit '{session}' --station 2 --note kept {how}"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert run.returncode in (0, 2)
    assert "Traceback" not in run.stderr
    assert "internal" not in run.stderr
    assert open_session(session).existing(2).note == "kept"
    assert len(read_journal(session)) == 2
