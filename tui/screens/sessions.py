"""The first screen without a command: the sessions of a folder."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType

from engine.errors import StationbookError

from ..clock import now
from ..desk.overview import SessionRow, by_cell, changed, overview, session_folders
from ..widgets.lists import SessionList
from ..widgets.sheet import Paragraph
from .jobs import Ask, Confirm, Working, as_job, in_background, required
from .opening import Opening, Welcome, load

if TYPE_CHECKING:
    from ..desk.recheck import LastRecheck

DEMO_SEED = 7  # the same noise every time, as on the command line
LOOK_EVERY = 2.0  # s between looks for what others changed in the folder
EMPTY = (
    "No session here yet. d shows the whole job on a simulated cell; n starts a session for a cell "
    "that is described; c describes a new cell."
)


class Sessions(Working[None]):
    """All sessions of one folder; open one, start one, or see the demo."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "open", "open", id="sessions.open", tooltip="Open the chosen session"),
        Binding("f", "follow", "follow", id="sessions.follow", tooltip="Watch it, read-only"),
        Binding("n", "new", "new session", id="sessions.new", tooltip="Start one for a cell file"),
        Binding("m", "recheck", "recheck", id="sessions.recheck",
                tooltip="New session of the chosen one's cell: did its camera move since?"),
        Binding("v", "cells", "cells", id="sessions.cells",
                tooltip="Every cell at a glance: result, recheck, days left"),
        Binding("c", "cell", "new cell", id="sessions.cell", tooltip="Describe a new cell"),
        Binding("d", "demo", "demo", id="sessions.demo", tooltip="The job on a simulated cell"),
        Binding("q", "leave", "leave", id="sessions.leave", tooltip="Leave the program"),
        Binding("r", "read", "read again", id="sessions.read", tooltip="Read the folder again"),
    ]  # fmt: skip

    def __init__(self, folder: Path) -> None:
        super().__init__()
        self.folder = folder
        self.rechecks: dict[str, LastRecheck] = {}
        self.starting = self.reading = False
        self.stamps: list[tuple[Path, object]] = []  # what tells one state of the folder by

    def parts(self) -> ComposeResult:
        yield SessionList(empty=EMPTY, id="sessions")
        yield Paragraph("", "dim", id="said")

    @property
    def sessions(self) -> SessionList:
        return self.query_one("#sessions", SessionList)

    def on_mount(self) -> None:
        """Show the folders at once, and read what is in them behind the picture."""
        found = session_folders(self.folder)
        rows = [SessionRow(inside, inside.name, "", "dim", "", "", "") for inside in found]
        self.sessions.show_items(rows)
        self.headed(f"Sessions in {self.folder}", f"{len(rows)}")
        self.sessions.focus()
        self.set_interval(LOOK_EVERY, self._look)

    def _look(self) -> None:
        """Read again by itself when a session came, went or changed."""
        if self.app.screen is not self or self.reading or self._stamps() == self.stamps:
            return
        self.action_read()

    def _stamps(self) -> list[tuple[Path, object]]:
        return [(inside, changed(inside)) for inside in session_folders(self.folder)]

    def on_screen_resume(self) -> None:
        self.call_after_refresh(self.action_read)

    @as_job("read")
    async def action_read(self) -> None:
        self.reading = True
        try:
            self.stamps = await in_background(self._stamps)
            rows = await in_background(lambda: list(overview(self.folder, now())))
            self._show(rows)
            self.headed(f"Sessions in {self.folder}", f"{len(rows)}")
            behind = await in_background(load)
            self.rechecks = await in_background(behind.last_rechecks, [row.folder for row in rows])
            self._show(rows)
            self.refresh_bindings()
        finally:
            self.reading = False

    def _show(self, rows: list[SessionRow]) -> None:
        said = {name: last.short for name, last in self.rechecks.items()}
        before = self.sessions.item
        items = by_cell([row._replace(recheck=said.get(row.folder.name, "")) for row in rows])
        places = [item.folder for item in items]
        at = places.index(before.folder) if before and before.folder in places else None
        self.sessions.show_items(items, at)
        self.show_problem()

    def on_chooser_chosen(self) -> None:
        self.show_problem()
        self.refresh_bindings()

    def show_problem(self) -> None:
        row = self.sessions.item
        last = self.rechecks.get(row.folder.name) if row else None
        if row is not None and row.problem:
            self.tell(f"{row.folder.name}: {row.problem}", "error")
        elif row is not None:
            said = [f"Folder {row.folder.name}", row.unknown, last.sentence if last else ""]
            self.tell(". ".join(filter(None, said)), "dim")
        else:
            self.tell("", "dim")

    def _open(self, folder: Path, *, follow: bool) -> None:
        try:
            self.app.push_screen(Opening(folder, follow=follow))
        except StationbookError as error:
            self.tell(str(error), "error")

    def on_chooser_taken(self) -> None:
        self.action_open()

    def action_open(self) -> None:
        if row := self.sessions.item:
            self._open(row.folder, follow=False)

    def action_follow(self) -> None:
        if row := self.sessions.item:
            self._open(row.folder, follow=True)

    def action_new(self) -> None:
        ask = Ask("Start a session", "File of the cell (cell.yaml):", check=required)
        self.jobs.ask(ask, lambda text: self._start(Path(text.strip()).expanduser()))

    @as_job("start")
    async def action_cell(self) -> None:
        behind = await in_background(load)
        self.jobs.ask(behind.cell_editor(), self._start)

    @as_job("start")
    async def action_cells(self) -> None:
        """Show every cell at a glance; open the session that is chosen there."""
        behind = await in_background(load)
        cells = behind.cells(self.folder)
        self.jobs.ask(cells, lambda folder: self._open(Path(folder), follow=False))

    def action_demo(self) -> None:
        self.app.push_screen(Welcome(self.folder / f"demo-{now():%Y%m%d-%H%M%S}", DEMO_SEED))

    def action_recheck(self) -> None:
        row = self.sessions.item
        if row is None or self.starting:
            return
        folder, name = row.folder, row.name

        def begin(_: bool) -> None:
            self.starting = True
            self.tell(f"Choosing the stations of {name} to visit again ...", "note")
            self._start(folder, True)

        text = f"A new session beside it, with the stations of {folder.name} to visit again."
        self.jobs.ask(Confirm(f"Recheck {name}?", text), begin)

    @as_job("start")
    async def _start(self, origin: Path, again: bool = False) -> None:
        """Start a session for a cell, or ``again`` for that of an earlier session, and open it."""
        try:
            behind = await in_background(load)
            begin = behind.start_again if again else behind.start
            folder = await in_background(begin, origin, self.folder)
        finally:
            self.starting = False
        self._open(folder, follow=False)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer what the chosen session allows: a recheck only against one with a result."""
        row = self.sessions.item if self.is_mounted else None
        if action in ("open", "follow"):
            return row is not None
        return action != "recheck" or (row is not None and row.comparable)

    def action_leave(self) -> None:
        self.app.exit()
