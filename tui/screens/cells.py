"""Every cell of a folder at a glance: one row a cell, those to look at first on top."""

from __future__ import annotations

from pathlib import Path
from time import monotonic
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType

from engine.errors import StationbookError
from engine.plant.archive import session_folders, summaries
from engine.plant.cells import CellRow, Rating, rows
from engine.steps.archive import solved_again

from ..clock import now
from ..desk import plant
from ..widgets.lists import Chooser
from ..widgets.looks import Line
from ..widgets.sheet import Paragraph
from ..words import again_lines, duration, figure
from .jobs import Ask, Working, as_job, in_background, required

EVENTS = "In a word or two, such as: crash, camera swapped, robot mastered again, mount loosened."
SWAPS = "Type camera (a spare of the same type), board, or the name of a second cell."
EMPTY = "No session lies here. Sessions may lie in folders of folders, a cell in each."
ROLES = {Rating.IN_ORDER: "good", Rating.NO_RESULT: "dim", Rating.NOT_PROVEN: "text"}
HIDDEN = {"none": "no", "board": "no", "camera": "yes"}  # movements within U, by the cause told
WORDS = 30  # cells for the rating in words


def moved(row: CellRow) -> str:
    """Return how far the camera moved [mm]; a word where that lies within its U."""
    size = row.movement_mm
    if size is None or size > (row.movement_u_mm or 0.0):
        return figure(size, 2)
    return HIDDEN.get(row.recheck_cause or "", "?")


class CellList(Chooser[CellRow]):
    def headline(self, width: int) -> Line | None:
        columns = f"{'U mm':>6}{'of':>6}{'moved':>7}{'days':>6}  "
        return [(f"{'cell':<{self._room(width)}}{columns}rating", "dim")]

    def row_line(self, item: CellRow, width: int) -> Line:
        room = self._room(width)
        expanded, limit = (figure(size, 2) for size in (item.expanded_mm, item.tolerance_mm))
        numbers = f"{expanded:>6}{limit:>6}{moved(item):>7}"
        left = "" if item.days_left is None else f"{item.days_left:.0f}"
        role = "error" if item.alarm else ROLES.get(item.rating, "warning")
        return [
            (f"{self.looks.cut(item.cell, room - 1, 0):<{room}}{numbers}{left:>6}  ", "text"),
            (item.words, role),
        ]

    @staticmethod
    def _room(width: int) -> int:
        return max(width - 27 - WORDS, 16)


class Cells(Working[str | None]):
    """The answer is the folder of the session chosen by its cell, or None."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "open", "open", id="cells.open",
                tooltip="Open the session of the last result"),
        Binding("d", "drift", "drift", id="cells.drift",
                tooltip="Per week, the day the tolerance is reached, the interval"),
        Binding("e", "event", "event", id="cells.event",
                tooltip="Note what happened to the cell: crash, camera swapped ..."),
        Binding("x", "swap", "swap", id="cells.swap",
                tooltip="Begin a session after a swap: spare camera, new board, second cell"),
        Binding("a", "again", "solve all again", id="cells.again",
                tooltip="Solve every session again and tell what changed; nothing is stored"),
        Binding("r", "read", "read again", id="cells.read", tooltip="Read the folder again"),
        Binding("escape,q", "dismiss(None)", "back", id="cells.leave", tooltip="Back to the list"),
    ]  # fmt: skip

    def __init__(self, folder: Path) -> None:
        super().__init__()
        self.folder = folder

    def parts(self) -> ComposeResult:
        yield CellList(empty=EMPTY, id="cells")
        yield Paragraph("", "dim", id="said")

    @property
    def cells(self) -> CellList:
        return self.query_one(CellList)

    def on_mount(self) -> None:
        self.headed(f"Cells in {self.folder}", "being read ...")
        self.cells.focus()
        self.action_read()

    @as_job("read")
    async def action_read(self) -> None:
        listed: list[CellRow] = []
        try:
            if self.folder.exists():  # the first session makes it
                listed = await in_background(lambda: rows(summaries(self.folder), now()))
        except StationbookError:
            self.headed(f"Cells in {self.folder}", "not read")
            raise
        self.cells.show_items(listed)
        alarms = sum(row.alarm for row in listed)
        told = f"{len(listed)}, {alarms} to look at first"
        self.headed(f"Cells in {self.folder}", told)
        self.on_chooser_chosen()
        self.refresh_bindings()

    def on_chooser_chosen(self) -> None:
        row = self.cells.item
        if row is None:
            return
        proven = f"proven {row.proven_on or ''} by {row.proven_by or '?'}" if row.proven else ""
        recheck = "never rechecked"
        if row.recheck_on:
            recheck = f"last recheck {row.recheck_on}: {row.recheck_answer}"
        parts = (row.words, proven, recheck, *row.problems)
        self.tell("; ".join(part for part in parts if part), "error" if row.alarm else "dim")

    @as_job("drift")
    async def action_drift(self) -> None:
        if row := self.cells.item:
            self.tell(await in_background(plant.drift, self.folder, row.cell), "text")

    def action_event(self) -> None:
        if row := self.cells.item:
            ask = Ask(f"What happened to {row.cell}?", EVENTS, check=required)
            self.jobs.ask(ask, lambda text: self._event(row, text))

    @as_job("event")
    async def _event(self, row: CellRow, text: str) -> None:
        await in_background(plant.note_event, Path(str(row.result_session)), text)
        self.action_read()

    def action_swap(self) -> None:
        if row := self.cells.item:
            ask = Ask(f"What is swapped in {row.cell}?", SWAPS, check=required)
            self.jobs.ask(ask, lambda text: self._swap(row, text))

    @as_job("swap")
    async def _swap(self, row: CellRow, text: str) -> None:
        self.tell("Choosing the stations to visit again ...", "note")
        old = Path(str(row.result_session))
        self.dismiss(str(await in_background(plant.begin_swapped, old, text.strip())))

    @as_job("again")
    async def action_again(self) -> None:
        """Solve every session again; nothing is stored."""
        folders = await in_background(session_folders, self.folder)
        work = solved_again(folders, None, jobs=None, store=False, now=now())
        done = []
        start = monotonic()
        while (item := await in_background(next, work, None)) is not None:
            done.append(item)
            left = (monotonic() - start) / len(done) * (len(folders) - len(done))
            said = f"Solved again: {len(done)} of {len(folders)}, about {duration(left)} left"
            self.tell(said, "note")
        done.sort(key=lambda one: one.folder)
        self.tell("\n".join(again_lines(done, self.folder, "nothing stored")), "text")

    def action_open(self) -> None:
        if (row := self.cells.item) and row.result_session:
            self.dismiss(row.result_session)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        if action in ("open", "drift", "event", "swap"):
            row = self.cells.item if self.is_mounted else None
            return row is not None and row.result_session is not None
        return action != "again" or bool(self.is_mounted and self.cells.items)
