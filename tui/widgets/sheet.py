"""The widget that every part of the screen is made of: lines of text, repainted cell by cell."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from rich.segment import Segment
from textual.geometry import Region
from textual.strip import Strip
from textual.widget import Widget

from .looks import Line, Looks
from .terminal import Terminal

NEAR = (
    6  # cells; changes this near to each other are sent as one, as moving the cursor costs as much
)

Cell = tuple[str, object]


class Sheet(Widget):
    """Lines drawn from plain data. Only cells that changed are sent: slow lines stay usable.

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
        """Draw again, and repaint the cells that differ."""
        width, height = self.size
        if not (width and height and self.is_attached):
            return
        before: list[Strip] | None = getattr(self, "_strips", None)
        after = self._drawn(width, height)
        self._strips = after
        if before is None or len(before) != height or before[0].cell_length != width:
            self.refresh()
            return
        changed = [
            Region(start, y, end - start, 1)
            for y, (old, new) in enumerate(zip(before, after, strict=True))
            if old != new
            for start, end in _spans(old, new)
        ]
        if changed:
            self.refresh(*changed)

    def _drawn(self, width: int, height: int) -> list[Strip]:
        lines = list(self.draw(width, height))[:height]
        lines += [[] for _ in range(height - len(lines))]
        return [self.looks.strip(line, width) for line in lines]

    def on_resize(self) -> None:
        """Draw for the new size."""
        self.redraw()

    def render_line(self, y: int) -> Strip:
        """Return one line of what was drawn last."""
        width, height = self.size
        strips: list[Strip] = getattr(self, "_strips", [])
        if len(strips) != height or (strips and strips[0].cell_length != width):
            strips = self._strips = self._drawn(width, height)
        return strips[y] if y < len(strips) else Strip.blank(width)


def _spans(old: Strip, new: Strip) -> Iterator[tuple[int, int]]:
    """Yield (start, end) of the cells that differ, near ones joined."""
    start = end = None
    for x, (a, b) in enumerate(zip(_cells(old), _cells(new), strict=True)):
        if a == b:
            continue
        if start is None or end is None:
            start = x
        elif x - end > NEAR:
            yield start, end
            start = x
        end = x + 1
    if start is not None and end is not None:
        yield start, end


def _cells(strip: Strip) -> list[Cell]:
    """Return one entry per cell; the second cell of a wide sign follows its first."""
    cells: list[Cell] = []
    for segment in strip:
        if segment.cell_length == len(segment.text):
            cells += [(sign, segment.style) for sign in segment.text]
        else:
            for sign in segment.text:
                size = Segment(sign).cell_length
                cells += [(sign, segment.style)] + [(sign + "→", segment.style)] * (size - 1)
    return cells
