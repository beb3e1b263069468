"""A wrong value, found, corrected by the command that asks for it, and kept in the journal."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from command import answer, refused
from made_session import make_session

from engine.cell.session import Session
from engine.sessions.folder import open_session, session_text


def changed(folder: Path, station: int, field: int, text: str) -> str:
    """Write another text into one field of a stored session and return what was there."""
    session = open_session(folder)
    old = session.station(station)
    assert old is not None
    assert old.pose is not None
    fields = list(old.pose)
    before, fields[field] = fields[field], text
    new = session.with_station(replace(old, pose=tuple(fields)))
    (folder / "session.yaml").write_text(session_text(new), encoding="utf-8")
    return before


@pytest.fixture
def wrong(tmp_path: Path) -> tuple[Path, str]:
    """Make a session of ten stations with Y of station 7 lacking its minus, or having one."""
    folder = tmp_path / "session"
    make_session(folder, 10)
    session = open_session(folder)
    station = session.station(7)
    assert station is not None
    assert station.pose is not None
    y = station.pose[1]
    changed(folder, 7, 1, y.removeprefix("-") if y.startswith("-") else f"-{y}")
    return folder, y


def first(findings: list[dict[str, object]]) -> dict[str, object]:
    return next(item for item in findings if item["level"] in ("error", "warning"))


def test_solve_names_station_field_and_value(wrong: tuple[Path, str]) -> None:
    folder, meant = wrong
    solved = answer("solve", folder, "--no-write", status=1)
    said = first(solved["findings"])
    assert (said["code"], said["station"], said["field"]) == ("typed-value", 7, "Y")
    assert said["suggested"] == meant
    assert solved["verdict"] == "not-accepted"
    assert [s["id"] for s in solved["stations"] if not s["used"]] == [7]


def test_nothing_is_changed_unless_asked(wrong: tuple[Path, str]) -> None:
    folder, _ = wrong
    before = (folder / "session.yaml").read_bytes()
    answer("check", folder, status=1)
    assert (folder / "session.yaml").read_bytes() == before


def test_fix_applies_the_suggestion_and_the_journal_keeps_what_was_typed(
    wrong: tuple[Path, str],
) -> None:
    folder, meant = wrong
    session = open_session(folder)
    station = session.station(7)
    assert station is not None
    assert station.pose is not None
    typed = list(station.pose)
    fixed = answer("check", folder, "--fix", "typed-value", "--station", 7)
    assert not [item for item in fixed["findings"] if item["code"] == "typed-value"]
    after = open_session(folder).station(7)
    assert after is not None
    assert after.pose is not None
    assert after.pose[1] == meant
    lines = (folder / "journal.jsonl").read_text(encoding="utf-8").splitlines()
    kept = json.loads(lines[-1])
    assert kept["action"] == "correct"
    assert kept["replaced"] == typed


def test_a_finding_that_does_not_stand_cannot_be_fixed(wrong: tuple[Path, str]) -> None:
    folder, _ = wrong
    assert "typed-value" in refused("check", folder, "--fix", "typed-value", "--station", 3)
    assert "measure" in refused("check", folder, "--fix", "board-pitch").lower()


def test_station_without_fix_is_refused(wrong: tuple[Path, str]) -> None:
    assert "--fix" in refused("check", wrong[0], "--station", 3)


def stored(tmp_path: Path, count: int = 9) -> Path:
    folder = tmp_path / "session"
    make_session(folder, count)
    return folder


def rewritten(folder: Path, session: Session) -> None:
    (folder / "session.yaml").write_text(session_text(session), encoding="utf-8")


def test_exchanged_images_are_exchanged_back(tmp_path: Path) -> None:
    folder = stored(tmp_path)
    session = open_session(folder)
    second, fifth = (
        replace(session.stations[k], depth=f"depth/{k + 1}.png") for k in (1, 4)
    )  # named, but no camera of this cell measures depth
    session = session.with_station(second).with_station(fifth)
    wrong = session.with_station(replace(second, points=fifth.points, depth=fifth.depth))
    rewritten(folder, wrong.with_station(replace(fifth, points=second.points, depth=second.depth)))
    said = first(answer("check", folder, status=1)["findings"])
    assert (said["code"], said["stations"]) == ("pairing", [2, 5])
    fixed = answer("check", folder, "--fix", "pairing", "--station", 5)
    assert not [item for item in fixed["findings"] if item["level"] == "error"]
    assert open_session(folder).stations == session.stations


def test_images_in_any_order_are_given_their_poses(tmp_path: Path) -> None:
    folder = stored(tmp_path)
    session = open_session(folder)
    points = [s.points for s in session.stations]
    mixed = [replace(s, points=points[-1 - k]) for k, s in enumerate(session.stations)]
    rewritten(folder, replace(session, stations=tuple(mixed)))
    fixed = answer("check", folder, "--fix", "pairing")
    assert not [item for item in fixed["findings"] if item["level"] == "error"]
    assert open_session(folder).stations == session.stations


def test_shifted_images_are_paired_again(tmp_path: Path) -> None:
    folder = stored(tmp_path)
    session = open_session(folder)
    points = [s.points for s in session.stations]
    stations = [
        replace(station, points=points[k + 1]) for k, station in enumerate(session.stations[:-1])
    ]
    rewritten(folder, replace(session, stations=tuple(stations)))
    said = first(answer("check", folder, status=1)["findings"])
    assert said["code"] == "pairing"
    fixed = answer("check", folder, "--fix", "pairing")
    assert not [item for item in fixed["findings"] if item["level"] == "error"]
    after = open_session(folder).stations
    assert [s.points for s in after[1:]] == points[1:-1]
    assert not after[0].use


def test_shifted_images_around_a_station_set_aside(tmp_path: Path) -> None:
    folder = stored(tmp_path)
    session = open_session(folder)
    session = session.with_station(replace(session.stations[3], use=False))
    points = [s.points for s in session.stations]
    stations = [
        replace(station, points=points[k + 1]) for k, station in enumerate(session.stations[:-1])
    ]
    rewritten(folder, replace(session, stations=tuple(stations)))
    said = first(answer("check", folder, status=1)["findings"])
    assert (said["code"], said["stations"]) == ("pairing", [1, 2, 5, 6, 7])
    assert said["suggested"] == "2, 3, 6, 7, 8"
    fixed = answer("check", folder, "--fix", "pairing")
    assert not [item for item in fixed["findings"] if item["level"] == "error"]
    after = open_session(folder).stations
    assert [s.id for s in after if not s.use] == [1, 4, 5]
    assert all(s.points == points[s.id - 1] for s in after if s.use)


def test_nothing_that_follows_from_exchanged_images_is_told_beside_them(tmp_path: Path) -> None:
    folder = stored(tmp_path, 3)
    session = open_session(folder)
    points = [s.points for s in session.stations]
    mixed = [replace(s, points=points[-1 - k]) for k, s in enumerate(session.stations)]
    rewritten(folder, replace(session, stations=tuple(mixed)))
    told = answer("check", folder, status=1)["findings"]
    assert [item["code"] for item in told if item["level"] == "error"] == ["pairing"]


def test_the_convention_is_corrected_in_the_session(tmp_path: Path) -> None:
    folder = stored(tmp_path)
    session = open_session(folder)
    pendant = replace(session.cell.pendant, rotation="moving-xyz")
    rewritten(folder, replace(session, cell=replace(session.cell, pendant=pendant)))
    said = first(answer("check", folder, status=1)["findings"])
    assert (said["code"], said["suggested"]) == ("rotation-convention", "fixed-xyz")
    answer("check", folder, "--fix", "rotation-convention")
    assert open_session(folder).cell.pendant.rotation == "fixed-xyz"
