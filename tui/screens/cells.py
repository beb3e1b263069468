"""Every cell of a folder at a glance: one row a cell, those to look at first on top."""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import Screen

from engine.plant.archive import summaries
from engine.plant.cells import CellRow, Rating, by_cell, rows

from ..clock import now
from ..desk.views import Title
from ..widgets.lists import Chooser
from ..widgets.looks import Line
from ..widgets.panels import KeyLine, TitleLine
from ..widgets.sheet import Paragraph
from .jobs import Jobs, in_background

EMPTY = "No session lies here. Sessions may lie in folders of folders, a cell in each."
ROLES = {Rating.IN_ORDER: "good", Rating.NO_RESULT: "dim", Rating.NOT_PROVEN: "text"}
WORDS = 30  # cells for the rating in words


class CellList(Chooser[CellRow]):
    """One cell a row."""

    def headline(self, width: int) -> Line | None:
        """Return the names of the columns."""
        columns = f"{'U mm':>6}{'of':>6}{'moved':>7}{'days':>6}  "
        return [(f"{'cell':<{self._room(width)}}{columns}rating", "dim")]

    def row_line(self, item: CellRow, width: int) -> Line:
        """Return the cell, U against the tolerance, what moved, days left, and the rating."""
        room = self._room(width)
        numbers = f"{_mm(item.expanded_mm):>6}{_mm(item.tolerance_mm):>6}{_mm(item.movement_mm):>7}"
        left = "" if item.days_left is None else f"{item.days_left:.0f}"
        role = "error" if item.alarm else ROLES.get(item.rating, "warning")
        return [
            (f"{item.cell[: room - 1]:<{room}}{numbers}{left:>6}  ", "text"),
            (item.words[:WORDS] if width < 100 else item.words, role),
        ]

    @staticmethod
    def _room(width: int) -> int:
        return max(width - 27 - WORDS, 16)


def _mm(value: float | None) -> str:
    return "-" if value is None else f"{value:.2f}"


class Cells(Screen[str | None]):
    """The answer is the folder of the session chosen by its cell, or None."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "open", "open", id="cells.open",
                tooltip="Open the session of the last result"),
        Binding("d", "drift", "drift", id="cells.drift",
                tooltip="Per week, the day the tolerance is reached, the interval"),
        Binding("r", "read", "read again", id="cells.read", tooltip="Read the folder again"),
        Binding("escape,q", "dismiss(None)", "back", id="cells.leave", tooltip="Back to the list"),
    ]  # fmt: skip

    def __init__(self, folder: Path) -> None:
        super().__init__()
        self.folder = folder
        self.jobs = Jobs(self, self.tell)

    def compose(self) -> ComposeResult:
        yield TitleLine(id="title")
        yield CellList(empty=EMPTY, id="cells")
        yield Paragraph("", "dim", id="said")
        yield KeyLine()

    @property
    def cells(self) -> CellList:
        return self.query_one(CellList)

    def on_mount(self) -> None:
        self.query_one(TitleLine).show(Title(f"Cells in {self.folder}", "being read ..."))
        self.cells.focus()
        self.action_read()

    def action_read(self) -> None:
        self.jobs.begin(self._read, group="read")

    async def _read(self) -> None:
        listed = await in_background(lambda: rows(summaries(self.folder), now()))
        self.cells.show_items(listed)
        alarms = sum(row.alarm for row in listed)
        told = f"{len(listed)}, {alarms} to look at first"
        self.query_one(TitleLine).show(Title(f"Cells in {self.folder}", told))
        self.on_chooser_chosen()
        self.refresh_bindings()

    def tell(self, text: str, role: str) -> None:
        self.query_one("#said", Paragraph).show(text, role)

    def on_chooser_chosen(self) -> None:
        """Say of the chosen cell what its row has no room for."""
        row = self.cells.item
        if row is None:
            return
        proven = f"proven {row.proven_on or ''} by {row.proven_by or '?'}" if row.proven else ""
        recheck = f"last recheck {row.recheck_on}" if row.recheck_on else "never rechecked"
        parts = (row.words, proven, recheck, *row.problems)
        self.tell("; ".join(part for part in parts if part), "error" if row.alarm else "dim")

    def action_drift(self) -> None:
        """Say what the results and rechecks of the chosen cell make of it."""
        if row := self.cells.item:
            self.jobs.begin(self._drift, row, group="drift")

    async def _drift(self, row: CellRow) -> None:
        def found() -> str:
            from engine.plant.drift import cell_drift  # fits: the list need not wait for that

            lines = cell_drift(by_cell(summaries(self.folder))[row.cell], now()).lines()
            return "\n".join([f"{row.cell}:", *lines])

        self.tell(await in_background(found), "text")

    def action_open(self) -> None:
        """Open the session that holds the last result."""
        if (row := self.cells.item) and row.result_session:
            self.dismiss(row.result_session)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Open and judge only what has a result."""
        if action in ("open", "drift"):
            row = self.cells.item if self.is_mounted else None
            return row is not None and row.result_session is not None
        return True
