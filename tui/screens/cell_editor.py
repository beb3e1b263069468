"""Describing a new cell without knowing its file: pages of questions, checked as typed."""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import Screen

from engine.pendant.labels import IN_WORDS, LabelSet

from ..desk.new_cell import PAGES, PENDANT_PAGE, label_sets, next_page, save
from ..desk.views import Title
from ..widgets.form import Form
from ..widgets.head import CAUTION, TitleLine
from ..widgets.key_line import KeyLine
from ..widgets.lists import Chooser
from ..widgets.looks import Line
from ..widgets.sheet import Paragraph
from .ask import Confirm
from .jobs import Jobs, in_background

QUESTION = (
    "Which of these does your pendant show? Several makers use the same labels, so jog the robot "
    "to this pose and compare the numbers: {pose}. The robot's manual decides."
)


class LabelSets(Chooser[tuple[LabelSet, tuple[str, ...]]]):
    """The common label sets with the example's numbers."""

    def headline(self, width: int) -> Line | None:
        """Return the names of the columns."""
        return [(f"{'labels':<15}{'the pendant then shows':<37}remark", "dim")]

    def row_line(self, item: tuple[LabelSet, tuple[str, ...]], width: int) -> Line:
        """Return one label set."""
        labels, fields = item
        shown = "".join(f"{text:>9}" for text in fields)
        remark = labels.remark or labels.rotation
        return [(f"{' '.join(labels.labels):<15}", "title"), (f"{shown:<37}", "text"),
                (remark, "dim")]  # fmt: skip


class CellEditor(Screen[Path | None]):
    """One page after the other. The answer is the file that was written, or None."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "back", "page before", id="editor.back", tooltip="The page before"),
        Binding("enter", "take", "take this", id="editor.take", tooltip="Take the chosen labels"),
    ]

    def __init__(self) -> None:
        super().__init__()
        self.jobs = Jobs(self, self.tell)
        self.answers: dict[str, str] = {}
        self.page = 0
        self._before: list[tuple[int, bool]] = []
        self._choosing = False
        self._taken: LabelSet | None = None  # on the page of labels

    def compose(self) -> ComposeResult:
        yield TitleLine(id="title")
        yield Paragraph("", "dim", id="intro")
        yield Paragraph(CAUTION, "warning", id="caution")
        yield LabelSets(label_sets(), id="labels")
        yield KeyLine()

    async def on_mount(self) -> None:
        await self._show()

    async def _show(self) -> None:
        """Show the page, or the label sets that come before the pendant's page."""
        await self.query(Form).remove()
        page, chooser = PAGES[self.page], self.query_one(LabelSets)
        chooser.display = self.query_one("#caution").display = self._choosing
        step = f"page {len(self._before) + 1}"
        title = "Labels on the pendant" if self._choosing else page.title
        self.query_one(TitleLine).show(Title(f"A new cell: {title}", step))
        if self._choosing:
            self.query_one("#intro", Paragraph).show(QUESTION.format(pose=IN_WORDS))
            chooser.focus()
            self.refresh_bindings()
            return
        self.query_one("#intro", Paragraph).show(page.intro, "dim")
        questions = [
            q._replace(value=self.answers.get(q.key, q.value)) for q in page.questions(self.answers)
        ]
        await self.mount(Form(questions), before=self.query_one(KeyLine))
        self.refresh_bindings()

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Take labels only where they are shown."""
        return action != "take" or self._choosing

    async def action_take(self) -> None:
        """Take the chosen label set."""
        item = self.query_one(LabelSets).item
        if item is not None:
            if item[0] is not self._taken:  # else what was changed by hand stays
                for proposed in ("labels", "angle_unit", "angle_decimals"):
                    self.answers.pop(proposed, None)
                self.answers |= {
                    "shown": " ".join(item[0].labels), "rotation": item[0].rotation
                }  # fmt: skip
                self._taken = item[0]
            self._before.append((self.page, True))
            self._choosing = False
            await self._show()

    async def on_form_finished(self, message: Form.Finished) -> None:
        """Go on to the next page, or store the cell."""
        self.answers |= message.answers
        coming = next_page(self.answers, self.page)
        if coming is None:
            self.jobs.begin(self._save, group="save")
            return
        self._before.append((self.page, False))
        self.page = coming
        self._choosing = self.page == PENDANT_PAGE
        await self._show()

    async def _save(self) -> None:
        self.dismiss(await in_background(save, self.answers))

    def tell(self, text: str, role: str) -> None:
        for form in self.query(Form):
            form.refuse(text)

    async def action_back(self) -> None:
        """Go back one page; from the first, leave (asking where something would be lost)."""
        for form in self.query(Form):
            self.answers |= form.texts()
        if self._before:
            self.page, self._choosing = self._before.pop()
            await self._show()
            return
        if not any(edit.value for edit in self.query_one(Form).edits[:1]):
            self.dismiss(None)
            return
        leave = Confirm("Leave the new cell?", "What was typed is lost.")
        self.jobs.ask(leave, lambda _: self.dismiss(None))
