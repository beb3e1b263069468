"""The first pictures: a session, or the demo, while everything behind them is being loaded."""

from __future__ import annotations

import gc
from collections.abc import Callable
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.screen import Screen

from engine.errors import BusyError
from engine.sessions.glance import read_glance

from ..clock import now
from ..desk.views import FieldView, Move, counts, first_choice, next_planned, rows
from ..widgets.line_edit import LineEdit, Prompt
from ..widgets.lists import StationList
from ..widgets.panels import (
    FieldsLine,
    FindingsView,
    KeyLine,
    NextMove,
)
from ..widgets.sheet import Paragraph
from .jobs import Confirm, Working, in_background

if TYPE_CHECKING:
    from .behind import Behind

WELCOME = """\
A camera stands over an infeed, and a robot holds a board of squares in front of it. \
Robot, pendant and camera are simulated on this machine; nothing can be hurt.

1  F4 drives the simulated robot to the next stop. The camera takes an image there.
2  Read the simulated pendant and type its numbers in one line: 612.4 -85.1 410 ...
3  Enter stores the station. Go on to the sixth stop.
4  F6 solves and shows the result.

At one stop you are asked to type a wrong digit, to see what the program makes of it."""


@cache
def load() -> type[Behind]:
    """Load everything behind the first picture: the one place where that happens.

    It takes about a second, once, and belongs in the background. What is loaded stays, so no
    garbage is looked for in it later.
    """
    from ..memory import hold_little

    hold_little()
    gc.collect()
    from .behind import Behind

    gc.freeze()
    return Behind


def leave(screen: Screen[None]) -> None:
    """Go back to where a screen was opened from, or leave the program."""
    if len(screen.app.screen_stack) > 1:
        screen.dismiss(None)
    else:
        screen.app.exit()


class EarlyLine(LineEdit):
    """Takes keys at once: none is on its way to it when the session is open and takes over."""

    def _forward_event(self, event: events.Event) -> None:
        if isinstance(event, events.Paste):
            self.paste(event.text)
        elif isinstance(event, events.Key) and event.is_printable and event.character is not None:
            self.insert(event.character)
        elif not (isinstance(event, events.Key) and self.edit(event.key)):
            super()._forward_event(event)


class Opening(Working[None]):
    """A session as a first look shows it. What is typed already goes on into the pose line.

    As soon as the session is open, `Stations` covers this screen.
    """

    AUTO_FOCUS = ""
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", "leave", id="opening.leave", tooltip="Leave this session"),
    ]

    def __init__(
        self, folder: Path, *, follow: bool = False, clock: Callable[[], datetime] = now
    ) -> None:
        """Raises FileError where the folder holds no session."""
        super().__init__()
        self.folder, self.follow, self.clock = folder, follow, clock
        self.glance = read_glance(folder, judged=False)
        self.line = EarlyLine(id="pose")

    def parts(self) -> ComposeResult:
        yield NextMove(id="move")
        yield StationList(empty="none recorded yet", id="list")
        with Horizontal(classes="line", id="pose-line"):
            yield Prompt()
            yield self.line
        yield FieldsLine([FieldView(label, "") for label in self.glance.labels], id="fields")
        yield FindingsView(id="findings")

    def on_mount(self) -> None:
        """Show the first look at once; open the session when that is on the screen."""
        glance = self.glance
        seen, _, _, left = counts(glance.stations, glance.plan)
        self.headed(glance.name, f"{seen} done" + (f", {left} left" if left else ""))
        self.query_one(NextMove).show(Move("The session is being opened ...", ""))
        listed = rows(glance.stations, glance.plan, next_planned(glance.plan))
        self.query_one(StationList).show(listed, glance.labels, first_choice(listed))
        self.line.set_prompt("Pose")
        for part in ("#pose-line", "#fields"):
            self.query_one(part).display = not self.follow
        self.set_focus(self.query_one(StationList) if self.follow else self.line)
        self.call_after_refresh(lambda: self.jobs.begin(self._open, group="open"))

    def _forward_event(self, event: events.Event) -> None:
        """Give the line what is typed before it has the keys."""
        if (
            self.focused is None
            and not self.follow
            and isinstance(event, events.Key | events.Paste)
        ):
            self.line._forward_event(event)
        else:
            super()._forward_event(event)

    async def _open(self) -> None:
        behind = await in_background(load)
        desk = behind.desk(self.folder, follow=self.follow, clock=self.clock)
        try:
            await in_background(desk.open)
            gc.collect()
        except BusyError as error:
            text = f"{error.problem}.\n\nFollow it read-only?"
            self.app.push_screen(Confirm("Somebody else is recording here", text), self._follow)
            return
        stations = behind.stations(desk, self.line.value)
        self.app.push_screen(stations, lambda _: self.action_leave())

    def _follow(self, follow: bool | None) -> None:
        if not follow:
            self.action_leave()
            return
        self.follow = True
        self.jobs.begin(self._open, group="open")

    def tell(self, text: str, role: str) -> None:
        self.app.exit(return_code=2, message=f"stationbook: {text}")

    def on_line_edit_submitted(self) -> None:
        said = "The session is being opened; what is typed stays, and Enter stores it then."
        self.query_one(FindingsView).show((), message=[(said, "note")])

    def action_leave(self) -> None:
        leave(self)


class Welcome(Working[None]):
    """Says what the demo shows while the simulated cell is made ready."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "begin", "begin", id="welcome.begin", tooltip="Begin the demo"),
        Binding("q,escape", "leave", "leave", id="welcome.leave", tooltip="Leave the demo"),
    ]

    def __init__(
        self, folder: Path, seed: int, board: str = "chessboard", depth: bool = False
    ) -> None:
        super().__init__()
        self.folder, self.seed, self.board, self.depth = folder, seed, board, depth
        self.demo: Screen[None] | None = None

    def compose(self) -> ComposeResult:
        with Vertical(classes="page"):
            yield Paragraph("stationbook: the demo", "title")
            yield Paragraph("")
            yield Paragraph(WELCOME)
            yield Paragraph("")
            yield Paragraph("The simulated cell is being made ready ...", "note", id="said")
        yield KeyLine()

    def on_mount(self) -> None:
        self.call_after_refresh(lambda: self.jobs.begin(self._prepare, group="prepare"))

    async def _prepare(self) -> None:
        behind = await in_background(load)
        prepare = behind.simulated.prepare
        simulated = await in_background(prepare, self.folder, self.seed, self.board, self.depth)
        desk = behind.desk(self.folder)
        await in_background(desk.open)
        self.demo = behind.demo(desk, simulated)
        self.tell(f"Ready. Enter begins. The session lies in {self.folder}", "good")
        self.refresh_bindings()

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        return action != "begin" or self.demo is not None

    def action_begin(self) -> None:
        if self.demo is not None:
            self.app.push_screen(self.demo, lambda _: self.action_leave())

    def action_leave(self) -> None:
        leave(self)
