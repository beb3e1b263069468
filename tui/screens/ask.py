"""Small questions on top of a screen: one line of text, or yes and no."""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen

from ..widgets.key_line import KeyLine
from ..widgets.line_edit import LineEdit
from ..widgets.sheet import Paragraph

Check = Callable[[str], str | None]  # what is wrong with the text, or None


class Ask(ModalScreen[str | None]):
    """Ask for one line of text. The answer is the text, or None after Esc."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", "leave", id="ask.leave", tooltip="Close without an answer"),
    ]

    def __init__(self, title: str, text: str = "", value: str = "", check: Check | None = None):
        super().__init__()
        self.asked, self.text, self.value, self.check = title, text, value, check

    def compose(self) -> ComposeResult:
        with Vertical(classes="box"):
            yield Paragraph(self.asked, "title")
            yield Paragraph(self.text)
            yield LineEdit(self.value, id="answer")
            yield Paragraph("", "warning", id="problem")
            yield KeyLine()

    def on_line_edit_submitted(self, message: LineEdit.Submitted) -> None:
        """Answer, unless the check has something against it."""
        problem = self.check(message.value) if self.check else None
        if problem is None:
            self.dismiss(message.value)
        else:
            self.query_one("#problem", Paragraph).show(problem, "warning")

    def action_leave(self) -> None:
        self.dismiss(None)


class Confirm(ModalScreen[bool]):
    """Ask before something would be lost: y does it, n and Esc don't."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("y", "answer(True)", "yes", id="confirm.yes", tooltip="Do it"),
        Binding("n", "answer(False)", "no", id="confirm.no", tooltip="Leave it as it is"),
        Binding("escape", "answer(False)", "no", show=False, id="confirm.leave", tooltip="No"),
    ]

    def __init__(self, title: str, text: str):
        super().__init__()
        self.asked, self.text = title, text

    def compose(self) -> ComposeResult:
        with Vertical(classes="box"):
            yield Paragraph(self.asked, "title")
            yield Paragraph(self.text)
            yield KeyLine()

    def action_answer(self, answer: bool) -> None:
        self.dismiss(answer)


def required(text: str) -> str | None:
    """Check that something was typed."""
    return None if text.strip() else "Type a few words, or Esc to leave."
