"""A form: labelled lines of text, each checked while it is typed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.message import Message
from textual.widget import Widget

from ..desk.form import Question
from .line_edit import LineEdit, Prompt
from .looks import Line, line_text
from .sheet import Paragraph

HINT = 3  # rows kept for what is said of a line, so that lines do not jump with every text
ELASTIC = 3  # rows left for what takes the rest of a screen
LEAST = 2  # lines in sight in the smallest window


class FormEdit(LineEdit):
    """A line of a form; Enter goes on to the next. What stands in it at first is a proposal."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "submit", "next", id="form.next", tooltip="On to the next line"),
    ]

    def __init__(self, value: str = "", *, id: str | None = None) -> None:
        super().__init__(value, id=id)
        self.proposed = bool(value)

    def _beside(self, width: int) -> Line:
        """Return the other answers, where there are a few to choose from."""
        if not (self.choices and self.has_focus):
            return []
        others = [word for word in self.choices if word != self.value.strip()]
        room = width - len(self.value) - 2
        for count in range(len(others), 0, -1):  # never half a word
            more = ["..."] * (count < len(others))
            said = " ".join(("  ←→", *others[:count], *more))
            if len(said) <= room:
                return [(said, "dim")]
        return []

    def draw(self, width: int, height: int) -> Sequence[Line]:
        beside = self._beside(width)
        (line,) = super().draw(width - len(line_text(beside)), height)
        return [[*line, *beside]]

    def take_next(self, step: int) -> None:
        now = self.value.strip().lower()
        at = self.choices.index(now) + step if now in self.choices else 0
        self.set(self.choices[at % len(self.choices)])

    def on_click(self, event: events.Click) -> None:
        """Take the answer that is clicked on beside the line; anywhere else the next one."""
        beside = line_text(self._beside(self.size.width))
        at = event.x - (self.size.width - len(beside))
        word = (beside[:at].split(" ")[-1] + beside[at:].split(" ")[0]) if at > 0 else ""
        if word in self.choices:
            self.set(word)
        elif self.choices:
            self.take_next(1)

    def edit(self, key: str) -> bool:
        """Carry out an editing key; the arrows choose where there are choices."""
        if self.choices and key in ("left", "right"):
            self.take_next(1 if key == "right" else -1)
            return True
        return super().edit(key)

    def action_submit(self) -> None:
        """Go on at once, so that nobody can type faster than the form moves."""
        self.query_ancestor(Form).enter(self)


class Hint(Paragraph):
    """What is wrong with the line that is typed in, or how to fill it in."""

    DEFAULT_CSS = "Hint { min-height: 3; margin-top: 1; } Hint.-tight { margin-top: 0; }"


class Lines(Vertical):
    """The lines; where there is no room for all, those around the one that has the focus."""

    DEFAULT_CSS = "Lines { height: auto; overflow-y: auto; scrollbar-size: 0 0; }"


class Form(Vertical):
    """Lines of a form. Messages: `Form.Finished` after Enter on the last line, all being right."""

    DEFAULT_CSS = "Form { height: auto; } Form Prompt { width: 30; }"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "step(-1)", show=False, id="form.up", tooltip="One line up"),
        Binding("down", "step(1)", show=False, id="form.down", tooltip="One line down"),
    ]

    class Finished(Message):
        """Everything is filled in and right: texts by key."""

        def __init__(self, answers: dict[str, str]) -> None:
            self.answers = answers
            super().__init__()

    def __init__(self, questions: Sequence[Question], *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.questions = list(questions)
        self._said: tuple[str, str] | None = None
        self.tried = False  # it was to be finished: from now on what is missing is said too

    def compose(self) -> ComposeResult:
        with Lines():
            for question in self.questions:
                with Horizontal(classes="line"):
                    yield Prompt("text")
                    edit = FormEdit(question.value, id=f"form-{question.key}")
                    edit.prompt = question.label
                    edit.choices = question.choices
                    edit.proposed = bool(question.value) and not question.typed
                    yield edit
        yield Hint("", "dim")

    @property
    def edits(self) -> list[FormEdit]:
        return list(self.query(FormEdit))

    @property
    def at(self) -> int:
        """Number of the line that has the focus, from 0."""
        return next((n for n, edit in enumerate(self.edits) if edit.has_focus), 0)

    def on_mount(self) -> None:
        if self.edits:
            self.screen.set_focus(self.edits[0])

    def on_descendant_focus(self) -> None:
        self.show_hint()

    def on_resize(self) -> None:
        self._fit()

    def _fit(self) -> None:
        """Show as many lines as leave room for what is said of the one that has the focus.

        Where that is not all of them, it is said which one this is.
        """
        if not self._said:
            return
        hint, (text, role), count = self.query_one(Hint), self._said, len(self.questions)
        left = self.screen.size.height - sum(map(_rows, self.siblings))
        if left < count + self._height(text):
            text = f"Line {self.at + 1} of {count}. {text}"
        hint.set_class(left <= count + self._height(text), "-tight")
        hint.show(text, role)
        self.query_one(Lines).styles.max_height = max(left - self._height(text), LEAST)

    def _height(self, text: str) -> int:
        """Return the rows kept for what is said: what it takes, and never fewer than usual."""
        hint = self.query_one(Hint)
        return max(len(hint.looks.wrap(text, self.size.width)), HINT)

    def show_hint(self) -> None:
        """Say what is wrong with the line, or how to fill it in."""
        question, edit = self.questions[self.at], self.edits[self.at]
        problem = question.check(edit.value) if edit.value or self.tried else None
        note = question.note(edit.value) if problem is None else None
        role = "warning" if problem else "note" if note else "dim"
        self._say(problem or note or question.hint, role)

    def _say(self, text: str, role: str) -> None:
        self._said = text, role
        self._fit()

    def on_line_edit_changed(self, message: LineEdit.Changed) -> None:
        self.show_hint()

    def enter(self, edit: FormEdit) -> None:
        """Go on; after the last line finish, or go to the first line that is wrong."""
        at = self.edits.index(edit)
        problem = self.questions[at].check(edit.value)
        if problem is not None:
            self._say(problem, "warning")
        elif at + 1 < len(self.edits):
            self.screen.set_focus(self.edits[at + 1])
        else:
            self._finish()

    def _finish(self) -> None:
        self.tried = True
        for question, edit in zip(self.questions, self.edits, strict=True):
            if question.check(edit.value) is not None:
                self.screen.set_focus(edit)
                self.show_hint()
                return
        self.post_message(self.Finished(self.texts()))

    def texts(self) -> dict[str, str]:
        return {q.key: e.value.strip() for q, e in zip(self.questions, self.edits, strict=True)}

    def refuse(self, problem: str) -> None:
        """Say why the whole form cannot be taken, as a sentence unless a file is named first."""
        named = any(sign in problem.partition(" ")[0] for sign in "/\\.")
        self._say(problem if named else problem[:1].upper() + problem[1:], "error")

    def action_step(self, step: int) -> None:
        edits = self.edits
        self.screen.set_focus(edits[min(max(self.at + step, 0), len(edits) - 1)])


def _rows(part: Widget) -> int:
    """Return the rows that what stands beside a form takes, or is left where it takes the rest."""
    if not part.display:
        return 0
    height = part.styles.height
    return ELASTIC if height is not None and height.is_fraction else part.size.height
