"""Solving from the recording screen: in the background, with progress, and stoppable."""

from __future__ import annotations

from time import monotonic
from typing import TYPE_CHECKING, ClassVar

from textual.binding import Binding
from textual.dom import DOMNode
from textual.timer import Timer

from engine.errors import StationbookError

from ..desk.entry import Entry
from ..desk.solution import solvable, solve
from .jobs import in_background

if TYPE_CHECKING:
    from ..desk.desk import Desk
    from .entry_pad import EntryPad
    from .result import Wish


class Solving(DOMNode):
    """Solves on a key and shows the result; solves quietly after every change of the stations."""

    SOLVING_KEYS: ClassVar[list[Binding]] = [
        Binding("f6", "solve", "solve", id="solve.solve", tooltip="Solve; once more: stop it"),
        Binding("s", "solve", show=False, id="solve.again", tooltip="Solve; once more: stop it"),
        Binding("w", "result", "result", id="solve.result", tooltip="Show the last result"),
    ]
    _ticking: Timer | None = None
    _began = 0.0

    if TYPE_CHECKING:
        desk: Desk

        @property
        def pad(self) -> EntryPad: ...

        def show_session(self, choose: int | None = None) -> None: ...

    def action_solve(self) -> None:
        """Solve, or stop solving."""
        if self._ticking is not None:
            self.workers.cancel_group(self, "solve")
            self._end_of_solving()
            self.pad.tell("Solving stopped; nothing was stored.", "warning")
            return
        self._began = monotonic()
        self._ticking = self.set_interval(1.0, self._tick)
        self._tick()
        self.run_worker(self._solve(show=True), group="solve", exclusive=True)

    def solve_quietly(self) -> None:
        """Bring the expected uncertainty up to date, unless the operator is solving already."""
        if self._ticking is None and solvable(self.desk.session):
            self.run_worker(self._solve(show=False), group="solve", exclusive=True)

    async def _solve(self, *, show: bool) -> None:
        try:
            solution = await in_background(solve, self.desk.opened(), self.desk.folder)
            if show and not self.desk.follow:
                await in_background(self.desk.keep, solution)
            self.desk.solution = solution
        except StationbookError as error:
            if show:
                self.pad.tell(str(error), "error")
        else:
            self.show_session()
            if show:
                self._show_result()
        finally:
            if show:
                self._end_of_solving()

    def _tick(self) -> None:
        self.pad.tell(f"Solving, {monotonic() - self._began:.0f} s. F6 stops it.", "note")

    def _end_of_solving(self) -> None:
        if self._ticking is not None:
            self._ticking.stop()
            self._ticking = None
            self.pad.message = []
            self.pad.show_findings()

    def action_result(self) -> None:
        """Show the last result, or say that there is none."""
        if self.desk.solution is None:
            self.pad.tell("Not solved yet: F6 solves.", "warning")
        else:
            self._show_result()

    def _show_result(self) -> None:
        from .result import Result

        self.app.push_screen(Result(self.desk), self._wished)

    def _wished(self, wish: Wish) -> None:
        """Do what was wished on the result screen."""
        if wish == "solve":
            self.action_solve()
        elif isinstance(wish, tuple):
            self.run_worker(self._apply(*wish), group="act")

    async def _apply(self, station: int, fields: tuple[str, ...]) -> None:
        """Correct a pose as suggested and solve again; ask where a check has something to say."""
        entry = Entry("correct", station, " ".join(fields))
        try:
            entry.draft = await in_background(self.desk.examine, entry)
            if entry.standing():
                self.pad.begin(entry)
                self.pad.check()
                return
            await in_background(self.desk.store, entry)
        except StationbookError as error:
            self.pad.tell(str(error), "error")
            return
        self.show_session()
        self.action_solve()
