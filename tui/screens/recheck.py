"""Recheck: did the camera move since an earlier session, and what to do about it."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.widget import Widget

from engine.cautions import RECHECK
from engine.errors import StationbookError
from engine.proof.recheck import Recheck as Answer

from ..desk.desk import Desk
from ..desk.overview import SessionRow
from ..desk.recheck import compare, earlier_sessions, note, recalibrated
from ..widgets.large import LargeLine
from ..widgets.lists import SessionList
from ..widgets.looks import Line, Looks
from ..widgets.sheet import Paragraph, Scroll, written
from ..words import caution, recheck_lines, recheck_parts
from .jobs import Work, Working, in_background

LOW = 20  # rows of a window with room for the list and for an answer
NONE = (
    "No other session with a result lies beside this one: q, then F6 in the earlier one solves it. "
    "One that lies elsewhere is to be copied beside this one first."
)
FIRST = (
    "Choose the earlier session; Enter compares this one with it. The board must be on its mount "
    "as it was then."
)


class Recheck(Working[bool]):
    """Compares with an earlier session. The answer is True after a quick re-calibration."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "compare", "compare", id="recheck.compare",
                tooltip="Compare this session with the chosen one"),
        Binding("b", "recalibrate", "quick re-calibration", id="recheck.quick",
                tooltip="Solve with the board where the earlier session had it: 3 to 5 stations"),
        Binding("tab", "other", "list/text", id="recheck.other", tooltip="List or what is said"),
        Binding("escape,q", "dismiss(False)", "back", id="recheck.leave",
                tooltip="Back to the stations"),
    ]  # fmt: skip

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self.desk = desk
        self.answers: dict[str, Answer] = {}  # by camera, the first one first
        self.against: SessionRow | None = None
        self.not_kept = ""  # why the answer does not stand in the journal
        self.busy = False  # one job at a time: another key starts no second one

    def parts(self) -> ComposeResult:
        yield Paragraph(caution(RECHECK), "warning", id="caution")
        yield SessionList(empty=NONE, id="earlier")
        yield LargeLine(id="verdict")
        yield Scroll(self._lines, id="said")

    @property
    def earlier(self) -> SessionList:
        return self.query_one("#earlier", SessionList)

    def on_mount(self) -> None:
        self.show_title()
        self.earlier.focus()
        self.jobs.begin(self._list, group="list")

    def show_title(self) -> None:
        session = self.desk.opened()
        used = sum(station.use for station in session.stations)
        right = f"{used} station{'' if used == 1 else 's'}"
        following = "FOLLOWING, read-only  " if self.desk.follow else ""
        self.headed(f"Did the camera move?  {session.name}", f"{following}{right}")

    async def _list(self) -> None:
        rows = await in_background(earlier_sessions, self.desk)
        wanted = self.desk.against
        names = [row.folder.name for row in rows]
        self.earlier.show_items(rows, names.index(wanted) if wanted in names else 0)
        if rows:
            self.tell(FIRST, "note")
        self.refresh_bindings()

    def tell(self, text: str, role: str) -> None:
        """Say something above the answer, which stays."""
        said = written(text, role=role)
        self.query_one(Scroll).show(
            lambda looks, width: [*said(looks, width), *self._lines(looks, width)]
        )

    def _lines(self, looks: Looks, width: int) -> list[Line]:
        lines: list[Line] = []
        since = self.against.name if self.against else ""
        for name, answer in self.answers.items():
            if len(self.answers) > 1:
                lines.append([(f"Camera {name}", "title")])
            lines += recheck_lines(answer, since, looks.wrap, width)
        kept = looks.wrap(self.not_kept, width) if self.not_kept else []
        return lines + [[(text, "warning")] for text in kept]

    # ---- jobs ------------------------------------------------------------------------------

    def _do(self, said: str, work: Work, row: SessionRow) -> None:
        """Begin a job, unless one runs: what computes cannot be stopped, only left behind."""
        if not self.busy:
            self.busy = True
            self.tell(said, "note")
            self.jobs.begin(self._doing, work, row, group="compare")

    async def _doing(self, work: Work, row: SessionRow) -> None:
        try:
            await work(row)
        finally:
            self.busy = False
            self.refresh_bindings()

    def action_compare(self) -> None:
        if (row := self.earlier.item) and not self.busy:
            self.answers = {}
            self._do(f"Comparing with {row.name} ...", self._compare, row)

    async def _compare(self, row: SessionRow) -> None:
        self.answers, self.against, self.not_kept = {}, row, ""
        self.query_one(LargeLine).show(())
        self.show_title()
        self.answers = await in_background(compare, self.desk, row.folder)
        self.query_one(LargeLine).show(recheck_parts(self.answers.values()))
        self.query_one(Scroll).show(self._lines)
        self._to(self.query_one(Scroll))  # the arrow keys move what is said, not the choice
        if not self.desk.follow:
            self.jobs.begin(self._note, row, self.answers, group="note")

    async def _note(self, row: SessionRow, answers: dict[str, Answer]) -> None:
        """Keep the answer in the journal; it stands on the screen even where that fails."""
        try:
            await in_background(note, self.desk, row.folder, answers)
        except StationbookError as error:
            self.not_kept = f"Not kept in the journal: {error}"
            self.query_one(Scroll).redraw()

    def action_recalibrate(self) -> None:
        if self.against is not None:
            said = f"Solving, with the board where {self.against.name} had it ..."
            self._do(said, self._recalibrate, self.against)

    async def _recalibrate(self, row: SessionRow) -> None:
        solution = await in_background(recalibrated, self.desk, row.folder)
        await in_background(self.desk.keep, solution)
        self.dismiss(True)

    # ---- keys ------------------------------------------------------------------------------

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer the quick re-calibration once stations were compared, and not while following."""
        if action == "recalibrate":
            compared = any(answer.stations for answer in self.answers.values())
            return compared and not self.desk.follow
        if action == "compare":
            return self.is_mounted and self.earlier.item is not None
        return True

    def action_other(self) -> None:
        self._to(self.query_one(Scroll) if self.earlier.has_focus else self.earlier)

    def _to(self, part: Widget) -> None:
        """Go to the list or to what is said; in a low window the list then gives way to it."""
        low = self.size.height < LOW
        self.earlier.display = part is self.earlier or not (low and self.answers)
        part.focus()

    def on_resize(self) -> None:
        if self.size.height >= LOW:
            self.earlier.display = True
