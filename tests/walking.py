"""Every screen × every key × many sizes, with resizes in between: nothing may raise."""

from __future__ import annotations

import string
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

from screen_bench import NOON, example, text
from textual.screen import Screen

from engine.findings import finding
from engine.steps.solve import Solved, solve_session
from tui.app import Stationbook
from tui.desk import records
from tui.desk.demo import Simulated
from tui.desk.desk import Desk
from tui.desk.entry import Entry
from tui.desk.practice import plant
from tui.desk.solution import Solution
from tui.screens.block import Block
from tui.screens.cells import Cells
from tui.screens.demo import Demo, DemoProof
from tui.screens.forms import CellEditor, Start
from tui.screens.help import Findings, Help
from tui.screens.images import Look
from tui.screens.jobs import Ask, Confirm
from tui.screens.menu import Menu
from tui.screens.opening import Opening, Welcome
from tui.screens.practice import Practice
from tui.screens.proof import Proof
from tui.screens.recheck import Recheck
from tui.screens.result import ChooseForm, Result
from tui.screens.sessions import Sessions
from tui.screens.stations import Stations
from tui.screens.steps import Page
from tui.screens.steps import Sheet as Filled
from tui.screens.tip import FindTip

SIZES = ((80, 24), (132, 43), (20, 5), (200, 60), (60, 20), (40, 12), (100, 30), (8, 3), (80, 60),
         (132, 10), (30, 40), (1, 1))  # fmt: skip
KEYS = (
    *("enter", "escape", "tab", "shift+tab", "up", "down", "left", "right", "home", "end"),
    *("pageup", "pagedown", "backspace", "delete", "space", "minus", "full_stop", "comma"),
    *("ctrl+c", "ctrl+u", "ctrl+w", "ctrl+k", *(f"f{n}" for n in range(1, 13))),
    *string.ascii_lowercase,
    *string.digits,
)


class Walk:
    """Makes each screen anew, as often as a key left it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.desk: Desk | None = None
        self.session = example(folder / "sessions" / "session", 6, source=True)
        example(folder / "sessions" / "other", 6)
        self.solved: Solved | None = None
        self.last: tuple[str, str, tuple[int, int]] | None = None  # the step that was begun last
        self.makers: dict[str, Callable[[], Screen[Any]]] = {
            "sessions": lambda: Sessions(folder / "sessions"),
            "stations": lambda: Stations(self.opened()),
            "following": lambda: Stations(self.opened(follow=True)),
            "start": lambda: Start(self.opened()),
            "new cell": CellEditor,
            "result": lambda: Result(self.opened(solved=True)),
            "form of export": ChooseForm,
            "proof": lambda: Proof(self.opened(solved=True)),
            "recheck": lambda: Recheck(self.opened()),
            "image": lambda: Look(self.opened(), Entry(), 2),
            "coverage": lambda: Look(self.opened(), Entry(), None, "coverage"),
            "sides": lambda: Look(self.opened(), Entry(), None, "sides"),
            "table": lambda: Block(self.opened(), "1 2 3 4 5 6\n7 8 9 1 2 3"),
            "help": lambda: Help(Sessions(folder)),
            "findings": lambda: Findings([finding("outlier", station=3, distance_mm=2.0,
                                                  angle_deg=0.1)]),
            "ask": lambda: Ask("A question", "Text of it", "value"),
            "confirm": lambda: Confirm("A question", "Text of it"),
            "menu": lambda: Menu(Stations(self.opened())),
            "page": lambda: Page("Lens", lambda: ["a line"] * 30, 0.05),
            "practice": lambda: Practice(desk := self.opened(), plant(desk, "")),
            "opening": lambda: Opening(self.closed()),
            "welcome": lambda: Welcome(self._fresh("welcome"), 7),
            "demo": lambda: Demo(*self._demo()),
            "proof of the demo": lambda: DemoProof(self.opened(solved=True), self._demo()[1]),
            "tip": lambda: FindTip(self.opened(solved=True)),
            "cells": lambda: Cells(folder / "sessions"),
            "form of a step": lambda: Filled(desk := self.opened(), "Frame",
                                             records.frame_questions(desk), records.find_frame),
        }  # fmt: skip

    def opened(self, *, follow: bool = False, solved: bool = False) -> Desk:
        """Return the session, open; the one opened before is closed."""
        if self.desk is not None:
            self.desk.close()
        self.desk = Desk(self.session, follow=follow, clock=lambda: NOON)
        self.desk.open()
        if solved:
            self.solved = self.solved or solve_session(self.desk.opened(), self.session)
            self.desk.solution = Solution(self.desk.opened(), self.solved)
        return self.desk

    def closed(self) -> Path:
        """Return the session's folder, which nobody holds open."""
        if self.desk is not None:
            self.desk.close()
        return self.session

    def _fresh(self, name: str) -> Path:
        return self.folder / f"{name}-{sum(1 for _ in self.folder.glob(f'{name}-*'))}"

    def _demo(self) -> tuple[Desk, Simulated]:
        if self.desk is not None:
            self.desk.close()
        simulated = Simulated.prepare(folder := self._fresh("demo"), 7)
        self.desk = Desk(folder)
        self.desk.open()
        return self.desk, simulated

    def steps(self, every: int) -> Iterator[tuple[str, str, tuple[int, int]]]:
        """Yield screen, key and size: all of them, or each ``every``-th of the whole walk.

        Neighbours differ in key and size, so that a resize lies between any two keys.
        """
        count = 0
        for name in self.makers:
            for k in range(len(SIZES)):
                for column, key in enumerate(KEYS):
                    count += 1
                    if count % every == 0:
                        yield name, key, SIZES[(5 * column + k) % len(SIZES)]

    async def run(self, every: int, only: tuple[str, ...] = ()) -> int:
        """Walk and return the number of steps; what a screen raises ends it."""
        count = 0
        host: Screen[Any] = Screen()
        app = Stationbook(host)
        app.exit = lambda *_, **__: None  # type: ignore[method-assign]  # some key ends the program
        async with app.run_test(size=SIZES[0]) as pilot:
            there: Screen[Any] | None = None
            at = ""
            for name, key, size in self.steps(every):
                if only and name not in only:
                    continue
                self.last = name, key, size
                if name != at or there not in app.screen_stack:
                    while app.screen is not host:
                        await app.pop_screen()
                    there, at = self.makers[name](), name
                    await app.push_screen(there)
                elif app.screen is not there:
                    while app.screen is not there:
                        await app.pop_screen()
                if pilot.app.size != size:
                    await pilot.resize_terminal(*size)
                with suppress(AssertionError):
                    text(app)
                await pilot.press(key)
                count += 1
            if self.desk is not None:
                self.desk.close()
        return count
