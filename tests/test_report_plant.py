"""What a report carries for auditors: circumstances, budget, history, photographs, and many."""

from __future__ import annotations

import hashlib
import re
import shutil
from html.parser import HTMLParser
from pathlib import Path

import cv2
import numpy as np
import pytest
from command import answer, refused, stationbook
from later_session import make_later
from made_session import make_session, stops
from screen_bench import EXAMPLE

from engine.sessions.folder import open_session
from engine.sessions.results import read_result


class Page(HTMLParser):
    """The texts of a page, and where it leads."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.texts: list[str] = []
        self.sources: list[str] = []
        self.feed(text)

    def handle_data(self, data: str) -> None:
        if data.strip():
            self.texts.append(" ".join(data.split()))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.sources += [value or "" for name, value in attrs if name in ("src", "href")]


@pytest.fixture
def session(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("STATIONBOOK_CONFIG", str(tmp_path / "config"))
    shutil.copytree(EXAMPLE, tmp_path / "plant" / "session")
    return tmp_path / "plant" / "session"


def report(folder: Path, *words: object) -> tuple[str, Page]:
    run = stationbook("report", folder, *words)
    assert run.returncode in (0, 1), run.stderr
    text = (folder / "report.html").read_text(encoding="utf-8")
    return text, Page(text)


def photograph(path: Path, width: int = 1200) -> bytes:
    """Write a colour photograph as a telephone makes it, and return its content."""
    rng = np.random.default_rng(1)
    picture = rng.integers(0, 255, (width * 3 // 4, width, 3), np.uint8)
    cv2.imwrite(str(path), picture)
    return path.read_bytes()


def test_it_says_for_whom_with_what_and_what_u_is_made_of(session: Path) -> None:
    answer(
        "about", session, "--customer", "A. Example", "--place", "hall 3", "--temperature", "21,5",
        "--warm-up", "40", "--instrument", "pointer; 0815; 2026-01-31",
        "--instrument", "tape; 7; 2027-12-31",
    )  # fmt: skip
    text, page = report(session, "--paper", "letter")
    assert "@page { size: letter;" in text
    for text in ("A. Example", "hall 3", "21.5 °C", "the robot ran 40 min before", "0815",
                 "2027-12-31"):  # fmt: skip
        assert text in page.texts, text
    assert page.texts.count("OVERDUE then") == 1  # the session is of November 2026
    budget = read_result(session).budget
    assert budget is not None
    for part in budget.parts:
        assert part.name in page.texts
        assert f"{part.u_mm:.4f}" in page.texts
    total = sum(part.u_mm**2 for part in budget.parts) ** 0.5
    assert f"{total:.4f}" in page.texts


def test_a_photograph_stands_beside_what_was_typed(session: Path, tmp_path: Path) -> None:
    data = photograph(tmp_path / "pendant.JPG")
    answer("edit", session, "--station", "3", "--photo", tmp_path / "pendant.JPG")
    station = open_session(session).existing(3)
    assert station.photo == "photos/003.jpg"
    assert (session / "photos" / "003.jpg").read_bytes() == data
    digest = hashlib.sha256(data).hexdigest()
    assert digest in (session / "journal.jsonl").read_text().splitlines()[-1]
    _, page = report(session)
    assert "CHANGED" not in " ".join(page.texts)  # evidence changes no result
    at = next(n for n, text in enumerate(page.texts) if digest in text)
    assert station.pose is not None
    around = " ".join(page.texts[at - 4 : at])
    assert all(field in around for field in station.pose)
    assert all(source.startswith("data:") for source in page.sources)
    answer("edit", session, "--station", "3", "--photo", tmp_path / "pendant.JPG")
    assert open_session(session).existing(3).photo == "photos/003-2.jpg"


def test_a_photograph_is_recorded_with_its_station(tmp_path: Path) -> None:
    make_session(tmp_path / "s", 2)
    stop = stops(3)[0][2]
    (tmp_path / "points.csv").write_text(stop.points)
    words = ("record", tmp_path / "s", "--pose", " ".join(stop.pose), "--points",
             tmp_path / "points.csv", "--photo")  # fmt: skip
    (tmp_path / "no.jpg").write_bytes(b"no image")
    assert "readable image" in refused(*words, tmp_path / "no.jpg")
    assert len(open_session(tmp_path / "s").stations) == 2
    photograph(tmp_path / "yes.png", 300)
    stored = answer(*words, tmp_path / "yes.png")["station"]
    assert stored["photo"] == "photos/003.png"
    (tmp_path / "s" / "photos" / "003.png").write_bytes(b"")
    assert stationbook("check", tmp_path / "s").returncode in (0, 1)


def test_it_tells_the_history_of_the_cell(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STATIONBOOK_CONFIG", str(tmp_path / "config"))
    make_session(tmp_path / "first", 8)
    make_later(tmp_path / "later", 3)
    assert stationbook("solve", tmp_path / "first").returncode in (0, 1)
    answer("recheck", tmp_path / "later", "--against", tmp_path / "first")
    answer("event", tmp_path / "later", "--what", "lamp changed", "--on", "2026-11-26")
    _, page = report(tmp_path / "first")
    told = " ".join(page.texts)
    assert re.search(r"2026-11-2\d recheck later not moved, \d\.\d\d ± \d\.\d\d mm", told)
    assert "2026-11-26 event later lamp changed" in told


def test_several_sessions_stand_in_one_report(session: Path, tmp_path: Path) -> None:
    shutil.copytree(EXAMPLE, tmp_path / "plant" / "other")
    path = tmp_path / "plant" / "other" / "session.yaml"
    path.write_text(path.read_text().replace("name: bottling line 2, infeed", "name: line 9 <b>"))
    assert stationbook("solve", path.parent).returncode in (0, 1)
    out = tmp_path / "all.html"
    document = answer("report", session, path.parent, "--together", out, "--paper", "letter")
    assert document["verdicts"] == ["accepted", "accepted"]
    text = out.read_text(encoding="utf-8")
    page = Page(text)
    assert text.count("<!DOCTYPE html>") == 1
    assert sum(t == "Calibration record" for t in page.texts) == 2
    assert sum(t == "Signatures" for t in page.texts) == 2
    assert "line 9 <b>" in page.texts
    assert "size: letter" in text
    assert "nowhere" in refused("report", session, tmp_path / "nowhere", "--together", out)
