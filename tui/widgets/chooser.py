"""A list of which one row is chosen; what is out of sight is said in words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, ClassVar, Generic, TypeVar

from textual.binding import Binding, BindingType
from textual.message import Message

from .looks import Line, line_text
from .sheet import Sheet

Item = TypeVar("Item")
SIGN = "►"


class Chooser(Sheet, Generic[Item], can_focus=True):
    """Rows made from items. Message: `Chooser.Chosen` when another row is chosen.

    A subclass overrides `row_line`, and `headline` where there is one.
    """

    DEFAULT_CSS = "Chooser { height: 1fr; }"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "choose(-1)", show=False, id="list.up", tooltip="Choose the row above"),
        Binding("down", "choose(1)", show=False, id="list.down", tooltip="Choose the row below"),
        Binding("pageup", "choose(-10)", show=False, id="list.pageup", tooltip="Ten rows up"),
        Binding("pagedown", "choose(10)", show=False, id="list.pagedown", tooltip="Ten rows down"),
    ]

    class Chosen(Message):
        """Another row was chosen."""

        def __init__(self, chooser: Chooser[Any]) -> None:
            self.chooser = chooser
            super().__init__()

        @property
        def control(self) -> Chooser[Any]:
            return self.chooser

    def __init__(self, items: Sequence[Item] = (), *, empty: str = "", id: str | None = None):
        super().__init__(id=id)
        self.items = list(items)
        self.empty = empty
        self.chosen = 0
        self._top = 0

    @property
    def item(self) -> Item | None:
        """The chosen item, or None while there is none."""
        return self.items[self.chosen] if 0 <= self.chosen < len(self.items) else None

    def row_line(self, item: Item, width: int) -> Line:
        """Return one row without the sign of choice; ``width`` cells are left."""
        raise NotImplementedError

    def headline(self, width: int) -> Line | None:
        """Return the line above the rows, or None."""
        return None

    def show_items(self, items: Sequence[Item], choose: int | None = None) -> None:
        """Show other items; ``choose`` picks one."""
        self.items = list(items)
        wanted = self.chosen if choose is None else choose
        self.chosen = min(max(wanted, 0), max(len(items) - 1, 0))
        self.redraw()

    def action_choose(self, step: int) -> None:
        """Choose a row further down (or up, for a negative step)."""
        chosen = min(max(self.chosen + step, 0), max(len(self.items) - 1, 0))
        if chosen != self.chosen:
            self.chosen = chosen
            self.redraw()
            self.post_message(self.Chosen(self))

    def watch_has_focus(self, _focus: bool) -> None:
        """Show or hide the sign of focus."""
        super().watch_has_focus(_focus)
        self.redraw()

    def draw(self, width: int, height: int) -> Sequence[Line]:
        """Return the headline, the rows in sight, and how many are out of sight."""
        head = self.headline(width - 2)
        lines: list[Line] = [] if head is None else [[("  ", "text"), *head]]
        if not self.items:
            lines += [[("  " + text, "dim")] for text in self.looks.wrap(self.empty, width - 2)]
            return lines
        room = max(height - len(lines), 1)
        room -= len(self.items) > room and room > 1
        self._top = min(self._top, self.chosen, max(len(self.items) - room, 0))
        self._top = max(self._top, self.chosen - room + 1)
        shown = self.items[self._top : self._top + room]
        lines += [self._marked(item, self._top + n, width) for n, item in enumerate(shown)]
        below = len(self.items) - self._top - len(shown)
        if self._top or below:
            lines.append([(f"  {self._top} more above, {below} more below", "dim")])
        return lines

    def _marked(self, item: Item, number: int, width: int) -> Line:
        row = self.row_line(item, width - 2)
        if number != self.chosen:
            return [("  ", "text"), *row]
        if not self.has_focus:
            return [(f"{SIGN} ", "text"), *row]
        return [(f"{SIGN} {line_text(row)}".ljust(width), "chosen")]
