"""Text longer than its place, moved with the arrow keys."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import ClassVar

from textual.binding import Binding, BindingType

from .looks import Line, Looks
from .sheet import Sheet

Writer = Callable[[Looks, int], list[Line]]


class Scroll(Sheet, can_focus=True):
    """Lines written for the width at hand; says how much is out of sight."""

    DEFAULT_CSS = "Scroll { height: 1fr; }"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "move(-1)", show=False, id="scroll.up", tooltip="One line up"),
        Binding("down", "move(1)", "more", id="scroll.down", tooltip="One line down"),
        Binding("pageup", "page(-1)", show=False, id="scroll.pageup", tooltip="One page up"),
        Binding("pagedown,space", "page(1)", show=False, id="scroll.page", tooltip="One page down"),
    ]

    def __init__(self, write: Writer, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.write = write
        self._top = 0

    def show(self, write: Writer, *, top: bool = True) -> None:
        """Show another text, from its first line unless told not to move."""
        self.write = write
        self._top = 0 if top else self._top
        self.redraw()

    def draw(self, width: int, height: int) -> Sequence[Line]:
        """Return the lines in sight, the last one saying what is not."""
        lines = self.write(self.looks, width)
        if len(lines) <= height:
            self._top = 0
            return lines
        room = max(height - 1, 1)
        self._top = min(max(self._top, 0), len(lines) - room)
        below = len(lines) - self._top - room
        said = f"{self._top} lines above, {below} below (arrow keys)"
        return [*lines[self._top : self._top + room], [(said, "dim")]]

    def action_move(self, step: int) -> None:
        self._top += step
        self.redraw()

    def action_page(self, pages: int) -> None:
        self.action_move(pages * max(self.size.height - 2, 1))
