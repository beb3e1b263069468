"""Solving from the recording screen: in the background, with progress, and stoppable."""

from __future__ import annotations

from time import monotonic
from typing import TYPE_CHECKING, ClassVar

from textual.binding import Binding
from textual.dom import DOMNode
from textual.timer import Timer

from engine.errors import StationbookError

from ..desk.advice import advise, predict
from ..desk.changes import fix
from ..desk.solution import as_stored, solvable, solve
from .jobs import begin_job, in_background

if TYPE_CHECKING:
    from ..desk.desk import Desk
    from .entry_pad import EntryPad
    from .result import Wish


class Solving(DOMNode):
    """Solves on a key and shows the result; solves quietly after every change of the stations."""

    SOLVING_KEYS: ClassVar[list[Binding]] = [
        Binding("f6", "solve", "solve", id="solve.solve", tooltip="Solve; once more: stop it"),
        Binding("s", "solve", show=False, id="solve.again", tooltip="Solve; once more: stop it"),
        Binding("w", "result", "result", id="solve.result",
                tooltip="Show the last result; from there proof, report and export"),
        Binding("m", "recheck", "recheck", show=False, id="solve.recheck",
                tooltip="Did the camera move since an earlier session? Quick re-calibration"),
    ]  # fmt: skip
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
        begin_job(self, self._solve, show=True, group="solve")

    def solve_quietly(self) -> None:
        """Bring what is expected and proposed up to date, unless solving runs already."""
        if self._ticking is None and self.desk.session is not None:
            begin_job(self, self._solve, show=False, group="solve")

    async def _solve(self, *, show: bool) -> None:
        """Solve, then propose what to do next."""
        session, folder = self.desk.opened(), self.desk.folder
        self.desk.trouble = ""
        try:
            if show or solvable(session):
                solution = await in_background(solve, session, folder)
                if not show:
                    solution = await in_background(as_stored, solution, folder)
                elif not self.desk.follow:
                    await in_background(self.desk.keep, solution)
                self.desk.solution = solution
                self.show_session()
            if show:
                self._end_of_solving()
                self._show_result()
            self.desk.advice = await in_background(advise, session, folder, self.desk.solution)
            await in_background(predict, session, folder)
        except StationbookError as error:
            self.desk.trouble = str(error)
            if show:
                self._end_of_solving()
                self.pad.tell(str(error), "error")
        self.show_session()

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

    def action_recheck(self) -> None:
        """Compare with an earlier session; after a quick re-calibration show its result."""
        from .recheck import Recheck

        if self._ticking is not None:
            self.pad.tell("Solving still runs. F6 stops it.", "warning")
        elif self.desk.session is not None:
            self.app.push_screen(Recheck(self.desk), self._rechecked)

    def _rechecked(self, recalibrated: bool | None) -> None:
        """After a quick re-calibration, show its result; what was worked out before is stale."""
        if recalibrated:
            self.solve_quietly()
            self.show_session()
            self._show_result()

    def _show_result(self) -> None:
        from .result import Result

        self.app.push_screen(Result(self.desk), self._wished)

    def _wished(self, wish: Wish) -> None:
        """Do what was wished on the result screen."""
        if wish == "solve":
            self.action_solve()
        elif wish == "recheck":
            self.action_recheck()
        elif isinstance(wish, tuple):
            begin_job(self, self._apply, *wish, group="act")

    async def _apply(self, code: str, station: int | None) -> None:
        """Apply what a finding suggests and solve again."""
        try:
            said = await in_background(fix, self.desk, code, station)
        except StationbookError as error:
            self.pad.tell(str(error), "error")
            return
        self.show_session()
        self.pad.tell(f"Corrected: {said}. F7 takes it back.", "good")
        self.action_solve()
