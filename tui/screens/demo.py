"""The demo: the whole job on a simulated cell, with a pendant to read and a camera that sees."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import Screen

from engine.errors import StationbookError

from ..desk.closing import first_station
from ..desk.demo import STOPS, Simulated
from ..desk.desk import Desk
from ..desk.views import Move
from ..widgets.head import NextMove
from ..widgets.key_line import KeyLine
from ..widgets.looks import Line
from ..widgets.sheet import Sheet
from .ask import Paragraph
from .entry_pad import EntryPad
from .jobs import begin_job, in_background
from .stations import Stations

if TYPE_CHECKING:
    from engine.plans.types import Step
    from engine.simulate.scenario import BoardName

WELCOME = """\
A camera stands over an infeed, and a robot holds a board of squares in front of it. \
Robot, pendant and camera are simulated on this machine; nothing can be hurt.

1  F4 drives the simulated robot to the next stop. The camera takes an image there.
2  Read the simulated pendant and type its numbers in one line: 612.4 -85.1 410 ...
3  Enter stores the station. Go on to the eighth stop.
4  F6 solves and shows the result.

At one stop you are asked to type a wrong digit, to see what the program makes of it."""


class PendantPanel(Sheet):
    """The simulated pendant: labels and values as a pendant shows them."""

    DEFAULT_CSS = "PendantPanel { height: 4; }"
    labels: Sequence[str] = ()
    fields: Sequence[str] = ()
    stop = 0

    def show(self, labels: Sequence[str], fields: Sequence[str], stop: int) -> None:
        """Show another pose."""
        self.labels, self.fields, self.stop = labels, fields, stop
        self.redraw()

    def draw(self, width: int, height: int) -> Sequence[Line]:
        """Return the pose in two columns."""
        lines: list[Line] = [[("Simulated pendant", "title"), (f"  {self._where()}", "dim")]]
        half = (len(self.fields) + 1) // 2
        cells = [
            f"{label:>3} {text:>9}" for label, text in zip(self.labels, self.fields, strict=False)
        ]
        for row in range(half):
            right = cells[row + half] if row + half < len(cells) else ""
            lines.append([(f"{cells[row]}   {right} ", "chosen")])
        return lines

    def _where(self) -> str:
        """Say at which stop the robot stands; more than asked for may be driven to."""
        if not self.stop:
            return "F4 drives"
        return f"stop {self.stop} of {STOPS}" if self.stop <= STOPS else f"stop {self.stop}"


class Demo(Stations):
    """The recording screen with a simulated robot, pendant and camera."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("f4", "drive", "drive on", id="demo.drive", tooltip="Drive to the next stop"),
    ]

    def __init__(self, desk: Desk, simulated: Simulated) -> None:
        super().__init__(desk)
        self.simulated = simulated

    def side(self) -> ComposeResult:
        """Yield the pendant above what the camera saw."""
        yield PendantPanel(id="pendant")
        yield from super().side()

    def on_mount(self) -> None:
        super().on_mount()
        self._show_pendant()

    async def ask_at_start(self) -> None:
        """Ask nothing: this cell is simulated."""

    def _show_pendant(self) -> None:
        simulated = self.simulated
        self.query_one(PendantPanel).show(self.desk.labels, simulated.fields, simulated.stop)

    def action_drive(self) -> None:
        """Drive the simulated robot to its next stop and let the camera take an image."""
        begin_job(self, self._drive, group="drive")

    async def _drive(self) -> None:
        self.pad.tell("The simulated robot moves ...", "note")
        try:
            if self.pad.entry.closing:
                await in_background(self.simulated.drive_back, first_station(self.desk))
            else:
                step = await self._next_step()
                await in_background(self.simulated.drive, step)
        except StationbookError as error:
            self.pad.tell(str(error), "warning")
            return
        self._show_pendant()
        self.show_move()
        self.pad.tell("Read the simulated pendant and type its numbers in one line.", "note")

    def show_move(self) -> None:
        """Show the next move, or the slip that is asked for at this stop."""
        super().show_move()
        asked = self.simulated.slip and not self.pad.entry.closing
        if asked and self.simulated.stop > len(self.desk.opened().stations):
            text = f"once, type {self.simulated.slip} by mistake, and see what happens."
            self.query_one(NextMove).show(Move(f"Station {self.simulated.stop}:", text))

    async def _next_step(self) -> Step | None:
        """Return the station that comes next, once it is proposed."""
        while self.desk.session is None:
            await asyncio.sleep(0.1)
        if not self.desk.session.stations:
            return None
        while (advice := self.desk.advice) is None or advice.session is not self.desk.session:
            await asyncio.sleep(0.1)
        at = self.desk.next_index
        proposed = None if at is None else self.desk.proposed(at)
        if proposed is None:
            raise StationbookError("no further stop is proposed", "F6 solves.")
        return advice.steps[proposed]

    def on_entry_pad_stored(self, message: EntryPad.Stored) -> None:
        super().on_entry_pad_stored(message)
        if self.simulated.stop < STOPS:
            self.pad.tell(f"Station {message.station} stored. F4 drives on.", "good")
        else:
            self.pad.tell("Eight stops are stored. F6 solves and shows the result.", "good")


class Welcome(Screen[None]):
    """Says what the demo shows while the simulated cell is made ready."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "begin", "begin", id="welcome.begin", tooltip="Begin the demo"),
        Binding("q,escape", "leave", "leave", id="welcome.leave", tooltip="Leave the demo"),
    ]

    def __init__(self, folder: Path, seed: int, board: BoardName = "chessboard") -> None:
        super().__init__()
        self.folder, self.seed, self.board = folder, seed, board
        self.simulated: Simulated | None = None

    def compose(self) -> ComposeResult:
        with Vertical(classes="page"):
            yield Paragraph("stationbook: the demo", "title")
            yield Paragraph("")
            yield Paragraph(WELCOME)
            yield Paragraph("")
            yield Paragraph("The simulated cell is being made ready ...", "note", id="said")
        yield KeyLine()

    def on_mount(self) -> None:
        self.call_after_refresh(lambda: begin_job(self, self._prepare, group="prepare"))

    async def _prepare(self) -> None:
        said = self.query_one("#said", Paragraph)
        try:
            self.simulated = await in_background(
                Simulated.prepare, self.folder, self.seed, self.board
            )
        except StationbookError as error:
            said.show(str(error), "error")
            return
        said.show(f"Ready. Enter begins. The session lies in {self.folder}", "good")
        self.refresh_bindings()

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Begin only when all is ready."""
        return action != "begin" or self.simulated is not None

    def action_begin(self) -> None:
        if self.simulated is not None:
            desk = Desk(self.folder)
            desk.look()
            self.app.push_screen(Demo(desk, self.simulated), lambda _: self.action_leave())

    def action_leave(self) -> None:
        if len(self.app.screen_stack) > 1:
            self.dismiss(None)
        else:
            self.app.exit()
