"""Solving from the recording screen: in the background, with progress, and stoppable."""

from __future__ import annotations

from collections.abc import Callable
from time import monotonic
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.timer import Timer

from engine.errors import StationbookError

from ..desk.advice import advise, predict
from ..desk.changes import fix
from ..desk.desk import Desk
from ..desk.solution import as_stored, solvable, solve
from .entry_pad import EntryPad
from .jobs import Jobs, in_background
from .recheck import Recheck
from .result import Result, Wish


class Solving:
    """Solves on a key and shows the result; solves quietly after every change of the stations."""

    KEYS: ClassVar[list[BindingType]] = [
        Binding("f6", "solve", "solve", id="solve.solve", tooltip="Solve; once more: stop it"),
        Binding("s", "solve", show=False, id="solve.again", tooltip="Solve; once more: stop it"),
        Binding("w", "result", "result", id="solve.result",
                tooltip="Show the last result; from there proof, report and export"),
        Binding("m", "recheck", "recheck", show=False, id="solve.recheck",
                tooltip="Did the camera move since an earlier session? Quick re-calibration"),
    ]  # fmt: skip

    def __init__(self, desk: Desk, jobs: Jobs, pad: EntryPad, show: Callable[[], None]) -> None:
        """``show`` shows the session again."""
        self.desk, self.jobs, self.pad, self.show = desk, jobs, pad, show
        self._ticking: Timer | None = None
        self._began = 0.0

    def solve(self) -> None:
        """Solve, or stop solving."""
        if self._ticking is not None:
            self.jobs.stop("solve")
            self._end_of_solving()
            self.jobs.tell("Solving stopped; nothing was stored.", "warning")
            return
        self._began = monotonic()
        self._ticking = self.jobs.node.set_interval(1.0, self._tick)
        self._tick()
        self.jobs.begin(self._solve, True, group="solve")

    def quietly(self) -> None:
        """Bring what is expected and proposed up to date, unless solving runs already."""
        if self._ticking is None:
            self.jobs.begin(self._solve, False, group="solve")

    async def _solve(self, asked: bool) -> None:
        """Solve, then propose what to do next; ``asked``: store and show the result."""
        session, folder = self.desk.opened(), self.desk.folder
        self.desk.trouble = ""
        try:
            if asked or solvable(session):
                solution = await in_background(solve, session, folder)
                if not asked:
                    solution = await in_background(as_stored, solution, folder)
                elif not self.desk.follow:
                    await in_background(self.desk.keep, solution)
                self.desk.solution = solution
                self.show()
            if asked:
                self._end_of_solving()
                self._show_result()
            self.desk.advice = await in_background(advise, session, folder, self.desk.solution)
            await in_background(predict, session, folder)
        except StationbookError as error:
            self.desk.trouble = str(error)
            if asked:
                self._end_of_solving()
                self.jobs.tell(str(error), "error")
        self.show()

    def _tick(self) -> None:
        self.jobs.tell(f"Solving, {monotonic() - self._began:.0f} s. F6 stops it.", "note")

    def _end_of_solving(self) -> None:
        if self._ticking is not None:
            self._ticking.stop()
            self._ticking = None
            self.pad.message = []
            self.pad.show_findings()

    def result(self) -> None:
        """Show the last result, or say that there is none."""
        if self.desk.solution is None:
            self.jobs.tell("Not solved yet: F6 solves.", "warning")
        else:
            self._show_result()

    def recheck(self) -> None:
        """Compare with an earlier session; after a quick re-calibration show its result."""
        if self._ticking is not None:
            self.jobs.tell("Solving still runs. F6 stops it.", "warning")
        else:
            self.jobs.ask(Recheck(self.desk), self._recalibrated)

    def _recalibrated(self, _: bool) -> None:
        """Show the result of a quick re-calibration; what was worked out before is stale."""
        self.quietly()
        self.show()
        self._show_result()

    def _show_result(self) -> None:
        self.jobs.ask(Result(self.desk), self._wished)

    def _wished(self, wish: Wish) -> None:
        """Do what was wished on the result screen."""
        if wish == "solve":
            self.solve()
        elif wish == "recheck":
            self.recheck()
        elif isinstance(wish, tuple):
            self.jobs.begin(self._apply, *wish, group="act")

    async def _apply(self, code: str, station: int | None) -> None:
        """Apply what a finding suggests and solve again."""
        said = await in_background(fix, self.desk, code, station)
        self.show()
        self.jobs.tell(f"Corrected: {said}. F7 takes it back.", "good")
        self.solve()
