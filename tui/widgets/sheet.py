"""The widgets that every screen is made of: lines of text."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import ClassVar, Generic, TypeVar

from textual.binding import Binding, BindingType
from textual.geometry import Region
from textual.strip import Strip
from textual.widget import Widget

from .looks import Line, Looks, Terminal

Data = TypeVar("Data")
Writer = Callable[[Looks, int], list[Line]]


class Sheet(Widget):
    """Lines drawn from plain data.

    A subclass overrides `draw` and calls `redraw` after its data changed.
    """

    DEFAULT_CSS = "Sheet { height: 1; }"

    def draw(self, width: int, height: int) -> Sequence[Line]:
        """Return the lines to show in ``width`` × ``height`` cells."""
        raise NotImplementedError

    @property
    def looks(self) -> Looks:
        """Styles and signs of this terminal."""
        looks: Looks = getattr(self.app, "looks", None) or Looks(Terminal())
        return looks

    def redraw(self) -> None:
        """Draw again, and repaint the lines that differ."""
        width, height = self.size
        if not (width and height and self.is_attached):
            return
        before: list[Strip] | None = getattr(self, "_strips", None) or None
        after = self._drawn(width, height)
        self._strips = after
        if before is None or len(before) != height or before[0].cell_length != width:
            self.refresh()
            return
        changed = [
            Region(0, y, width, 1)
            for y, (old, new) in enumerate(zip(before, after, strict=True))
            if old != new
        ]
        if changed:
            self.refresh(*changed)

    def _drawn(self, width: int, height: int) -> list[Strip]:
        lines = list(self.draw(width, height))[:height]
        lines += [[] for _ in range(height - len(lines))]
        return [self.looks.strip(line, width) for line in lines]

    def renew(self) -> None:
        """Draw all of it anew: the looks changed."""
        self._strips = []
        self.refresh()

    def on_resize(self) -> None:
        self.redraw()

    def render_line(self, y: int) -> Strip:
        width, height = self.size
        strips: list[Strip] = getattr(self, "_strips", [])
        if len(strips) != height or (strips and strips[0].cell_length != width):
            strips = self._strips = self._drawn(width, height)
        return strips[y] if y < len(strips) else Strip.blank(width)


class Panel(Sheet, Generic[Data]):
    """Lines drawn from one piece of data."""

    data: Data

    def show(self, data: Data) -> None:
        self.data = data
        self.redraw()


class Paragraph(Sheet):
    """Text, wrapped; as high as it needs to be."""

    DEFAULT_CSS = "Paragraph { height: auto; }"

    def __init__(self, text: str, role: str = "text", *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.text, self.role = text, role

    def show(self, text: str, role: str = "text") -> None:
        self.text, self.role = text, role
        self.refresh(layout=True)
        self.redraw()

    def get_content_height(self, container: object, viewport: object, width: int) -> int:
        return len(self._lines(width)) if self.text else 0

    def draw(self, width: int, height: int) -> Sequence[Line]:
        return [[(line, self.role)] for line in self._lines(width)]

    def _lines(self, width: int) -> list[str]:
        return [line for part in self.text.split("\n") for line in self.looks.wrap(part, width)]


def written(*texts: str, role: str = "text") -> Writer:
    """Return what writes texts, one below the other, at any width."""
    return lambda looks, width: [
        [(part, role)] for text in texts for part in looks.wrap(text, width)
    ]


class Scroll(Sheet, can_focus=True):
    """Lines written for the width at hand; says how much is out of sight."""

    DEFAULT_CSS = "Scroll { height: 1fr; }"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "move(-1)", show=False, id="scroll.up", tooltip="One line up"),
        Binding("down", "down", "more", id="scroll.down", tooltip="One line down"),
        Binding("pageup", "page(-1)", show=False, id="scroll.pageup", tooltip="One page up"),
        Binding("pagedown,space", "page(1)", show=False, id="scroll.page", tooltip="One page down"),
    ]

    def __init__(self, write: Writer, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.write = write
        self._top = 0
        self.below = 0  # lines out of sight below

    def show(self, write: Writer, *, top: bool = True) -> None:
        """Show another text, from its first line unless told not to move."""
        self.write = write
        self._top = 0 if top else self._top
        self.redraw()

    def draw(self, width: int, height: int) -> Sequence[Line]:
        """Return the lines in sight, the last one saying what is not."""
        lines = self.write(self.looks, width)
        before, room = self.below, max(height - 1, 1)
        fits = len(lines) <= height
        self._top = 0 if fits else min(max(self._top, 0), len(lines) - room)
        self.below = 0 if fits else len(lines) - self._top - room
        if bool(before) != bool(self.below):
            self.call_after_refresh(self.screen.refresh_bindings)
        if fits:
            return lines
        said = f"{self._top} lines above, {self.below} below (arrow keys)"
        return [*lines[self._top : self._top + room], [(said, "dim")]]

    def action_move(self, step: int) -> None:
        self._top += step
        self.redraw()

    def action_down(self) -> None:
        self.action_move(1)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        return action != "down" or self.below > 0

    def action_page(self, pages: int) -> None:
        self.action_move(pages * max(self.size.height - 2, 1))
