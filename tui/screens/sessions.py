"""The first screen without a command: the sessions of a folder."""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import Screen

from engine.errors import StationbookError

from ..desk.desk import Desk, now
from ..desk.overview import SessionRow, overview, session_folders
from ..desk.views import Title
from ..widgets.chooser import Chooser
from ..widgets.head import TitleLine
from ..widgets.key_line import KeyLine
from ..widgets.looks import Line
from .ask import Ask, Paragraph, required
from .jobs import begin_job, in_background

DEMO_SEED = 7  # the same noise every time, as on the command line
EMPTY = (
    "No session here yet. d shows the whole job on a simulated cell; n starts a session for a cell "
    "that is described; c describes a new cell."
)


class SessionList(Chooser[SessionRow]):
    """Name, state, stations, age and result of every session."""

    def headline(self, width: int) -> Line | None:
        """Return the names of the columns."""
        return [(self._row("session", "state", "stations", "changed", "result", width), "dim")]

    def row_line(self, item: SessionRow, width: int) -> Line:
        """Return one session."""
        text = self._row(item.name, item.state, item.done, item.age, item.result, width)
        name = max(width - 46, 10)
        state, rest = text[name : name + 10], text[name + 10 :]
        return [(text[:name], "text"), (state, item.role), (rest, "text")]

    def _row(self, name: str, state: str, done: str, age: str, result: str, width: int) -> str:
        room = max(width - 46, 10)
        return f"{name[: room - 1]:<{room}}{state:<10}{done:<12}{age:<10}{result:<14}"


class Sessions(Screen[None]):
    """All sessions of one folder; open one, start one, or see the demo."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "open", "open", id="sessions.open", tooltip="Open the chosen session"),
        Binding("f", "follow", "follow", id="sessions.follow", tooltip="Watch it, read-only"),
        Binding("n", "new", "new session", id="sessions.new", tooltip="Start one for a cell file"),
        Binding("c", "cell", "new cell", id="sessions.cell", tooltip="Describe a new cell"),
        Binding("d", "demo", "demo", id="sessions.demo", tooltip="The job on a simulated cell"),
        Binding("r", "read", "read again", id="sessions.read", tooltip="Read the folder again"),
        Binding("q", "leave", "leave", id="sessions.leave", tooltip="Leave the program"),
    ]

    def __init__(self, folder: Path) -> None:
        super().__init__()
        self.folder = folder

    def compose(self) -> ComposeResult:
        yield TitleLine(id="title")
        yield SessionList(empty=EMPTY, id="sessions")
        yield Paragraph("", "dim", id="said")
        yield KeyLine()

    @property
    def sessions(self) -> SessionList:
        return self.query_one("#sessions", SessionList)

    def on_mount(self) -> None:
        """Show the folders at once, and read what is in them behind the picture."""
        found = session_folders(self.folder)
        rows = [SessionRow(inside, inside.name, "", "dim", "", "", "") for inside in found]
        self.sessions.show_items(rows)
        self.query_one(TitleLine).show(Title(f"Sessions in {self.folder}", f"{len(rows)}"))
        self.sessions.focus()

    def on_screen_resume(self) -> None:
        """Read again what may have changed while another screen was open."""
        self.call_after_refresh(self.action_read)

    def action_read(self) -> None:
        begin_job(self, self._read, group="read")

    async def _read(self) -> None:
        rows = await in_background(lambda: list(overview(self.folder, now())))
        self.sessions.show_items(rows)
        self.query_one(TitleLine).show(Title(f"Sessions in {self.folder}", f"{len(rows)}"))
        self.show_problem()

    def on_chooser_chosen(self) -> None:
        self.show_problem()

    def show_problem(self) -> None:
        """Say what is wrong with the chosen session, if anything."""
        row = self.sessions.item
        self.query_one("#said", Paragraph).show(row.problem if row else "", "error")

    def _open(self, folder: Path, *, follow: bool) -> None:
        from .stations import Stations

        desk = Desk(folder, follow=follow)
        try:
            desk.look()
        except StationbookError as error:
            self.query_one("#said", Paragraph).show(str(error), "error")
            return
        self.app.push_screen(Stations(desk))

    def action_open(self) -> None:
        if row := self.sessions.item:
            self._open(row.folder, follow=False)

    def action_follow(self) -> None:
        if row := self.sessions.item:
            self._open(row.folder, follow=True)

    def action_new(self) -> None:
        """Ask for the cell file, then start a session beside the others."""
        self.app.push_screen(
            Ask("Start a session", "File of the cell (cell.yaml):", check=required), self._start
        )

    def action_cell(self) -> None:
        """Describe a new cell, then start a session for it."""
        from .cell_editor import CellEditor

        self.app.push_screen(CellEditor(), lambda path: self._start(str(path) if path else None))

    def action_demo(self) -> None:
        """Open the demo in a new folder beside the sessions."""
        from .demo import Welcome

        self.app.push_screen(Welcome(self.folder / f"demo-{now():%Y%m%d-%H%M%S}", DEMO_SEED))

    def _start(self, cell: str | None) -> None:
        if cell:
            begin_job(self, self._starting, Path(cell.strip()).expanduser(), group="start")

    async def _starting(self, cell: Path) -> None:
        try:
            folder = await in_background(start, cell, self.folder)
        except StationbookError as error:
            self.query_one("#said", Paragraph).show(str(error), "error")
            return
        self._open(folder, follow=False)

    def action_leave(self) -> None:
        self.app.exit()


def start(cell: Path, sessions: Path) -> Path:
    """Start a session for a cell in a new folder named after the day; returns the folder."""
    from engine.sessions.folder import create_session

    time = now()
    folder = sessions / f"{time:%Y-%m-%d}-{cell.resolve().parent.name or cell.stem}"
    free, number = folder, 1
    while free.exists():
        number += 1
        free = folder.with_name(f"{folder.name}-{number}")
    create_session(cell, free, now=time)
    return free
