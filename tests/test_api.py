"""The examples of docs/api.md run as they stand there, and the door stays as it is."""

from __future__ import annotations

import inspect
import re
from pathlib import Path
from typing import NamedTuple

import pytest
from later_session import make_later
from made_session import make_session

from engine import api
from engine.sessions.cell_file import cell_document
from engine.sessions.folder import open_session
from engine.sessions.yaml_text import yaml_dump

PAGE = Path(__file__).parent.parent / "docs" / "api.md"


class Stop(NamedTuple):
    """One stop as the page names it."""

    pose: str
    points: Path
    later_points: Path


def test_the_examples_of_the_page_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    make_session(tmp_path / "made", 8)
    make_later(tmp_path / "again", 8)  # at the same places
    monkeypatch.setenv("STATIONBOOK_CONFIG", str(tmp_path / "config"))
    work = tmp_path / "work"
    work.mkdir()
    session = open_session(tmp_path / "made")
    (work / "cell.yaml").write_text(yaml_dump(cell_document(session.cell)))
    monkeypatch.chdir(work)
    stops = [
        Stop(" ".join(s.pose or ()), tmp_path / "made" / str(s.points),
             tmp_path / "again" / str(s.points))
        for s in session.stations
    ]  # fmt: skip
    blocks = re.findall(r"```python\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    assert len(blocks) >= 6
    names = {"stops": stops}
    for block in blocks:
        exec(compile(block, str(PAGE), "exec"), names)
    said = capsys.readouterr().out
    assert "accepted" in said
    assert "there is no such folder" in said
    assert "\nstation;X;Y;Z" in str(names["table"])


def test_every_name_of_the_door_is_there_and_each_call_is_told_on_the_page() -> None:
    page = PAGE.read_text(encoding="utf-8")
    for name in api.__all__:
        thing = getattr(api, name)
        if inspect.isfunction(thing):
            assert f"api.{name}(" in page, name
            hints = inspect.signature(thing)
            assert hints.return_annotation is not inspect.Signature.empty
            assert thing.__doc__


def test_a_stop_takes_one_view(tmp_path: Path) -> None:
    make_session(tmp_path / "made", 2)
    points = tmp_path / "made" / "points" / "001.csv"
    with pytest.raises(api.StationbookError, match="several views"):
        api.add_station(tmp_path / "made", "1 2 3 4 5 6", points=points, board_pose="0 0 1 0 0 0 1")
