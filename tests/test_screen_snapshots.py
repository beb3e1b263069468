"""Pictures of the screens at fixed sizes, in every kind of colour and sign.

After a change that is meant: look at the report that a failing run names, then
``pytest tests/test_screen_snapshots.py --snapshot-update``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from screen_bench import app_for, example, type_line
from textual.pilot import Pilot

import tui.screens.recheck as recheck_screen
import tui.screens.sessions as sessions_screen
from engine.cell.result import Placed, StationResult, StoredResult, Uncertainty
from engine.cell.touched import Pointer
from engine.findings import finding
from engine.proof.compare import Clearest, Movement
from engine.proof.conclusion import concluded
from engine.proof.recheck import Recheck as Answer
from engine.proof.touch import Touch, Touches, View
from engine.proof.touch_errors import PointError, Spread
from engine.steps.solve import Solved
from tui import result_text
from tui.app import Stationbook
from tui.desk.overview import SessionRow
from tui.desk.proof import Touching
from tui.desk.recheck import LastRecheck
from tui.desk.solution import Advice, Solution
from tui.desk.views import Title
from tui.screens.behind import Behind
from tui.screens.forms import CellEditor
from tui.screens.proof import Proof
from tui.screens.recheck import Recheck
from tui.screens.result import Result
from tui.screens.sessions import Sessions
from tui.screens.station_actions import Solving
from tui.screens.stations import Stations
from tui.widgets.lists import SessionList
from tui.widgets.looks import Terminal
from tui.widgets.panels import TitleLine

SMALL, LARGE = (80, 24), (132, 43)
TERMINALS = {
    "true": Terminal("true"),
    "16": Terminal("16"),
    "none": Terminal("none"),
    "ascii": Terminal("16", "ascii"),
}
TYPED = "602.35 265.49 349.60 -94.64 39.96 -165.60"
Compare = Callable[..., bool]


@pytest.fixture(autouse=True)
def same_everywhere(monkeypatch: pytest.MonkeyPatch) -> None:
    # Figures differ in the last digit between machines.
    monkeypatch.setattr(Solving, "quietly", lambda self: None)
    monkeypatch.setattr(result_text, "as_shown", lambda placed, cell: LABELS)
    monkeypatch.delenv("NO_COLOR", raising=False)


LABELS = ("1220.00", "-260.00", "880.00", "-129.17", "-0.01", "122.07")


def stated(**uncertainty: float) -> StoredResult:
    """Return a result with round figures."""
    rows = ((0.37, 0.59, -0.72, 1220.0), (0.93, -0.23, 0.29, -260.0), (0.0, -0.78, -0.63, 880.0))
    placed = Placed(
        (1220.0, -260.0, 880.0), (-0.75, -0.5, 0.25, 0.35), (*rows, (0.0, 0.0, 0.0, 1.0))
    )
    return StoredResult(
        mount="eye-to-hand",
        verdict="not-accepted",
        camera=placed,
        board=placed,
        uncertainty=Uncertainty(**uncertainty),
        proven=False,
        stations=tuple(
            StationResult(n, n != 4, 1.0, 0.05 * n, 0.02 * n, 0.001 * n) for n in range(1, 9)
        ),
        findings=(
            finding("typed-value", station=4, field="Y", typed="-85.10", suggested="-58.10"),
            finding("not-proven", least=4),
        ),
    )


def solution(screen: Stations) -> Solution:
    """Return a solution with round figures for the session on the screen."""
    found = stated(position_mm=0.2, angle_deg=0.012, work_volume_mm=0.15, pick_mm=0.31)
    solved = Solved(None, found, {})  # type: ignore[arg-type]
    return Solution(screen.desk.opened(), solved)


async def settled(pilot: Pilot[Any]) -> Stations:
    """Wait until the session is open, and give it figures that are the same everywhere."""
    while not isinstance(screen := pilot.app.screen, Stations):
        await pilot.pause(0.02)
    screen.desk.solution = solution(screen)
    screen.desk.advice = Advice(screen.desk.session, (), (), 0.62)
    screen.show_session()
    await pilot.pause(0.3)
    return screen


async def typed(pilot: Pilot[Any]) -> None:
    """Type a pose and wait for the checks."""
    screen = await settled(pilot)
    await type_line(pilot, TYPED)
    while screen.pad.entry.draft is None:
        await pilot.pause(0.02)
    await pilot.pause(0.3)


def terminal(kind: str, monkeypatch: pytest.MonkeyPatch) -> Terminal:
    """Return a kind of terminal, and make Textual leave colours out where there are none."""
    if kind == "none":
        monkeypatch.setenv("NO_COLOR", "1")
    return TERMINALS[kind]


@pytest.mark.parametrize("kind", TERMINALS)
@pytest.mark.parametrize("size", [SMALL, LARGE], ids=["80x24", "132x43"])
def test_recording(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    snap_compare: Compare,
    size: tuple[int, int],
    kind: str,
) -> None:
    app = app_for(example(tmp_path / "session", 5), terminal=terminal(kind, monkeypatch))
    assert snap_compare(app, terminal_size=size, run_before=typed)


@pytest.mark.parametrize("kind", ["true", "none", "ascii"])
def test_result(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, snap_compare: Compare, kind: str
) -> None:
    async def show(pilot: Pilot[Any]) -> None:
        screen = await settled(pilot)
        pilot.app.push_screen(Result(screen.desk))
        await pilot.pause(0.3)

    app = app_for(example(tmp_path / "session", 5), terminal=terminal(kind, monkeypatch))
    assert snap_compare(app, terminal_size=SMALL, run_before=show)


def touched(touching: Touching) -> None:
    """Give the proof touches with round figures."""
    cell = touching.desk.opened().cell
    pointer = Pointer((0.0, 0.0, 150.0), 0.1)
    touches = tuple(Touch(n, ("1.00",) * 6, 1, 10 * n, use=n != 2) for n in range(1, 6))
    shared = 0.03 * np.eye(3)  # U of everything together 0.6 mm
    errors = [
        PointError(
            n,
            f"1 {10 * n}",
            np.array([200.0 * n, 100.0 * (n % 2), 50.0 * n]),
            np.zeros(3),
            np.array([0.1, -0.2, 0.1 * n]),
            Spread(shared, *np.zeros((4, 3, 3))),
        )
        for n in (1, 3, 4, 5)
    ]
    errors[-1] = replace(errors[-1], error=np.array([0.0, 8.0, 0.0]))
    touching.found = Touches(pointer, (View(1, "points/proof-001.csv"),), touches)
    touching.proof = concluded(errors, cell, pointer)
    touching.stored = False


@pytest.mark.parametrize("kind", ["true", "none", "ascii"])
def test_proof(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, snap_compare: Compare, kind: str
) -> None:
    async def show(pilot: Pilot[Any]) -> None:
        screen = await settled(pilot)
        proof = Proof(screen.desk)
        await pilot.app.push_screen(proof)
        while not proof.touching.rows():
            await pilot.pause(0.02)
        await type_line(pilot, "87 612.40 -85.1")
        await pilot.pause(0.3)

    monkeypatch.setattr(Touching, "read", touched)
    app = app_for(example(tmp_path / "session", 5), terminal=terminal(kind, monkeypatch))
    assert snap_compare(app, terminal_size=SMALL, run_before=show)


def bumped() -> Answer:
    """Return the answer to a recheck after a bump, with round figures."""
    covariance = np.diag([1e-8] * 3 + [0.01] * 3)
    xi = np.array([0.003, 0.0, 0.0, 4.0, -1.0, 0.5])
    best = Clearest(np.array([6.8, 0.0, 0.0]), 0.31)
    moved = Movement("eye-to-hand", np.eye(4), xi, covariance, 6.8, 0.31, best)
    said = finding("camera-moved", "since", movement=moved.words(), work_volume_mm=6.8)
    assumed = finding("mount-assumed", position_mm=0.1, angle_deg=0.05)
    return Answer(True, "camera", moved, 0.9, 0.08, (1, 2, 3), (said, assumed))


@pytest.mark.parametrize("kind", ["true", "none", "ascii"])
def test_recheck(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, snap_compare: Compare, kind: str
) -> None:
    rows = [
        SessionRow(Path(day), f"bottling line 2, infeed, {day}", "accepted", "good", "8", "3 d",
                   "U 0.31 mm", recheck=said)
        for day, said in (("2026-11-22", "not moved"), ("2026-06-03", ""), ("2025-12-11", "MOVED"))
    ]  # fmt: skip

    async def show(pilot: Pilot[Any]) -> None:
        screen = await settled(pilot)
        await pilot.app.push_screen(Recheck(screen.desk))
        while not pilot.app.screen.query_one(SessionList).items:
            await pilot.pause(0.02)
        await pilot.press("enter")
        await pilot.pause(0.5)

    monkeypatch.setattr(recheck_screen, "earlier_sessions", lambda desk: rows)
    monkeypatch.setattr(recheck_screen, "compare", lambda desk, against: {"frame camera": bumped()})
    app = app_for(example(tmp_path / "session", 5), terminal=terminal(kind, monkeypatch))
    assert snap_compare(app, terminal_size=SMALL, run_before=show)


@pytest.mark.parametrize("kind", ["true", "none", "ascii"])
def test_sessions(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, snap_compare: Compare, kind: str
) -> None:
    rows = [
        SessionRow(tmp_path / "a", "bottling line 2, infeed, recheck 2026-11-25", "recording",
                   "note", "3, 2 left", "11:52", "", recheck="MOVED"),
        SessionRow(tmp_path / "b", "bottling line 2, infeed, 2026-06-03", "accepted", "good", "8",
                   "175 d", "U 0.31 mm", recheck="MOVED"),
        SessionRow(tmp_path / "c", "press 4", "damaged", "error", "", "9 months", "",
                   "c/session.yaml, line 3: not YAML."),
    ]  # fmt: skip
    last = LastRecheck("2026-11-25T11:52:00+01:00", "camera", True, "b")

    async def show(pilot: Pilot[Any]) -> None:
        await pilot.pause(0.5)
        await pilot.press("down")
        pilot.app.screen.query_one(TitleLine).show(Title("Sessions in sessions", "3"))
        await pilot.pause(0.2)

    monkeypatch.setattr(sessions_screen, "overview", lambda folder, now: rows)
    monkeypatch.setattr(
        Behind,
        "last_rechecks",
        staticmethod(lambda folders: {"a": last, "b": last._replace(against="a")}),
    )
    app = Stationbook(Sessions(tmp_path), terminal(kind, monkeypatch))
    assert snap_compare(app, terminal_size=SMALL, run_before=show)


def test_list_keys_and_details(tmp_path: Path, snap_compare: Compare) -> None:
    async def show(pilot: Pilot[Any]) -> None:
        await settled(pilot)
        await pilot.press("escape", "up")
        await pilot.pause(0.3)

    app = app_for(example(tmp_path / "session", 5))
    assert snap_compare(app, terminal_size=SMALL, run_before=show)


def test_help(tmp_path: Path, snap_compare: Compare) -> None:
    async def show(pilot: Pilot[Any]) -> None:
        await settled(pilot)
        await pilot.press("f9")
        await pilot.pause(0.3)

    app = app_for(example(tmp_path / "session", 5))
    assert snap_compare(app, terminal_size=SMALL, run_before=show)


def test_start_questions(tmp_path: Path, snap_compare: Compare) -> None:
    async def show(pilot: Pilot[Any]) -> None:
        while not pilot.app.query("Form") and not pilot.app.screen.query("Form"):
            await pilot.pause(0.05)
        await pilot.pause(0.3)

    folder = example(tmp_path / "session", 2)
    (folder / "journal.jsonl").unlink()
    assert snap_compare(app_for(folder), terminal_size=SMALL, run_before=show)


@pytest.mark.parametrize("kind", ["true", "ascii"])
def test_label_sets(
    monkeypatch: pytest.MonkeyPatch, snap_compare: Compare, tmp_path: Path, kind: str
) -> None:
    async def show(pilot: Pilot[Any]) -> None:
        editor = CellEditor()
        await pilot.app.push_screen(editor)
        editor.answers = {"name": "press 4", "mount": "frame", "robot": "none"}
        editor._before, editor.page, editor._choosing = [(0, False)], 3, True
        await editor._show()
        await pilot.pause(0.3)

    app = Stationbook(Sessions(tmp_path), terminal(kind, monkeypatch))
    assert snap_compare(app, terminal_size=SMALL, run_before=show)
