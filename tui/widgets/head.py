"""What stands above the line of typing: whose session, the next move, how good it is yet, facts."""

from __future__ import annotations

from collections.abc import Sequence

from engine.cautions import NEXT_MOVE

from ..desk.views import Facts, Move, Quality, Title
from ..words import Line, bar, line_text
from .sheet import Panel

CAUTION = "CAUTION  " + " ".join(NEXT_MOVE)
SHORT = 14  # characters; two facts with values shorter than this share a line


class TitleLine(Panel[Title]):
    """First line: which session, who, how far."""

    data = Title("", "")

    def draw(self, width: int, height: int) -> Sequence[Line]:
        """Return the line; the name is cut off before what stands on the right."""
        right = self.data.right
        room = max(width - self.looks.width(right) - 2, 10)
        name = self.data.name
        while name and self.looks.width(name) > room:
            name = name[:-1]
        gap = " " * max(width - self.looks.width(name) - self.looks.width(right), 1)
        return [[(name, "title"), (gap, "text"), (right, "dim")]]


class NextMove(Panel[Move]):
    """The next move with the caution; the caution is never cut off."""

    DEFAULT_CSS = "NextMove { height: 6; }"
    data = Move("", "")

    def draw(self, width: int, height: int) -> Sequence[Line]:
        """Return the move in as many lines as the caution leaves, then the caution."""
        caution: list[Line] = [[(text, "warning")] for text in self.looks.wrap(CAUTION, width)]
        room = max(height - len(caution), 1)
        text = f"{self.data.headline}  {self.data.move}"
        lines = [line for part in text.split("\n") for line in self.looks.wrap(part, width)]
        if self.data.why and len(lines) < room:
            lines += self.looks.wrap(f"({self.data.why})", width)
        drawn: list[Line] = [[(line, "title")] for line in lines[:room]]
        return drawn + [[] for _ in range(room - len(drawn))] + caution


class QualityLine(Panel[Quality]):
    """Expected uncertainty against the tolerance, as number and bar, and the worst finding."""

    data = Quality()

    def draw(self, width: int, height: int) -> Sequence[Line]:
        """Return number, bar and the worst finding."""
        q = self.data
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


class FactsPanel(Panel[Facts]):
    """A headline and facts in two columns."""

    DEFAULT_CSS = "FactsPanel { height: 1fr; }"
    data = Facts("")

    def draw(self, width: int, height: int) -> Sequence[Line]:
        """Return the headline, then name and value of every fact, wrapped."""
        lines: list[Line] = [[(self.data.headline, "title")]]
        if all(fact.name and len(fact.value) < SHORT for fact in self.data.facts):
            return lines + self._pairs(width)
        names = max((len(fact.name) for fact in self.data.facts), default=0) + 2
        for fact in self.data.facts:
            texts = self.looks.wrap(fact.value, width - names)
            lines.append([(f"{fact.name:<{names}}", "dim"), (texts[0], fact.role)])
            lines += [[(" " * names, "text"), (text, fact.role)] for text in texts[1:]]
        return lines

    def _pairs(self, width: int) -> list[Line]:
        """Return two facts a line."""
        cell = width // 2
        cells = [
            [(f"{fact.name:<10}", "dim"), (f"{fact.value:<{max(cell - 10, 1)}}", fact.role)]
            for fact in self.data.facts
        ]
        return [[part for one in cells[n : n + 2] for part in one] for n in range(0, len(cells), 2)]
