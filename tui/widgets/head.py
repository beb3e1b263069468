"""The upper part of the recording screen: whose session, the next move, and how good it is yet."""

from __future__ import annotations

from collections.abc import Sequence

from ..desk.views import Move, Quality, Title
from ..words import Line, bar, line_text
from .sheet import Sheet

# What can hurt somebody is said at every move; the wording is ours, the rules are common practice
# (ISO 10218-1: reduced speed in manual mode).
CAUTION = (
    "CAUTION  Reduced speed in manual mode, nobody else inside the fence. "
    "Arm, cables and fixtures are NOT checked. "
    "Type only with the robot stopped and the enabling switch released. "
    "The robot maker's and local rules come first."
)


class TitleLine(Sheet):
    """First line: which session, who, how far."""

    title = Title("", "")

    def show(self, title: Title) -> None:
        """Show another title."""
        self.title = title
        self.redraw()

    def draw(self, width: int, height: int) -> Sequence[Line]:
        """Return the line; the name is cut off before what stands on the right."""
        right = self.title.right
        room = max(width - self.looks.width(right) - 2, 10)
        name = self.title.name
        while name and self.looks.width(name) > room:
            name = name[:-1]
        gap = " " * max(width - self.looks.width(name) - self.looks.width(right), 1)
        return [[(name, "title"), (gap, "text"), (right, "dim")]]


class NextMove(Sheet):
    """The next move with the caution; the caution is never cut off."""

    DEFAULT_CSS = "NextMove { height: 6; }"
    move = Move("", "")

    def show(self, move: Move) -> None:
        """Show another move."""
        self.move = move
        self.redraw()

    def draw(self, width: int, height: int) -> Sequence[Line]:
        """Return the move in as many lines as the caution leaves, then the caution."""
        caution: list[Line] = [[(text, "warning")] for text in self.looks.wrap(CAUTION, width)]
        room = max(height - len(caution), 1)
        text = f"{self.move.headline}  {self.move.move}"
        lines = [line for part in text.split("\n") for line in self.looks.wrap(part, width)]
        if self.move.why and len(lines) < room:
            lines += self.looks.wrap(f"({self.move.why})", width)
        drawn: list[Line] = [[(line, "title")] for line in lines[:room]]
        return drawn + [[] for _ in range(room - len(drawn))] + caution


class QualityLine(Sheet):
    """Expected uncertainty against the tolerance, as number and bar, and the worst finding."""

    quality = Quality()

    def show(self, quality: Quality) -> None:
        """Show other figures."""
        self.quality = quality
        self.redraw()

    def draw(self, width: int, height: int) -> Sequence[Line]:
        """Return number, bar and the worst finding."""
        q = self.quality
        line: Line = [("Pick U ", "dim"), (_figure(q.expanded_mm), "title")]
        if q.tolerance_mm is not None:
            line += [(" of ", "dim"), (f"{q.tolerance_mm:g} mm ", "text")]
            if q.expanded_mm is not None:
                share = q.expanded_mm / q.tolerance_mm
                word, role = ("ok", "good") if share <= 1 else ("too much", "warning")
                line += [(bar(share, 12), role), (f" {word}", role)]
        if q.worst:
            line += [("  ", "text"), (q.worst, q.worst_role)]
        if q.remark and self.looks.width(line_text(line)) + len(q.remark) + 2 <= width:
            line += [(f"  {q.remark}", "dim")]
        return [line]


def _figure(value: float | None) -> str:
    return "not known yet" if value is None else f"{value:.2f} mm"
