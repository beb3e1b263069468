"""What follows a result: the report that the customer signs, and files for other programs."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.dom import DOMNode
from textual.screen import ModalScreen

from engine.errors import StationbookError

from ..desk.handover import export_forms, write_exports, write_reports
from ..widgets.chooser import Chooser
from ..widgets.key_line import KeyLine
from ..widgets.looks import Line
from .ask import Paragraph
from .jobs import begin_job, in_background

if TYPE_CHECKING:
    from ..desk.desk import Desk


class Forms(Chooser[tuple[str, str]]):
    """The export forms, each with what it is for."""

    DEFAULT_CSS = "Forms { height: 9; }"

    def row_line(self, item: tuple[str, str], width: int) -> Line:
        """Return one form."""
        return [(f"{item[0]:<12}", "title"), (item[1], "text")]


class ChooseForm(ModalScreen[str | None]):
    """Asks for the form of an export. The answer is its name, or None after Esc."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "take", "write", id="form.take", tooltip="Write the chosen form"),
        Binding("escape,q", "leave", "leave", id="form.leave", tooltip="Write nothing"),
    ]

    def compose(self) -> ComposeResult:
        with Vertical(classes="box"):
            yield Paragraph("In which form is the result handed over?", "title")
            yield Paragraph("It is written into the session's folder.")
            yield Forms(id="forms")
            yield KeyLine()

    def on_mount(self) -> None:
        chooser = self.query_one(Forms)
        chooser.show_items(export_forms())
        chooser.focus()

    def action_take(self) -> None:
        item = self.query_one(Forms).item
        self.dismiss(item[0] if item else None)

    def action_leave(self) -> None:
        self.dismiss(None)


class Handover(DOMNode):
    """Writes report and exports of the stored result, and says where they lie."""

    HANDOVER_KEYS: ClassVar[list[Binding]] = [
        Binding("r", "report", "report", id="handover.report",
                tooltip="Write the report that the customer signs: report.html"),
        Binding("x", "export", "export", id="handover.export",
                tooltip="Write the result in the form that robot or vision program reads"),
    ]  # fmt: skip

    if TYPE_CHECKING:
        desk: Desk

    def action_report(self) -> None:
        self._say("The report is being made ...", "note")
        begin_job(self, self._write, write_reports, group="handover")

    def action_export(self) -> None:
        """Ask for the form, then write it."""

        def chosen(form: str | None) -> None:
            if form:
                begin_job(self, self._write, write_exports, form, group="handover")

        self.app.push_screen(ChooseForm(), chosen)

    async def _write(self, write: Callable[..., tuple[Path, ...]], *args: object) -> None:
        try:
            paths = await in_background(write, self.desk, *args)
        except StationbookError as error:
            self._say(f"Not written: {error}", "error")
        else:
            self._say(f"Written: {', '.join(map(str, paths))}", "good")

    def _say(self, text: str, role: str) -> None:
        self.query_one("#said", Paragraph).show(text, role)
