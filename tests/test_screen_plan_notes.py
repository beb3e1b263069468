"""What is to be known of a plan beside its stations, where the operator reads the next move."""

from __future__ import annotations

from pathlib import Path

import pytest
from made_session import make_session
from screen_bench import NOON, on_screen, store, text, until
from test_screen_parts import Bench

from engine.plans.plan import LEFT_OUT
from engine.sessions.folder import open_session
from tui.app import Stationbook
from tui.desk.views import Move
from tui.screens.opening import Opening
from tui.widgets.looks import line_text
from tui.widgets.panels import NextMove

NOTE = LEFT_OUT.format(stations="2 stations")
WIDE = "base Z +80 mm, turn +20° about base X, base Y −35 mm"


@on_screen
async def test_a_note_on_the_plan_stands_below_the_next_move_at_80_24(tmp_path: Path) -> None:
    """So it is where a pitch a quarter too large lets no pose be told."""
    folder = tmp_path / "session"
    make_session(folder, 5)
    store(folder, open_session(folder), answered=True)
    path = folder / "session.yaml"
    path.write_text(path.read_text().replace("pitch_mm: 20", "pitch_mm: 25"))
    app = Stationbook(Opening(folder, clock=lambda: NOON))
    async with app.run_test(size=(80, 24)) as pilot:
        shown = await until(pilot, "Station 6:", "turn", "no pose farther", seconds=60)
        words = " ".join(shown.split())
        at = words.index("The stations do not confirm yet how poses are read")
        assert words.index("Station 6:") < at < words.index("CAUTION")
        assert "anything. CAUTION" in words  # all of it
        assert app.screen.query_one("#list").size.height >= 4


@pytest.mark.parametrize(("height", "said"), [(9, "whole"), (6, "begun"), (4, "page")])
@on_screen
async def test_a_note_without_room_leaves_the_move_whole_and_is_on_the_page_of_all(
    height: int, said: str
) -> None:
    sheet = NextMove()
    sheet.styles.height = height
    sheet.data = Move("Station 7:", WIDE, "depth of view", notes=(NOTE,))
    async with Bench(sheet).run_test(size=(60, 24)) as pilot:
        sheet.brief = True
        lines = [line_text(line) for line in sheet.draw(*sheet.size)]
        shown = " ".join(" ".join(lines).split())
        assert WIDE in shown
        assert ("may be planned." in shown) is (said == "whole")
        assert ("Left out" in shown) is (said != "page")
        assert ("all: F9" in shown) is (said == "begun")
        assert sheet.cut is (said != "whole")
        assert text(pilot.app)
