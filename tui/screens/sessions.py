"""The first screen without a command: the sessions of a folder."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import Screen

from engine.errors import StationbookError

from ..desk.desk import Desk, now
from ..desk.overview import SessionRow, overview, session_folders
from ..desk.recheck import LastRecheck, last_rechecks
from ..desk.views import Title
from ..widgets.head import TitleLine
from ..widgets.key_line import KeyLine
from ..widgets.session_list import SessionList
from .ask import Ask, Paragraph, required
from .jobs import begin_job, in_background

DEMO_SEED = 7  # the same noise every time, as on the command line
AGAIN = "recheck-"  # in the name of a folder, before the name of what is rechecked
DAY = re.compile(rf"^\d{{4}}-\d\d-\d\d-({AGAIN})?")  # what such a name begins with
EMPTY = (
    "No session here yet. d shows the whole job on a simulated cell; n starts a session for a cell "
    "that is described; c describes a new cell."
)


class Sessions(Screen[None]):
    """All sessions of one folder; open one, start one, or see the demo."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "open", "open", id="sessions.open", tooltip="Open the chosen session"),
        Binding("f", "follow", "follow", id="sessions.follow", tooltip="Watch it, read-only"),
        Binding("n", "new", "new session", id="sessions.new", tooltip="Start one for a cell file"),
        Binding("m", "recheck", "recheck", id="sessions.recheck",
                tooltip="New session of the chosen one's cell: did its camera move since?"),
        Binding("c", "cell", "new cell", id="sessions.cell", tooltip="Describe a new cell"),
        Binding("d", "demo", "demo", id="sessions.demo", tooltip="The job on a simulated cell"),
        Binding("q", "leave", "leave", id="sessions.leave", tooltip="Leave the program"),
        Binding("r", "read", "read again", id="sessions.read", tooltip="Read the folder again"),
    ]  # fmt: skip

    def __init__(self, folder: Path) -> None:
        super().__init__()
        self.folder = folder
        self.rechecks: dict[str, LastRecheck] = {}
        self.starting = False

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
        self._show(rows)
        self.query_one(TitleLine).show(Title(f"Sessions in {self.folder}", f"{len(rows)}"))
        self.rechecks = await in_background(last_rechecks, [row.folder for row in rows])
        self._show(rows)
        self.refresh_bindings()

    def _show(self, rows: list[SessionRow]) -> None:
        said = {name: last.short for name, last in self.rechecks.items()}
        self.sessions.show_items([row.rechecked(said.get(row.folder.name, "")) for row in rows])
        self.show_problem()

    def on_chooser_chosen(self) -> None:
        self.show_problem()
        self.refresh_bindings()

    def show_problem(self) -> None:
        """Say what is wrong with the chosen session, or what its last recheck said."""
        row, said = self.sessions.item, self.query_one("#said", Paragraph)
        last = self.rechecks.get(row.folder.name) if row else None
        if row is not None and row.problem:
            said.show(row.problem, "error")
        else:
            said.show(last.sentence if last else "", "dim")

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
            path = Path(cell.strip()).expanduser()
            begin_job(self, self._starting, start, path, group="start")

    def action_recheck(self) -> None:
        """Start a session of the same cell, with the stations to visit again as its plan."""
        if (row := self.sessions.item) and not self.starting:
            self.starting = True
            said = f"Choosing the stations of {row.name} to visit again ..."
            self.query_one("#said", Paragraph).show(said, "note")
            begin_job(self, self._starting, start_again, row.folder, group="start")

    async def _starting(self, begin: Callable[[Path, Path], Path], origin: Path) -> None:
        try:
            folder = await in_background(begin, origin, self.folder)
        except StationbookError as error:
            self.query_one("#said", Paragraph).show(str(error), "error")
            return
        finally:
            self.starting = False
        self._open(folder, follow=False)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer what the chosen session allows: a recheck only against one with a result."""
        row = self.sessions.item if self.is_mounted else None
        if action in ("open", "follow"):
            return row is not None
        return action != "recheck" or (row is not None and bool(row.result))

    def action_leave(self) -> None:
        self.app.exit()


def start(cell: Path, sessions: Path) -> Path:
    """Start a session for a cell in a new folder named after the day; returns the folder."""
    from engine.sessions.folder import create_session

    time = now()
    folder = _free(sessions, f"{time:%Y-%m-%d}-{cell.resolve().parent.name or cell.stem}")
    create_session(cell, folder, now=time)
    return folder


def start_again(against: Path, sessions: Path) -> Path:
    """Start a session that rechecks ``against``, in a new folder named after day and cell."""
    from engine.steps.recheck import start_again as begin

    time = now()
    cell = DAY.sub("", against.resolve().name) or "cell"
    folder = _free(sessions, f"{time:%Y-%m-%d}-{AGAIN}{cell}")
    begin(against, folder, now=time)
    return folder


def _free(sessions: Path, name: str) -> Path:
    """Return a folder that is not there yet: ``name``, or with a number."""
    free, number = sessions / name, 1
    while free.exists():
        number += 1
        free = sessions / f"{name}-{number}"
    return free
