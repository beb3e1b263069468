"""The demo: the whole job on a simulated cell, with a pendant to read and a camera that sees."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import Screen

from engine.errors import StationbookError

from ..desk.demo import Simulated
from ..desk.desk import Desk
from ..widgets.key_line import KeyLine
from ..widgets.looks import Line
from ..widgets.sheet import Sheet
from ..widgets.view_panel import FactsPanel
from .ask import Paragraph
from .entry_pad import EntryPad
from .jobs import in_background
from .stations import Stations

WELCOME = """\
A camera stands over an infeed, and a robot holds a board of squares in front of it. \
Robot, pendant and camera are simulated on this machine; nothing can be hurt.

1  F4 drives the simulated robot to the next stop. The camera takes an image there.
2  Read the simulated pendant and type its numbers in one line: 612.4 -85.1 410 ...
3  Enter stores the station. Go on until no stop is left.
4  F6 solves and shows the result.

At one stop you are asked to type a wrong digit, to see what the program makes of it."""


class PendantPanel(Sheet):
    """The simulated pendant: labels and values as a pendant shows them."""

    DEFAULT_CSS = "PendantPanel { height: 6; }"
    labels: Sequence[str] = ()
    fields: Sequence[str] = ()
    hint = ""

    def show(self, labels: Sequence[str], fields: Sequence[str], hint: str) -> None:
        """Show another pose."""
        self.labels, self.fields, self.hint = labels, fields, hint
        self.redraw()

    def draw(self, width: int, height: int) -> Sequence[Line]:
        """Return the pose in two columns, and a hint."""
        lines: list[Line] = [[("Simulated pendant", "title"), ("  tool flange, base", "dim")]]
        half = (len(self.fields) + 1) // 2
        cells = [
            f"{label:>3} {text:>9}" for label, text in zip(self.labels, self.fields, strict=False)
        ]
        for row in range(half):
            right = cells[row + half] if row + half < len(cells) else ""
            lines.append([(f"{cells[row]}   {right}", "chosen")])
        return lines + [[(text, "note")] for text in self.looks.wrap(self.hint, width)]


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
        yield FactsPanel(id="facts")

    def on_mount(self) -> None:
        super().on_mount()
        self._show_pendant()

    def _show_pendant(self) -> None:
        simulated = self.simulated
        self.query_one(PendantPanel).show(self.desk.labels, simulated.fields, simulated.hint)

    def action_drive(self) -> None:
        """Drive the simulated robot to its next stop and let the camera take an image."""
        self.run_worker(self._drive(), group="drive", exclusive=True)

    async def _drive(self) -> None:
        self.pad.tell("The simulated robot moves ...", "note")
        try:
            await in_background(self.simulated.drive)
        except StationbookError as error:
            self.pad.tell(str(error), "warning")
            return
        self._show_pendant()
        self.pad.tell("Read the simulated pendant and type its numbers in one line.", "note")

    def on_entry_pad_stored(self, message: EntryPad.Stored) -> None:
        super().on_entry_pad_stored(message)
        if self.simulated.left:
            self.pad.tell(f"Station {message.station} stored. F4 drives to the next stop.", "good")
        else:
            self.pad.tell("The last stop is stored. F6 solves and shows the result.", "good")


class Welcome(Screen[None]):
    """Says what the demo shows while the simulated cell is made ready."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "begin", "begin", id="welcome.begin", tooltip="Begin the demo"),
        Binding("q,escape", "leave", "leave", id="welcome.leave", tooltip="Leave the demo"),
    ]

    def __init__(self, folder: Path, seed: int) -> None:
        super().__init__()
        self.folder, self.seed = folder, seed
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
        self.call_after_refresh(lambda: self.run_worker(self._prepare(), exclusive=True))

    async def _prepare(self) -> None:
        said = self.query_one("#said", Paragraph)
        try:
            self.simulated = await in_background(Simulated.prepare, self.folder, self.seed)
        except StationbookError as error:
            said.show(str(error), "error")
            return
        said.show(f"Ready, in {self.folder}. Enter begins.", "good")
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
