"""One line of typing."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual import events
from textual.binding import Binding, BindingType
from textual.message import Message

from .looks import Line
from .sheet import Sheet

FIGURES = frozenset("0123456789+-−.,")
BEFORE, BEHIND = "<", ">"  # where a line goes on out of sight
MAX_LENGTH = 400  # characters; a pose with labels and units takes about 100


class Prompt(Sheet):
    """What the line beside it is for, with a sign while that line has the focus."""

    DEFAULT_CSS = "Prompt { width: 11; }"
    text, focused = "", False

    def __init__(self, role: str = "dim") -> None:
        """``role`` of the text while the line has no focus."""
        super().__init__()
        self.role = role

    def show(self, text: str, focused: bool) -> None:
        self.text, self.focused = text, focused
        self.redraw()

    def draw(self, width: int, height: int) -> Sequence[Line]:
        if self.focused:
            return [[(f"► {self.text}", "title")]]
        return [[(f"  {self.text}", self.role)]]


class LineEdit(Sheet, can_focus=True):
    """One line of text with a cursor; what it is for stands in a `Prompt` beside it.

    Where what stands in it at first is a proposal (``proposed``), the first character typed takes
    its place, unless the line was edited or the cursor moved before.

    ``choices``: the answers that it takes, where they are a few.

    Messages: `LineEdit.Changed` on every change, `LineEdit.Submitted` on Enter.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "submit", "done", id="line.submit", tooltip="Take what is typed"),
    ]

    choices: tuple[str, ...] = ()

    class Changed(Message):
        def __init__(self, edit: LineEdit) -> None:
            self.edit = edit
            self.value = edit.value
            super().__init__()

        @property
        def control(self) -> LineEdit:
            return self.edit

    class Submitted(Changed):
        """Enter was pressed."""

    def __init__(self, value: str = "", *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.prompt = ""
        self.value = value
        self.proposed = False
        self.cursor = len(value)
        self._ahead: str | None = None  # typed while the line is held
        self._first = 0  # first character in sight, when the line is longer than its place

    def on_mount(self) -> None:
        self._tell_prompt()

    def set_prompt(self, text: str) -> None:
        """Say what the line is for, in the `Prompt` beside it."""
        self.prompt = text
        self._tell_prompt()

    def _tell_prompt(self) -> None:
        beside = self.parent.query(Prompt) if self.parent is not None and self.prompt else ()
        for prompt in beside:
            prompt.show(self.prompt, self.has_focus)

    def set(self, value: str) -> None:
        """Replace the text and put the cursor behind it."""
        self._change(value, len(value))

    def hold(self) -> None:
        """Keep what is typed from now on until `release`: the text is being worked on."""
        if self._ahead is None:
            self._ahead = ""

    def release(self) -> None:
        """Type what was kept."""
        ahead, self._ahead = self._ahead, None
        if ahead:
            self.insert(ahead)

    def draw(self, width: int, height: int) -> Sequence[Line]:
        """Return the text and, where it has the focus, the cursor; a proposal marked as a whole."""
        room = max(width, 4)
        if self.proposed and self.has_focus and len(self.value) < room:
            left = room - len(self.value) - 1
            return [[(self.value, "chosen"), (" ", "cursor"), (" " * left, "entry")]]
        self._first = min(self._first, self.cursor, max(len(self.value) - room + 1, 0))
        self._first = max(self._first, self.cursor - room + 1)
        shown = self._cut(room)
        at = self.cursor - self._first
        if not self.has_focus:
            return [[(shown, "entry")]]
        return [[(shown[:at], "entry"), (shown[at], "cursor"), (shown[at + 1 :], "entry")]]

    def _cut(self, room: int) -> str:
        """Return what is in sight, a sign at each end beyond which the text goes on.

        Half a number would be read as a whole one.
        """
        first, end = self._first, self._first + room
        shown = self.value[first:end].ljust(room)
        if first and self.cursor != first:
            shown = BEFORE + shown[1:]
        if end < len(self.value) and self.cursor != end - 1:
            shown = shown[:-1] + BEHIND
        return shown

    def check_consume_key(self, key: str, character: str | None) -> bool:
        """Tell that letters and digits are typed here, so that no binding takes them."""
        return character is not None and character.isprintable()

    def watch_has_focus(self, _focus: bool) -> None:
        super().watch_has_focus(_focus)
        self.redraw()
        self._tell_prompt()

    def on_key(self, event: events.Key) -> None:
        """Edit the line; keys that are not for editing go on to the bindings."""
        if self._ahead is not None:
            if event.is_printable:
                self.insert(event.character or "")
            event.stop()
            event.prevent_default()
            return
        if event.is_printable and event.character is not None:
            self.insert(event.character)
        elif not self.edit(event.key):
            return
        event.stop()
        event.prevent_default()

    def action_submit(self) -> None:
        """Tell that Enter was pressed, unless the text is being worked on already."""
        if self._ahead is not None:
            return
        self.post_message(self.Submitted(self))

    def on_paste(self, event: events.Paste) -> None:
        self.paste(event.text)
        event.stop()

    def paste(self, text: str) -> None:
        """Insert what is pasted; line ends and tabs become blanks.

        A blank at its ends stays where text stands there, so that no two numbers grow together.
        """
        line = " ".join(text.split())
        before = " " if text[:1].isspace() and self.cursor else ""
        behind = " " if text[-1:].isspace() and self.cursor < len(self.value) else ""
        self.insert(f"{before}{line}{behind}" if line else before or behind)

    def insert(self, text: str) -> None:
        """Insert ``text`` at the cursor or for a proposal, or keep it where the line is held."""
        if self._ahead is not None:
            self._ahead += text
            return
        if self.proposed:
            self.set("")
        value = self.value[: self.cursor] + text + self.value[self.cursor :]
        if len(value) > MAX_LENGTH:
            self.app.bell()
            return
        self._change(value, self.cursor + len(text))

    def edit(self, key: str) -> bool:
        """Carry out an editing key; tell whether it was one.

        The chords are those of every shell, for hands that are used to them; none is needed.
        """
        value, at = self.value, self.cursor
        if key == "backspace":
            self._change(value[: max(at - 1, 0)] + value[at:], max(at - 1, 0))
        elif key == "delete":
            self._change(value[:at] + value[at + 1 :], at)
        elif key in ("left", "right"):
            self._move(at - 1 if key == "left" else at + 1)
        elif key in ("home", "end"):
            self._move(0 if key == "home" else len(value))
        elif key in ("ctrl+u", "ctrl+w"):
            start = 0 if key == "ctrl+u" else _word_before(value, at)
            self._change(value[:start] + value[at:], start)
        elif key == "ctrl+k":
            self._change(value[:at], at)
        else:
            return False
        self.proposed = False
        self.redraw()
        return True

    def _move(self, cursor: int) -> None:
        self.cursor = min(max(cursor, 0), len(self.value))
        self.redraw()

    def _change(self, value: str, cursor: int) -> None:
        changed = value != self.value
        self.value, self.cursor, self.proposed = value, cursor, False
        self.redraw()
        if changed:
            self.post_message(self.Changed(self))


def is_figures(event: events.Event) -> bool:
    """Tell whether a key or a paste is what a line of numbers is made of."""
    if isinstance(event, events.Paste):
        return any(sign.isdigit() for sign in event.text)
    return isinstance(event, events.Key) and (event.character or " ") in FIGURES


def _word_before(value: str, at: int) -> int:
    return len(value[:at].rstrip().rpartition(" ")[0]) + (" " in value[:at].rstrip())
