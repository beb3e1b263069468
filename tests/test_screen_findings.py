"""Findings under the pose line: all are named, and one key shows all of them whole."""

from __future__ import annotations

from pathlib import Path

import pytest
from screen_bench import EXAMPLE, app_for, example, on_screen, opened, text, type_line, until

from engine.findings import Finding, Level, finding
from engine.sessions.folder import open_session
from engine.steps.correcting import BY_HAND, FIXABLE
from tui.screens.help import Findings, Help
from tui.screens.jobs import Confirm
from tui.screens.result import Result
from tui.widgets.looks import Looks, Terminal, line_text
from tui.widgets.panels import FindingsView, _as_room_allows
from tui.words import headline, remedy

WRAP = Looks(Terminal()).wrap
REACH = finding("reach", detail="the nearest pose it reaches is 1144.8 mm and 17.7° away")
MISSING = finding("board-missing", "no-image")


@pytest.mark.parametrize("room", [2, 3, 4, 5, 9])
def test_every_finding_is_named_before_any_remedy_takes_the_room(room: int) -> None:
    parts = []
    for item in (REACH, MISSING):
        parts += [headline(item, WRAP, 80, False), remedy(item, WRAP, 80)]
    assert len(parts[0]) == 2
    shown = _as_room_allows(parts, room, 80, whole=False)
    assert max(len(line_text(line)) for part in shown for line in part) <= 80
    assert sum(map(len, shown)) <= room
    said = "\n".join(line_text(line) for part in shown for line in part)
    assert "ERROR reach" in said
    assert "WARNING board-missing" in said
    if room >= 5:
        assert REACH.remedy.split()[0] in said


def test_a_suggestion_is_shown_whole_before_what_follows_from_it() -> None:
    slip = finding("lost-point", field="RotationAboutZ", typed="12345678", suggested="123.45678")
    parts = []
    for item in (slip, REACH, MISSING):
        parts += [headline(item, WRAP, 50, False), remedy(item, WRAP, 50)]
    assert len(parts[0]) > 1
    room = len(parts[0])
    shown = _as_room_allows(parts, room, 50, whole=True)
    said = " ".join(line_text(line) for line in shown[0])
    assert said.endswith("→ 123.45678?")
    assert len(shown[0]) == room


@on_screen
async def test_the_key_that_the_hint_names_shows_every_finding_with_its_remedy(
    tmp_path: Path,
) -> None:
    app = app_for(example(tmp_path / "session", 5))
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await opened(pilot)
        await type_line(pilot, "1900.00 0.00 300.00 180.000 0.000 0.000")
        await until(pilot, "ERROR reach", "WARNING board-missing", "more lines: F9")
        findings = screen.pad.entry.findings
        assert len(findings) > 1
        await pilot.press("f9")
        await pilot.pause()
        assert isinstance(app.screen, Findings)
        shown = " ".join(text(app).split())
        for item in findings:
            assert item.message in shown
            assert item.remedy in shown
        await pilot.press("f9")
        await pilot.pause()
        assert isinstance(app.screen, Help)
        await pilot.press("escape")
        await pilot.pause()
        assert screen.pad.pose.has_focus
        assert screen.pad.pose.value == "1900.00 0.00 300.00 180.000 0.000 0.000"


@on_screen
async def test_findings_that_find_no_room_at_all_are_named_in_the_hint(tmp_path: Path) -> None:
    app = app_for(example(tmp_path / "session", 5))
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await opened(pilot)
        await pilot.press("escape", "c")
        await type_line(pilot, "1900.00 0.00 300.00 180.000 0.000 0.000")
        await until(pilot, "ERROR reach", "closing-elsewhere", "more lines: F9")
        codes = [item.code for item in screen.pad.entry.findings]
        assert len(codes) == 3
        assert all(code in text(app) for code in codes)


@on_screen
async def test_an_accepted_finding_is_said_to_be_and_its_remedy_is_left_out(
    tmp_path: Path,
) -> None:
    app = app_for(example(tmp_path / "session", 3))
    station = " ".join(open_session(EXAMPLE).stations[3].pose or ())
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await opened(pilot)
        await type_line(pilot, station)
        await until(pilot, "board-missing", "F2 accepts it")
        await pilot.press("f2")
        await until(pilot, "WARNING accepted board-missing")
        view = screen.query_one(FindingsView)
        assert view.findings[0].remedy not in " ".join(text(app).split())


@on_screen
async def test_every_correction_that_can_be_applied_has_its_key(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    wished: list[object] = []
    app = app_for(example(tmp_path / "session", 5))
    async with app.run_test(size=(80, 24)) as pilot:
        desk = (await opened(pilot)).desk
        for code in (*FIXABLE, *BY_HAND):
            item = Finding(code, Level.ERROR, "It is wrong.", "Put it right.", suggested="mm")
            monkeypatch.setattr(type(desk), "findings", property(lambda _, item=item: (item,)))
            app.push_screen(Result(desk), wished.append)
            await until(pilot, "F9 help")
            await pilot.press("a")
            await pilot.pause(0.1)
            if code in FIXABLE:
                assert isinstance(app.screen, Confirm), code
                await pilot.press("y")
                await pilot.pause(0.1)
                assert wished[-1] == (code, None)
            else:
                assert isinstance(app.screen, Result), code
                app.screen.dismiss("back")
                await pilot.pause(0.1)
